"""Reading answers of Open-Meteo: a forecast, the mean and spread of an ensemble, its members.

Facts: the documentation pages and OpenAPI files of open-meteo.com and the project's issue threads.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from carewatch.errors import UpstreamTrouble
from carewatch.sources.terms import brief
from carewatch.sources.tree import Json, as_object, decode, dig, instant_or_none, number, text
from carewatch.units import KMH_PER_MPS, MPS_PER_MPH
from carewatch.weather.forecast import FloatArray, Forecast, Grade
from carewatch.weather.intervals import HOUR, LONGEST, ceil_hour, floor_hour
from carewatch.weather.series import (
    COLDEST_BELIEVED_C,
    WARMEST_BELIEVED_C,
    fill_gaps,
    from_instants,
    nothing,
    without_impossible,
)

NAME = "open_meteo"
SERVICE = "Open-Meteo"
LICENCE = "Weather data by Open-Meteo.com (CC BY 4.0, https://open-meteo.com/), processed here."
RUN_AGE = timedelta(hours=6)  # chosen: the answer does not say when its model ran; global runs are that old when out
ENSEMBLE_EXTRA_SD_C = 1.5  # chosen: the 25 km ensembles do not hold local night cooling and are too narrow
STRONGEST_WIND_MPS = 120.0
WETTEST_MM = 500.0
MOST_MEMBERS = 200

Converter = Callable[[FloatArray], FloatArray]
_UNITS: Mapping[str, Mapping[str, Converter]] = {
    "temperature": {"°C": lambda value: value, "°F": lambda value: (value - 32.0) / 1.8},
    "spread": {"K": lambda value: value, "°C": lambda value: value, "°F": lambda value: value / 1.8},
    "wind": {
        "m/s": lambda value: value,
        "km/h": lambda value: value / KMH_PER_MPS,
        "mp/h": lambda value: value * MPS_PER_MPH,
        "mph": lambda value: value * MPS_PER_MPH,
        "kn": lambda value: value * 1.852 / KMH_PER_MPS,
    },
    "percent": {"%": lambda value: value / 100.0},
    "rain": {"mm": lambda value: value, "inch": lambda value: value * 25.4},
}
_MEMBER = re.compile(r"temperature_2m_member\d{2,3}(?:_\w+)?", re.ASCII)
_NOT_A_MODEL = ("_member", "_spread", "_max", "_min", "_mean", "_previous_day")


def read_forecast(body: bytes, *, fetched_at: datetime, place: int = 0) -> Forecast:
    """The forecast in an answer; `place` counts in the order asked when several places were asked at once."""
    hourly = _Hourly(_place(body, place))
    air_c = hourly.temperature_c()
    if np.isnan(air_c).all():
        raise UpstreamTrouble(f"{SERVICE} knows no temperature for this place; the model does not cover it.")
    preceding_mm = hourly.series("precipitation", "rain", 0.0, WETTEST_MM, fills=False)
    return Forecast(
        source=NAME,
        title=SERVICE,
        grade=Grade.RAW,
        licence=LICENCE,
        issued_at=fetched_at - RUN_AGE,
        fetched_at=fetched_at,
        start_at=hourly.start_at,
        air_c=air_c,
        dew_c=hourly.series("dew_point_2m", "temperature", COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
        wind_mps=hourly.series("wind_speed_10m", "wind", 0.0, STRONGEST_WIND_MPS),
        cloud_fraction=hourly.series("cloud_cover", "percent", 0.0, 1.0),
        # the service gives the sum of the hour before the mark, we keep that of the hour after
        rain_mm=np.append(preceding_mm[1:], np.nan),
        elevation_m=hourly.elevation_m,
        warnings=tuple(hourly.warnings),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """What an ensemble says of a forecast's hours: a spread, or members [members, n]."""

    spread_c: FloatArray | None
    members_c: FloatArray | None


def read_spread(body: bytes, *, start_at: datetime, hours: int) -> Uncertainty:
    """The spread of an ensemble-mean answer on a forecast's hours, widened by what the ensemble cannot see."""
    answer = _Hourly(_place(body, 0))
    spread_c = answer.series("temperature_2m_spread", "spread", 0.0, 30.0)
    if np.isnan(spread_c).all():
        raise UpstreamTrouble(f"{SERVICE} sent an ensemble without a spread.")
    widened_c = np.sqrt(spread_c**2 + ENSEMBLE_EXTRA_SD_C**2)
    return Uncertainty(spread_c=answer.on(widened_c, start_at=start_at, hours=hours), members_c=None)


def read_members(body: bytes, *, start_at: datetime, hours: int) -> Uncertainty:
    """The members of an ensemble answer on a forecast's hours; the unnumbered series is the control run."""
    answer = _Hourly(_place(body, 0))
    names = [name for name in answer.names if name == "temperature_2m" or _MEMBER.fullmatch(name)]
    members = [
        answer.on(
            answer.series(name, "temperature", COLDEST_BELIEVED_C, WARMEST_BELIEVED_C), start_at=start_at, hours=hours
        )
        for name in names[:MOST_MEMBERS]
    ]
    known = [member for member in members if not np.isnan(member).all()]
    if not known:
        raise UpstreamTrouble(f"{SERVICE} sent an ensemble without members.")
    return Uncertainty(spread_c=None, members_c=np.stack(known))


