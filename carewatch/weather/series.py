"""Hourly arrays from what services send: steps, totals, scattered instants; gaps, impossible values."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np

from carewatch.weather.forecast import FloatArray
from carewatch.weather.intervals import HOUR, ceil_hour, floor_hour

LONGEST_GAP_H = 6  # chosen: the step of the later part of global forecasts; a night's course is still seen
COLDEST_BELIEVED_C = -70.0  # chosen: colder than any farm; services have sent temperatures in the thousands
WARMEST_BELIEVED_C = 60.0

Step = tuple[datetime, datetime, float]


def hours_between(start_at: datetime, moment: datetime) -> int:
    """Whole hours from `start_at` to the hour mark at or before `moment`."""
    return (floor_hour(moment) - start_at) // HOUR


def nothing(hours: int) -> FloatArray:
    """An array that knows nothing."""
    return np.full(max(hours, 0), np.nan)


def from_steps(steps: Iterable[Step], *, start_at: datetime, hours: int) -> FloatArray:
    """Repeat each value at every hour mark inside its half-open interval [start, end)."""
    series = nothing(hours)
    for begins_at, ends_at, value in steps:
        first, last = _index_span(begins_at, ends_at, start_at=start_at, hours=hours)
        series[first:last] = value
    return series


def from_totals(totals: Iterable[Step], *, start_at: datetime, hours: int) -> FloatArray:
    """Spread each total evenly over the hours of its interval, so that sums stay what the service said."""
    series = nothing(hours)
    for begins_at, ends_at, total in totals:
        length_h = max((ends_at - begins_at) / HOUR, 1.0)
        first, last = _index_span(begins_at, ends_at, start_at=start_at, hours=hours)
        series[first:last] = total / length_h
    return series


def _index_span(begins_at: datetime, ends_at: datetime, *, start_at: datetime, hours: int) -> tuple[int, int]:
    first = (ceil_hour(begins_at) - start_at) // HOUR
    last = (ceil_hour(ends_at) - start_at) // HOUR
    return min(max(first, 0), hours), min(max(last, 0), hours)


def from_instants(values: Iterable[tuple[datetime, float]], *, start_at: datetime, hours: int) -> FloatArray:
    """Put each value at its hour mark; values between hour marks are left out."""
    series = nothing(hours)
    for moment, value in values:
        index = hours_between(start_at, moment)
        if 0 <= index < hours and start_at + timedelta(hours=index) == moment:
            series[index] = value
    return series


def fill_gaps(series: FloatArray, *, longest_h: int = LONGEST_GAP_H) -> tuple[FloatArray, int]:
    """Interpolate gaps of at most `longest_h` hours between known ones; also gives the number of hours filled."""
    known = np.flatnonzero(~np.isnan(series))
    filled = series.copy()
    for left, right in pairwise(known):
        missing = int(right - left) - 1
        if 0 < missing <= longest_h:
            inside = np.arange(left + 1, right)
            filled[inside] = np.interp(inside, (left, right), (series[left], series[right]))
    return filled, int(np.isnan(series).sum() - np.isnan(filled).sum())


def without_impossible(series: FloatArray, *, lowest: float, highest: float) -> tuple[FloatArray, int]:
    """Replace values outside [lowest, highest] by NaN; also gives how many there were."""
    impossible = (series < lowest) | (series > highest)
    return np.where(impossible, np.nan, series), int(impossible.sum())


def lowest(series: FloatArray) -> float | None:
    """The lowest known value; None if nothing is known."""
    known = series[~np.isnan(series)]
    return float(known.min()) if known.size else None
