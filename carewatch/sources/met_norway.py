"""MET Norway's Locationforecast 2.0, `complete`: global, commercial use allowed with attribution.

Facts and terms: api.met.no/doc (TermsOfService, ForecastJSON, StatusCodes, License), locationforecast data model page.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from carewatch.errors import UpstreamTrouble
from carewatch.http import GOOD, HttpClient
from carewatch.roster.model import Site
from carewatch.sources.coordinates import altitude, latitude, longitude
from carewatch.sources.port import Recall
from carewatch.sources.terms import ask_again_at, brief, conditional, keep_newest, refusal, renewed, validators
from carewatch.sources.tree import Json, decode_object, dig, instant, instant_or_none, number, objects, text
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import FloatArray, Forecast, Grade, Minimum
from carewatch.weather.intervals import HOUR, LONGEST, ceil_hour
from carewatch.weather.series import (
    COLDEST_BELIEVED_C,
    WARMEST_BELIEVED_C,
    fill_gaps,
    from_instants,
    from_totals,
    nothing,
    without_impossible,
)

NAME = "met_norway"
SERVICE = "MET Norway"
BASE_URL = "https://api.met.no"
PATH = "/weatherapi/locationforecast/2.0/complete"
LICENCE = (
    "Based on data from MET Norway (NLOD 2.0 and CC BY 4.0, https://api.met.no/doc/License), processed here; "
    "no endorsement implied."
)
EVERY = timedelta(hours=1)
SIX_HOURS = timedelta(hours=6)
SD_PER_P10_P90 = 1 / 2.563  # normal law: the 10th and 90th percentile lie 2 * 1.2816 standard deviations apart
NORDIC_BOX = (54.5, 71.5, 4.0, 32.0)  # south, north, west, east; chosen: the countries the 2.5 km model serves
STRONGEST_WIND_MPS = 120.0
WETTEST_MM = 500.0
DEPRECATED = "MET Norway says that this version of its forecast is going away (203): carewatch needs an update."

UNITS = {
    "air_temperature": "celsius",
    "dew_point_temperature": "celsius",
    "wind_speed": "m/s",
    "cloud_area_fraction": "%",
    "precipitation_amount": "mm",
}


class MetNorway:
    """Forecasts of MET Norway over HTTP."""

    name = NAME

    def __init__(self, http: HttpClient, *, base_url: str = BASE_URL, installation: str = "") -> None:
        self._http = http
        self._base_url = base_url.rstrip("/")
        self._installation = installation

    def grade(self, site: Site) -> Grade:
        """Corrected locally in the Nordic countries, a raw global model elsewhere."""
        return grade_of(site)

    def covers(self, site: Site) -> bool:
        """The whole globe."""
        del site
        return True

    def update(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """Ask for the site's forecast, not before the time the last answer allows."""
        key = site_key(site)
        stored = recall(key)
        if stored is not None and now < stored.ask_again_at:
            return ()
        query = {"lat": latitude(site), "lon": longitude(site), "altitude": altitude(site)}
        reply = self._http.get(self._base_url + PATH, query=query, headers=conditional(stored))
        again_at = ask_again_at(reply.headers, now=now, least=EVERY, installation=self._installation, key=key)
        if reply.status == 304 and stored is not None:
            return (renewed(stored, reply, again_at=again_at),)
        if reply.status not in GOOD:
            raise refusal(reply, service=SERVICE)  # bodies of refusals are not JSON and stay unread
        forecast = read_complete(reply.body, site=site, fetched_at=now)
        fresh = Answer(
            source=self.name,
            key=key,
            body=reply.body,
            fetched_at=now,
            issued_at=forecast.issued_at,
            ask_again_at=again_at,
            # a 203 answers no conditional question, so it leaves only its own mark
            validators={"status": "203"} if reply.status == 203 else validators(reply.headers),
        )
        return (keep_newest(stored, fresh),)

    def read(self, site: Site, *, recall: Recall) -> Forecast | None:
        """The site's stored forecast."""
        stored = recall(site_key(site))
        if stored is None:
            return None
        forecast = read_complete(stored.body, site=site, fetched_at=stored.fetched_at)
        if stored.validators.get("status") == "203":
            return replace(forecast, warnings=(*forecast.warnings, DEPRECATED))
        return forecast


def site_key(site: Site) -> str:
    """Key of a site's answer: sites on the same rounded coordinates and height share it."""
    return f"complete/{latitude(site)},{longitude(site)},{altitude(site)}"


def grade_of(site: Site) -> Grade:
    """Official inside a coarse box around the Nordic model's countries."""
    south, north, west, east = NORDIC_BOX
    is_nordic = south <= site.lat_deg <= north and west <= site.lon_deg <= east
    return Grade.OFFICIAL if is_nordic else Grade.RAW


