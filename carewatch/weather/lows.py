"""One night: how low it may get, whether that can be trusted, and why."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from carewatch.weather.forecast import FloatArray, Forecast, NightWeather
from carewatch.weather.history import Series
from carewatch.weather.intervals import HOUR, ceil_hour, floor_hour
from carewatch.weather.nights import Night
from carewatch.weather.series import lowest, nothing

NOTED_AGE_H = 12.0  # chosen: services renew several times a day, so half a day old is unusual
STALE_AGE_H = 24.0  # chosen: a forecast this old may warn but must not reassure
LEAST_COVERAGE = 0.9  # chosen: share of a night's remaining hours that must be known
DISAGREEMENT_C = 3.0  # chosen: near twice the usual error of a first-night minimum
SHOWN_C = 0.05  # chosen: smaller differences vanish in one decimal
FEWEST_MEMBERS = 5  # chosen: fewer cannot say how sure a forecast is


def celsius(temperature_c: float) -> str:
    """A temperature as people read it; `-0.0` is zero."""
    return f"{round(temperature_c, 1) + 0.0:.1f} °C"


def cut(series: FloatArray, *, series_start_at: datetime, start_at: datetime, end_at: datetime) -> FloatArray:
    """The hour marks in [start, end), NaN where the series has none."""
    first = (ceil_hour(start_at) - series_start_at) // HOUR
    hours = max((ceil_hour(end_at) - ceil_hour(start_at)) // HOUR, 0)
    inside = nothing(hours)
    here = slice(max(-first, 0), max(min(hours, series.shape[0] - first), 0))
    inside[here] = series[max(first, 0) : max(first + hours, 0)]
    return inside


def coverage(forecast: Forecast, night: Night, *, now: datetime) -> float:
    """Share of the night's hours still to come that the forecast knows (1 if none are left)."""
    hours_c = _ahead(forecast.air_c, forecast, night, now=now)
    return 1.0 if hours_c.size == 0 else float((~np.isnan(hours_c)).mean())


def service_minimum(forecast: Forecast, night: Night, *, since: datetime | None = None) -> float | None:
    """The lowest of the service's own minima that belong to the night: their middle lies in it."""
    lows_c = [
        minimum.air_c
        for minimum in forecast.minima
        if night.start_at <= minimum.start_at + (minimum.end_at - minimum.start_at) / 2 < night.end_at
        and (since is None or minimum.start_at >= since)
    ]
    return min(lows_c, default=None)


def covers(forecast: Forecast, night: Night, *, now: datetime) -> bool:
    """Whether enough of the night is known: its hours, or the service's own minimum."""
    return coverage(forecast, night, now=now) >= LEAST_COVERAGE or service_minimum(forecast, night) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Colder:
    """How much below the hours the night may get, by one argument."""

    by_c: float
    because: str


def night_weather(
    night: Night, series: Series, primary: Forecast, second: Forecast | None, *, now: datetime
) -> NightWeather:
    """What the joined forecasts say of one night."""
    hours_c = cut(series.air_c, series_start_at=series.start_at, start_at=night.start_at, end_at=night.end_at)
    low_c = lowest(hours_c)
    own_c = service_minimum(primary, night)
    colder = [*_below_hours(primary, own_c, low_c), *_colder_second(primary, second, night, now=now)]
    colder_c = max((one.by_c for one in colder), default=0.0)
    doubts = tuple(_doubts(primary, night, now=now))
    return NightWeather(
        night=night,
        is_usable=not doubts,
        min_c=_night_minimum(low_c, own_c, second, night, colder_c=colder_c, now=now),
        coldest_at=None if low_c is None else ceil_hour(night.start_at) + int(np.nanargmin(hours_c)) * HOUR,
        colder_c=colder_c,
        lead_h=_lead_h(primary, night, now=now),
        spread_c=_spread_c(primary, night, now=now),
        members_min_c=_members_min_c(primary, night, now=now),
        because=(*(one.because for one in colder), *_remarks(primary, second, night, now=now), *doubts),
    )


def _below_hours(primary: Forecast, own_c: float | None, low_c: float | None) -> Iterator[_Colder]:
    if own_c is None or low_c is None or low_c - own_c < SHOWN_C:
        return
    yield _Colder(
        by_c=low_c - own_c,
        because=f"{primary.name} gives a low of {celsius(own_c)}, its hours only {celsius(low_c)}; the lower counts.",
    )


