"""The errors of synthetic forecasts: nearly the same through a night, growing with the lead, converging by issue.

The error of one night is a residual plus one correction for every issue still to come, so that each new issue takes
one correction away and successive issues of the same night converge, as real ones do. Everything follows from (seed,
site, issue): no run differs from another.
"""

from __future__ import annotations

import zlib
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np

from carewatch.weather.forecast import FloatArray
from carewatch.weather.intervals import HOUR

ISSUE_EVERY = timedelta(hours=6)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ISSUE_H = ISSUE_EVERY // HOUR
DAY_H = 24

# Error of a night's minimum by hours of lead [°C]: level computed from US city forecasts of 2021-22 (standard
# deviation 1.63 at 12 h to 1.86 at 48 h, 160 cities), growth from a table of 113 US cities 2014-17; the value at 0 h
# and those beyond seven nights are chosen to continue them.
LEADS_H = (0, 18, 42, 66, 90, 114, 138, 162, 250)
NIGHT_SD_C = (1.5, 1.8, 2.0, 2.2, 2.4, 2.6, 2.9, 3.1, 3.9)

HOURLY_SD_C = 0.3  # chosen: error of single hours beside that of the night
HOURLY_GROWTH_C_PER_DAY = 0.08  # chosen
HOURLY_MEMORY = 0.8  # chosen: correlation from hour to hour
DEW_SHARE = 0.8  # chosen: the dew point errs with the air, a little less
WIND_SD_PER_C = 0.12  # chosen: of the logarithm, per °C of night error of the same lead
CLOUD_SD_PER_C = 0.08  # chosen: likewise
COLDEST_LOCAL_HOUR = 6  # the usual hour of the minimum, where a night's error is anchored
NIGHTS_DRAWN = 16


def issue_number(issued_at: datetime) -> int:
    """Issues since 1970."""
    return (issued_at - EPOCH) // ISSUE_EVERY


class Errors:
    """The errors of every issue for one site."""

    def __init__(self, *, seed: int, site: str, lon_deg: float) -> None:
        self._origin = (seed & 0xFFFFFFFF, zlib.crc32(site.encode()))
        self._anchor_h = round(COLDEST_LOCAL_HOUR - lon_deg / 15)

    def air_c(self, issue: int, *, hours: int) -> FloatArray:
        """Error of the air temperature at each hour from the issue on [°C]."""
        lead_h = np.arange(hours)
        amplitude_c = HOURLY_SD_C + HOURLY_GROWTH_C_PER_DAY * lead_h / DAY_H
        return self._nightly("air", issue, hours=hours) + amplitude_c * self._hourly(issue * ISSUE_H, hours=hours)

    def dew_c(self, issue: int, *, hours: int) -> FloatArray:
        """Error of the dew point [°C]."""
        return DEW_SHARE * self.air_c(issue, hours=hours)

    def wind_factor(self, issue: int, *, hours: int) -> FloatArray:
        """What the wind is multiplied by."""
        return np.exp(WIND_SD_PER_C * self._nightly("wind", issue, hours=hours))

    def cloud_fraction(self, issue: int, *, hours: int) -> FloatArray:
        """What is added to the cloud cover."""
        return CLOUD_SD_PER_C * self._nightly("cloud", issue, hours=hours)

    def _nightly(self, kind: str, issue: int, *, hours: int) -> FloatArray:
        """The slow part: one value per night at its anchor, straight lines between."""
        start_h = issue * ISSUE_H
        first = (start_h - self._anchor_h) // DAY_H
        days = range(first, first + hours // DAY_H + 3)
        anchors_h = [day * DAY_H + self._anchor_h for day in days]
        return np.interp(start_h + np.arange(hours), anchors_h, [self._night(kind, issue, day) for day in days])

    def _night(self, kind: str, issue: int, day: int) -> float:
        """The residual of the night and the corrections of all issues between this one and the night."""
        anchor_h = day * DAY_H + self._anchor_h
        error = NIGHT_SD_C[0] * float(self._draws(kind, "residual", day)[0])
        for later in range(issue + 1, anchor_h // ISSUE_H + 1):
            lead_h = anchor_h - later * ISSUE_H
            size = np.sqrt(_variance(lead_h + ISSUE_H) - _variance(lead_h))
            error += size * float(self._draws(kind, "correction", later)[lead_h // DAY_H])
        return error

    def _hourly(self, start_h: int, *, hours: int) -> FloatArray:
        """The quick part: an AR(1) series of unit variance, the same for every issue."""
        first_day, last_day = start_h // DAY_H - 1, (start_h + hours) // DAY_H
        shocks = np.concatenate([self._shocks(day) for day in range(first_day, last_day + 1)])
        weights = np.sqrt(1 - HOURLY_MEMORY**2) * HOURLY_MEMORY ** np.arange(DAY_H)
        series: FloatArray = np.convolve(shocks, weights)[: shocks.size]
        offset = start_h - first_day * DAY_H
        return series[offset : offset + hours]

    def _shocks(self, day: int) -> FloatArray:
        return _normal(*self._origin, zlib.crc32(b"shock"), day, DAY_H)

    def _draws(self, kind: str, what: str, number: int) -> FloatArray:
        return _normal(*self._origin, zlib.crc32(f"{kind} {what}".encode()), number, NIGHTS_DRAWN)


@lru_cache(maxsize=65536)
def _normal(seed: int, site: int, stream: int, number: int, size: int) -> FloatArray:
    values: FloatArray = np.random.default_rng((seed, site, stream, number & 0xFFFFFFFF)).standard_normal(size)
    values.flags.writeable = False
    return values


@lru_cache(maxsize=1024)
def _variance(lead_h: int) -> float:
    return float(np.interp(lead_h, LEADS_H, NIGHT_SD_C) ** 2)