def check(body: bytes) -> None:
    """Raise unless the body is an answer with hourly series."""
    _Hourly(_place(body, 0))


def _place(body: bytes, place: int) -> Json:
    """The answer for one place: the only one, or one of an array in the order asked."""
    tree = decode(body, service=SERVICE)
    if isinstance(tree, list):
        if not 0 <= place < len(tree):
            raise UpstreamTrouble(f"{SERVICE} sent {len(tree)} places, not the one asked.")
        tree = tree[place]
    answer = as_object(tree, service=SERVICE)
    if answer.get("error") is True:
        raise UpstreamTrouble(f"{SERVICE} says: {brief(text(answer.get('reason')))}")
    return answer


class _Hourly:
    """The hourly part of one answer."""

    def __init__(self, answer: Json) -> None:
        hourly, times = dig(answer, "hourly"), dig(answer, "hourly", "time")
        if not isinstance(hourly, dict) or not isinstance(times, list) or not times:
            raise UpstreamTrouble(f"{SERVICE} sent an answer without hourly series.")
        self._hourly = hourly
        self._units = dig(answer, "hourly_units")
        self._moments = [_moment(time, offset_s=number(answer.get("utc_offset_seconds"))) for time in times]
        known = [moment for moment in self._moments if moment is not None]
        if not known:
            raise UpstreamTrouble(f"{SERVICE} sent times that cannot be read.")
        self.start_at = ceil_hour(min(known))
        self.hours = (floor_hour(max(known)) - self.start_at) // HOUR + 1
        if not 0 < self.hours <= LONGEST // HOUR:
            raise UpstreamTrouble(f"{SERVICE} sent a forecast over {self.hours // 24} days; that cannot be right.")
        elevation_m = number(answer.get("elevation"))
        self.elevation_m = elevation_m if -500.0 <= elevation_m <= 9000.0 else None
        self.warnings: list[str] = []

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the series."""
        return tuple(self._hourly)

    def temperature_c(self) -> FloatArray:
        """The air temperature; of several models the coldest."""
        names = self._models("temperature_2m")
        if not names:
            raise UpstreamTrouble(f"{SERVICE} sent an answer without temperatures.")
        all_c = [self.series(name, "temperature", COLDEST_BELIEVED_C, WARMEST_BELIEVED_C) for name in names]
        coldest_c: FloatArray = np.fmin.reduce(all_c)
        return coldest_c

    def series(self, name: str, quantity: str, lowest: float, highest: float, *, fills: bool = True) -> FloatArray:
        """One series in our unit; NaN throughout when it is absent or its unit unknown."""
        found = [name] if name in self._hourly else self._models(name)
        values = self._hourly.get(found[0]) if found else None
        if not isinstance(values, list):
            return nothing(self.hours)
        unit = text(dig(self._units, found[0])) or ""
        convert = _UNITS[quantity].get(unit)
        if convert is None:
            if unit != "undefined":  # the service's word for a series the model lacks
                self.warnings.append(f"{SERVICE}: {name} left out, its unit {brief(unit)!r} is unknown.")
            return nothing(self.hours)
        dated = ((at, number(value)) for at, value in zip(self._moments, values, strict=False) if at is not None)
        raw = convert(from_instants(dated, start_at=self.start_at, hours=self.hours))
        series, strange = without_impossible(raw, lowest=lowest, highest=highest)
        if strange:
            self.warnings.append(f"{SERVICE}: {strange} h of {name} left out as impossible.")
        if not fills:
            return series
        series, filled = fill_gaps(series)
        if filled:
            self.warnings.append(f"{SERVICE}: {filled} h of {name} filled in from the hours around.")
        return series

    def on(self, series: FloatArray, *, start_at: datetime, hours: int) -> FloatArray:
        """One of this answer's series on the hours of another."""
        moved = nothing(hours)
        shift = (self.start_at - start_at) // HOUR
        first, last = max(shift, 0), min(shift + self.hours, hours)
        if first < last:
            moved[first:last] = series[first - shift : last - shift]
        return moved

    def _models(self, name: str) -> list[str]:
        """The series itself, or one per model where the service adds the model's name."""
        if name in self._hourly:
            return [name]
        prefix = f"{name}_"
        return [
            key
            for key in self._hourly
            if key.startswith(prefix) and not any(key[len(name) :].startswith(word) for word in _NOT_A_MODEL)
        ]


def _moment(time: object, *, offset_s: float) -> datetime | None:
    """A time given as seconds since 1970, or as text without a zone in the offset the answer names."""
    if isinstance(time, str):
        at = instant_or_none(f"{time}Z")
        return None if at is None or np.isnan(offset_s) or abs(offset_s) > 86400 else at - timedelta(seconds=offset_s)
    seconds = number(time)
    if not 0 <= seconds < 4e9:
        return None
    return datetime.fromtimestamp(seconds, tz=UTC)