def _colder_second(primary: Forecast, second: Forecast | None, night: Night, *, now: datetime) -> Iterator[_Colder]:
    """The second opinion counts where it is colder by more than the usual error; compared hour for hour to come."""
    if second is None:
        return
    first_low_c, second_low_c = _low_ahead(primary, night, now=now), _low_ahead(second, night, now=now)
    hours_low_c = lowest(_ahead(primary.air_c, primary, night, now=now))
    if first_low_c is None or second_low_c is None or first_low_c - second_low_c < DISAGREEMENT_C:
        return
    yield _Colder(
        by_c=(first_low_c if hours_low_c is None else hours_low_c) - second_low_c,
        because=f"{second.name} expects a low of {celsius(second_low_c)}, {primary.name} {celsius(first_low_c)}; "
        "the colder counts.",
    )


def _night_minimum(
    low_c: float | None,
    own_c: float | None,
    second: Forecast | None,
    night: Night,
    *,
    colder_c: float,
    now: datetime,
) -> float | None:
    if low_c is not None:
        return low_c - colder_c
    if own_c is not None:
        return own_c - colder_c
    return None if second is None else _low_ahead(second, night, now=now)


def _doubts(primary: Forecast, night: Night, *, now: datetime) -> Iterator[str]:
    """Why the night's forecast must not reassure anybody."""
    age_h = primary.age_h(now)
    if age_h > STALE_AGE_H:
        yield f"The forecast is {age_h:.0f} h old; it can warn but not reassure."
    share = coverage(primary, night, now=now)
    if not covers(primary, night, now=now):
        yield f"Only {share:.0%} of the night's hours are known; the forecast is incomplete."


def _remarks(primary: Forecast, second: Forecast | None, night: Night, *, now: datetime) -> Iterator[str]:
    if NOTED_AGE_H < primary.age_h(now) <= STALE_AGE_H:
        yield f"The forecast is {primary.age_h(now):.0f} h old."
    share = coverage(primary, night, now=now)
    if share < LEAST_COVERAGE and covers(primary, night, now=now):
        yield f"Only {share:.0%} of the night's hours are known; the service's own low stands in."
    if second is None:
        return
    first_low_c, second_low_c = _low_ahead(primary, night, now=now), _low_ahead(second, night, now=now)
    if first_low_c is not None and second_low_c is not None and second_low_c - first_low_c >= DISAGREEMENT_C:
        yield (
            f"{second.name} expects only {celsius(second_low_c)}, {primary.name} {celsius(first_low_c)}; "
            "the colder counts."
        )


def _ahead(series: FloatArray, forecast: Forecast, night: Night, *, now: datetime) -> FloatArray:
    """The night's hours from the current one on."""
    start_at = max(night.start_at, floor_hour(now))
    return cut(series, series_start_at=forecast.start_at, start_at=start_at, end_at=max(night.end_at, start_at))


def _low_ahead(forecast: Forecast, night: Night, *, now: datetime) -> float | None:
    """The lowest still to come by one service: its hours, and its own minima that do not reach into the past."""
    low_c = lowest(_ahead(forecast.air_c, forecast, night, now=now))
    own_c = service_minimum(forecast, night, since=floor_hour(now))
    known = [value for value in (low_c, own_c) if value is not None]
    return min(known, default=None)


def _lead_h(primary: Forecast, night: Night, *, now: datetime) -> float:
    """Hours from issue to the coldest hour still to come; to the end of the night if no hour is known."""
    hours_c = _ahead(primary.air_c, primary, night, now=now)
    coldest_at = night.end_at
    if not np.isnan(hours_c).all():
        coldest_at = max(ceil_hour(night.start_at), floor_hour(now)) + int(np.nanargmin(hours_c)) * HOUR
    return max((coldest_at - primary.issued_at) / timedelta(hours=1), 0.0)


def _spread_c(primary: Forecast, night: Night, *, now: datetime) -> float | None:
    """The service's spread at the coldest hour still to come."""
    if primary.spread_c is None:
        return None
    hours_c = _ahead(primary.air_c, primary, night, now=now)
    if np.isnan(hours_c).all():
        return None
    spread_c = float(_ahead(primary.spread_c, primary, night, now=now)[int(np.nanargmin(hours_c))])
    return None if np.isnan(spread_c) else spread_c


def _members_min_c(primary: Forecast, night: Night, *, now: datetime) -> tuple[float, ...] | None:
    """Each member's lowest hour still to come; a member with holes is left out, for a hole may hide its low."""
    if primary.members_c is None:
        return None
    lows_c = []
    for member_c in primary.members_c:
        hours_c = _ahead(member_c, primary, night, now=now)
        if hours_c.size and (~np.isnan(hours_c)).mean() >= LEAST_COVERAGE:
            lows_c.append(float(np.nanmin(hours_c)))
    return tuple(lows_c) if len(lows_c) >= FEWEST_MEMBERS else None
