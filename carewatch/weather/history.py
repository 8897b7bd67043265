"""The hours already past, taken from older forecasts: for each hour the forecast made closest to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from carewatch.weather.forecast import FloatArray, Forecast
from carewatch.weather.intervals import HOUR
from carewatch.weather.series import nothing

KINDS = ("air_c", "dew_c", "wind_mps", "cloud_fraction", "rain_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Hourly arrays of one length, the first value at `start_at`."""

    start_at: datetime
    air_c: FloatArray
    dew_c: FloatArray
    wind_mps: FloatArray
    cloud_fraction: FloatArray
    rain_mm: FloatArray


def stitch(primary: Forecast, history: Sequence[Forecast], *, now_hour: datetime, back_h: int) -> Series:
    """The past hours from the forecast closest to each, then `primary` from `now_hour` on.

    Every hour is taken whole from one forecast, so that air and dew point belong together.
    """
    oldest_at = now_hour - timedelta(hours=back_h)
    sources = (*history, primary)
    first_at = min((forecast.start_at for forecast in sources if forecast.end_at >= oldest_at), default=now_hour)
    start_at = max(oldest_at, first_at)
    hours = max((primary.end_at - start_at) // HOUR + 1, 0)
    chosen = {kind: nothing(hours) for kind in KINDS}
    nearest_h = np.full(hours, np.inf)
    past = int(np.clip((now_hour - start_at) // HOUR, 0, hours))
    for forecast in sources:
        _take(forecast, chosen, nearest_h, start_at=start_at, until=past)
    _take(primary, chosen, np.full(hours, np.inf), start_at=start_at, since=past, until=hours)
    return Series(start_at=start_at, **chosen)


def _take(
    forecast: Forecast,
    chosen: dict[str, FloatArray],
    nearest_h: FloatArray,
    *,
    start_at: datetime,
    until: int,
    since: int = 0,
) -> None:
    shift = (forecast.start_at - start_at) // HOUR
    first, last = max(shift, since), min(shift + forecast.hours, until)
    if first >= last:
        return
    here = slice(first, last)
    there = slice(first - shift, last - shift)
    # an hour older than its forecast is no measurement either: distance counts both ways
    lead_h = np.abs(np.arange(first, last) + (start_at - forecast.issued_at) / HOUR)
    better = (lead_h < nearest_h[here]) & ~np.isnan(forecast.air_c[there])
    nearest_h[here] = np.where(better, lead_h, nearest_h[here])
    for kind in KINDS:
        values: FloatArray = getattr(forecast, kind)
        chosen[kind][here] = np.where(better, values[there], chosen[kind][here])
