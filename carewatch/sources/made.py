"""Forecasts made from what the weather really was: perfect ones, or synthetic ones with errors as real ones have."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np

from carewatch.errors import BadInput
from carewatch.roster.model import Site
from carewatch.sources.made_errors import ISSUE_EVERY, Errors, issue_number
from carewatch.sources.plain import read_plain, write_plain
from carewatch.sources.port import Recall
from carewatch.sources.records import Weather, read_outages, read_weather
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import FloatArray, Forecast, Grade
from carewatch.weather.intervals import HOUR, floor_hour
from carewatch.weather.series import nothing

PERFECT = "perfect"
SYNTHETIC = "synthetic"
AHEAD_H = 240
LICENCES = {
    PERFECT: "Made from the recorded weather itself; no service forecast it.",
    SYNTHETIC: "Synthetic: made from the recorded weather with a made-up error; no service forecast it.",
}
TITLES = {PERFECT: "Perfect forecast", SYNTHETIC: "Synthetic forecast"}


class Made:
    """A new forecast at 00, 06, 12 and 18 UTC from `weather/SITE.csv`, ten days ahead as far as the file goes."""

    def __init__(self, folder: Path, *, kind: str, seed: int = 0) -> None:
        if kind not in TITLES:
            raise BadInput(f"A made forecast is {PERFECT} or {SYNTHETIC}, not {kind!r}.")
        self.name = kind
        self._seed = seed
        self._folder = folder
        self._outages = read_outages(folder / "forecasts" / "outages.csv")
        self._weather = lru_cache(maxsize=None)(self._read_weather)

    def grade(self, site: Site) -> Grade:
        """Its errors are those of forecasts corrected by local forecasters."""
        del site
        return Grade.OFFICIAL

    def covers(self, site: Site) -> bool:
        """Whether the scenario holds the site's weather."""
        return self._path(site.id).is_file()

    def update(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """The newest issue, unless it is known already or the site is cut off at `now`."""
        issued_at = last_issue_at(now)
        stored = recall(site.id)
        if stored is not None and stored.issued_at is not None and stored.issued_at >= issued_at:
            return ()
        if any(outage.holds(site.id, now) for outage in self._outages):
            return ()
        forecast = self.make(site, issued_at=issued_at)
        if forecast is None:
            return ()
        return (
            Answer(
                source=self.name,
                key=site.id,
                body=write_plain(forecast),
                fetched_at=now,
                issued_at=issued_at,
                ask_again_at=issued_at + ISSUE_EVERY,
                validators={},
            ),
        )

    def read(self, site: Site, *, recall: Recall) -> Forecast | None:
        """The stored issue."""
        stored = recall(site.id)
        return None if stored is None else read_plain(stored.body, fetched_at=stored.fetched_at)

    def make(self, site: Site, *, issued_at: datetime) -> Forecast | None:
        """The forecast of one issue; None where the record has no temperature ahead."""
        weather = self._weather(site.id)
        air_c = _ahead(weather, "air_c", issued_at)
        if np.isnan(air_c).all():
            return None
        dew_c, wind_mps, cloud = (_ahead(weather, name, issued_at) for name in ("dew_c", "wind_mps", "cloud_fraction"))
        if self.name == SYNTHETIC:
            errors = Errors(seed=self._seed, site=site.id, lon_deg=site.lon_deg)
            issue = issue_number(issued_at)
            air_c = air_c + errors.air_c(issue, hours=AHEAD_H)
            dew_c = np.fmin(dew_c + errors.dew_c(issue, hours=AHEAD_H), air_c)
            wind_mps = wind_mps * errors.wind_factor(issue, hours=AHEAD_H)
            cloud = np.clip(cloud + errors.cloud_fraction(issue, hours=AHEAD_H), 0.0, 1.0)
        return Forecast(
            source=self.name,
            title=TITLES[self.name],
            grade=Grade.OFFICIAL,
            licence=LICENCES[self.name],
            issued_at=issued_at,
            fetched_at=issued_at,
            start_at=issued_at,
            air_c=air_c,
            dew_c=dew_c,
            wind_mps=wind_mps,
            cloud_fraction=cloud,
            rain_mm=nothing(AHEAD_H),
        )

    def _path(self, site_id: str) -> Path:
        return self._folder / "weather" / f"{site_id}.csv"

    def _read_weather(self, site_id: str) -> Weather:
        return read_weather(self._path(site_id))


def last_issue_at(now: datetime) -> datetime:
    """The newest of 00, 06, 12, 18 UTC at or before `now`."""
    hour = floor_hour(now)
    return hour - timedelta(hours=hour.hour % (ISSUE_EVERY // HOUR))


def _ahead(weather: Weather, name: str, issued_at: datetime) -> FloatArray:
    """The record from the issue on, NaN where it has ended or not begun."""
    series = nothing(AHEAD_H)
    shift = (issued_at - weather.start_at) // HOUR
    first, last = max(-shift, 0), min(weather.hours - shift, AHEAD_H)
    if first < last:
        series[first:last] = weather.values[name][first + shift : last + shift]
    return series
