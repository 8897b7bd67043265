"""What thermometers read, at a site itself or at the nearest weather station, and a night as it then was."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np

from carewatch.weather.forecast import FloatArray, NightWeather, SiteWeather
from carewatch.weather.history import Series
from carewatch.weather.intervals import HOUR, ceil_hour
from carewatch.weather.nights import Night
from carewatch.weather.series import nothing

LONGEST_SILENCE = timedelta(hours=2)  # chosen: the cold of a night lasts longer, so its low is not lost in between
NEAR = timedelta(minutes=30)  # a reading speaks for the hour mark nearest to it
KINDS = ("air_c", "dew_c", "wind_mps", "cloud_fraction")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """What was read, oldest first; arrays [n], NaN where nothing was read, wind at 10 m.

    `by`: what people call the instrument; `is_at_site`: it stands where the machines stand, so the site learns from it.
    """

    by: str
    is_at_site: bool
    moments: tuple[datetime, ...]
    air_c: FloatArray
    dew_c: FloatArray
    wind_mps: FloatArray
    cloud_fraction: FloatArray

    def between(self, since: datetime, until: datetime) -> Readings | None:
        """The readings from `since` to `until`, both included; None if there are none."""
        first, last = bisect_left(self.moments, since), bisect_right(self.moments, until)
        if first >= last:
            return None
        arrays = {kind: getattr(self, kind)[first:last] for kind in KINDS}
        return replace(self, moments=self.moments[first:last], **arrays)

    def low_c(self, night: Night) -> float | None:
        """The lowest air temperature of a night; None if it was silent for so long that the low may be lost."""
        inside = [i for i, at in enumerate(self.moments) if night.start_at <= at <= night.end_at]
        heard = [night.start_at, *(self.moments[i] for i in inside), night.end_at]
        if any(later - earlier > LONGEST_SILENCE for earlier, later in pairwise(heard)):
            return None
        return float(self.air_c[inside].min())

    def at_marks(self, start_at: datetime, hours: int) -> dict[str, FloatArray]:
        """The readings by kind at the hour marks from `start_at` on: of each mark the one nearest to it."""
        marks = {kind: nothing(hours) for kind in KINDS}
        nearest = [NEAR + timedelta(microseconds=1)] * hours
        for i, moment in enumerate(self.moments):
            mark = (moment - start_at + NEAR) // HOUR
            if 0 <= mark < hours and (off := abs(moment - start_at - mark * HOUR)) < nearest[mark]:
                nearest[mark] = off
                for kind, values in marks.items():
                    values[mark] = getattr(self, kind)[i]
        return marks


def readings_of(rows: Mapping[datetime, Mapping[str, float]], *, by: str, is_at_site: bool) -> Readings | None:
    """Readings from rows by instant; those without an air temperature say nothing. None if none is left."""
    moments = sorted(at for at, row in rows.items() if not np.isnan(row.get("air_c", np.nan)))
    if not moments:
        return None

    def series(kind: str) -> FloatArray:
        return np.array([rows[at].get(kind, np.nan) for at in moments], dtype=np.float64)

    air_c = series("air_c")
    return Readings(
        by=by,
        is_at_site=is_at_site,
        moments=tuple(moments),
        air_c=air_c,
        dew_c=np.fmin(series("dew_c"), air_c),
        wind_mps=series("wind_mps"),
        cloud_fraction=series("cloud_fraction"),
    )


def colder_past(series: Series, readings: Readings, *, until: datetime) -> Series:
    """The series with the hours before `until` as cold as they were read, where that is colder than forecast.

    Only colder: a thermometer in the sun or in a shed must not call a night safe.
    """
    read = readings.at_marks(series.start_at, series.air_c.shape[0])
    past = np.arange(series.air_c.shape[0]) < (ceil_hour(until) - series.start_at) // HOUR
    colder = past & (read["air_c"] < series.air_c)
    air_c = np.where(colder, read["air_c"], series.air_c)
    dew_c = np.where(colder, np.fmin(np.fmin(read["dew_c"], series.dew_c), air_c), series.dew_c)
    return replace(series, air_c=air_c, dew_c=dew_c)


def as_it_was(weather: SiteWeather, night: Night, readings: Readings) -> SiteWeather | None:
    """The weather with one night as it was read, and no other night; None if its low was not read.

    What was not read (wind, cloud, dew point) stays as the forecast closest to each hour had it.
    """
    low_c = readings.low_c(night)
    if low_c is None:
        return None
    hours = weather.air_c.shape[0]
    read = readings.at_marks(weather.start_at, hours)
    inside = np.array([night.start_at <= weather.start_at + i * HOUR <= night.end_at for i in range(hours)], dtype=bool)
    was = {kind: _where_read(getattr(weather, kind), values, inside) for kind, values in read.items()}
    night_c = was["air_c"][inside]
    if np.isnan(night_c).all():
        return None
    return replace(
        weather,
        air_c=was["air_c"],
        dew_c=np.fmin(was["dew_c"], was["air_c"]),
        wind_mps=was["wind_mps"],
        cloud_fraction=was["cloud_fraction"],
        nights=(
            NightWeather(
                night=night,
                is_usable=True,
                min_c=low_c,
                coldest_at=weather.start_at + int(np.flatnonzero(inside)[int(np.nanargmin(night_c))]) * HOUR,
                colder_c=max(float(np.nanmin(night_c)) - low_c, 0.0),
                lead_h=0.0,
                spread_c=None,
                members_min_c=None,
                because=(),
            ),
        ),
        because=(),
        official=(),
    )


def _where_read(said: FloatArray, read: FloatArray, inside: np.ndarray) -> FloatArray:
    return np.where(inside & ~np.isnan(read), read, said)