def read_complete(body: bytes, *, site: Site, fetched_at: datetime) -> Forecast:
    """The forecast in a `complete` (or `compact`, then without dew point) answer."""
    answer = decode_object(body, service=SERVICE)
    steps = _steps(answer)
    start_at, hours = _frame(steps)
    warnings: list[str] = []
    details = _Details(answer, steps, start_at=start_at, hours=hours, warnings=warnings)
    air_c = details.hourly("air_temperature", COLDEST_BELIEVED_C, WARMEST_BELIEVED_C)
    if np.isnan(air_c).all():
        raise UpstreamTrouble(f"{SERVICE} sent a forecast without usable temperatures.")
    return Forecast(
        source=NAME,
        title=SERVICE,
        grade=grade_of(site),
        licence=LICENCE,
        issued_at=instant(dig(answer, "properties", "meta", "updated_at"), service=SERVICE, what="it was made"),
        fetched_at=fetched_at,
        start_at=start_at,
        air_c=air_c,
        dew_c=details.hourly("dew_point_temperature", COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
        wind_mps=details.hourly("wind_speed", 0.0, STRONGEST_WIND_MPS),
        cloud_fraction=details.hourly("cloud_area_fraction", 0.0, 100.0) / 100.0,
        rain_mm=details.rain_mm(),
        minima=details.minima(),
        spread_c=details.spread_c(),
        elevation_m=_altitude_m(answer),
        warnings=tuple(warnings),
    )


def _steps(answer: Json) -> list[tuple[datetime, Json]]:
    """The dated steps of the answer in order of time."""
    dated = ((instant_or_none(step.get("time")), step) for step in objects(dig(answer, "properties", "timeseries")))
    return sorted(((at, step) for at, step in dated if at is not None), key=lambda pair: pair[0])


def _frame(steps: list[tuple[datetime, Json]]) -> tuple[datetime, int]:
    if not steps:
        raise UpstreamTrouble(f"{SERVICE} sent an answer without a forecast.")
    start_at = ceil_hour(steps[0][0])
    hours = (steps[-1][0] - start_at) // HOUR + 1
    if hours > LONGEST // HOUR:
        raise UpstreamTrouble(f"{SERVICE} sent a forecast over {hours // 24} days; that cannot be right.")
    return start_at, hours


class _Details:
    """The values of one answer on the hours it spans; an absent key means not known."""

    def __init__(
        self,
        answer: Json,
        steps: list[tuple[datetime, Json]],
        *,
        start_at: datetime,
        hours: int,
        warnings: list[str],
    ) -> None:
        self._units = dig(answer, "properties", "meta", "units")
        self._steps = steps
        self._start_at = start_at
        self._hours = hours
        self._warnings = warnings

    def hourly(self, name: str, lowest: float, highest: float) -> FloatArray:
        """An instant value at every hour, the later six-hourly part filled in between."""
        if not self._is_known_unit(name):
            return nothing(self._hours)
        raw = self._instants(name)
        series, strange = without_impossible(raw, lowest=lowest, highest=highest)
        if strange:
            self._warnings.append(f"{SERVICE}: {strange} h of {name} left out as impossible.")
        series, filled = fill_gaps(series)
        if filled and name == "air_temperature":  # the later part is six-hourly by design: one word about it is enough
            self._warnings.append(f"{SERVICE}: {filled} of {self._hours} h lie between its steps and are filled in.")
        return series

    def rain_mm(self) -> FloatArray:
        """Rain per hour from the shortest period each step has."""
        if not self._is_known_unit("precipitation_amount"):
            return nothing(self._hours)
        series = nothing(self._hours)
        for period, length in (("next_6_hours", SIX_HOURS), ("next_1_hours", HOUR)):
            totals = (
                (at, at + length, number(dig(step, "data", period, "details", "precipitation_amount")))
                for at, step in self._steps
                if dig(step, "data", period, "details", "precipitation_amount") is not None
            )
            spread_mm = from_totals(totals, start_at=self._start_at, hours=self._hours)
            series = np.where(np.isnan(spread_mm), series, spread_mm)
        return without_impossible(series, lowest=0.0, highest=WETTEST_MM)[0]

    def minima(self) -> tuple[Minimum, ...]:
        """Six-hour minima that start at 00, 06, 12 and 18 UTC: all the later part has, and enough of the first."""
        return tuple(
            Minimum(start_at=at, end_at=at + SIX_HOURS, air_c=low_c)
            for at, step in self._steps
            if at.hour % 6 == 0 and at.minute == 0
            for low_c in (number(dig(step, "data", "next_6_hours", "details", "air_temperature_min")),)
            if COLDEST_BELIEVED_C <= low_c <= WARMEST_BELIEVED_C
        )

    def spread_c(self) -> FloatArray | None:
        """Standard deviation from the 10th and 90th percentile, where the service gives them."""
        low_c, high_c = (self._instants(f"air_temperature_percentile_{share}") for share in (10, 90))
        spread_c = np.where(high_c >= low_c, (high_c - low_c) * SD_PER_P10_P90, np.nan)
        return None if np.isnan(spread_c).all() else fill_gaps(spread_c)[0]

    def _instants(self, name: str) -> FloatArray:
        values = ((at, number(dig(step, "data", "instant", "details", name))) for at, step in self._steps)
        return from_instants(values, start_at=self._start_at, hours=self._hours)

    def _is_known_unit(self, name: str) -> bool:
        unit = dig(self._units, name)
        if unit is None or unit == UNITS[name]:
            return unit is not None
        self._warnings.append(f"{SERVICE}: {name} left out, its unit {brief(text(unit))!r} is unknown.")
        return False


def _altitude_m(answer: Json) -> float | None:
    """The height the service used, third of its coordinates."""
    point = dig(answer, "geometry", "coordinates")
    altitude_m = number(point[2]) if isinstance(point, list) and len(point) > 2 else np.nan
    return altitude_m if -500.0 <= altitude_m <= 9000.0 else None
