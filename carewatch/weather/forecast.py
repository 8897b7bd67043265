"""A forecast as hourly arrays with age and origin, and the same joined for one site and its nights."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from carewatch.weather.nights import Night

FloatArray = npt.NDArray[np.float64]


class Grade(StrEnum):
    """How much local correction a forecast has had; decides its default spread."""

    OFFICIAL = "official"
    RAW = "raw"


@dataclass(frozen=True, slots=True, kw_only=True)
class Minimum:
    """The service's own lowest air temperature over an interval [°C]."""

    start_at: datetime
    end_at: datetime
    air_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What one service says for one site.

    Arrays are hourly, value at the hour mark, first at `start_at` (a full UTC hour), all of one length [n]; NaN where
    nothing is known. `wind_mps` is at 10 m, `cloud_fraction` 0..1, `rain_mm` the sum of the hour that follows.
    `spread_c` [n] is a standard deviation, `members_c` [members, n]. Gaps of up to 6 h are already filled and named
    in `warnings`. `title` is the service's name as people know it; with `is_height_corrected` False the air is that of
    `elevation_m` and not yet of the site's own height.
    """

    source: str
    grade: Grade
    licence: str
    issued_at: datetime
    fetched_at: datetime
    start_at: datetime
    air_c: FloatArray
    dew_c: FloatArray
    wind_mps: FloatArray
    cloud_fraction: FloatArray
    rain_mm: FloatArray
    minima: tuple[Minimum, ...] = ()
    spread_c: FloatArray | None = None
    members_c: FloatArray | None = None
    elevation_m: float | None = None
    warnings: tuple[str, ...] = ()
    title: str = ""
    is_height_corrected: bool = True

    @property
    def name(self) -> str:
        """What people call the service."""
        return self.title or self.source

    @property
    def hours(self) -> int:
        """Number of hour marks."""
        return int(self.air_c.shape[0])

    @property
    def end_at(self) -> datetime:
        """The last hour mark."""
        return self.start_at + timedelta(hours=self.hours - 1)

    def age_h(self, now: datetime) -> float:
        """Hours since the service issued it."""
        return (now - self.issued_at) / timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class NightWeather:
    """What the joined forecasts say of one night.

    `colder_c` >= 0: how much lower the night's minimum may be than the hourly series says (service minimum, colder
    second source); it goes into the margin. `lead_h`: hours from issue to the coldest hour. `is_usable`: good enough
    for a statement of safety (age, coverage). `spread_c`/`members_min_c`: the service's own uncertainty of the
    night's minimum, if it gives one (members as minima of the night [°C]). `because`: reasons as short sentences.
    """

    night: Night
    is_usable: bool
    min_c: float | None
    coldest_at: datetime | None
    colder_c: float
    lead_h: float
    spread_c: float | None
    members_min_c: tuple[float, ...] | None
    because: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteWeather:
    """The joined hourly series of one site, from the stored past into the forecast, with its nights.

    Arrays as in `Forecast`, starting at `start_at`; hours already past come from older forecasts (for
    each hour the one made closest to it). `forecast` is the one the series was taken from (None: there is
    none, then every array is empty and no night is usable). `official`: official freeze messages in force.
    `read_until`: the newest reading of the site's own thermometer that counts in it.
    """

    site: str
    forecast: Forecast | None
    second: Forecast | None
    start_at: datetime
    air_c: FloatArray
    dew_c: FloatArray
    wind_mps: FloatArray
    cloud_fraction: FloatArray
    rain_mm: FloatArray
    nights: tuple[NightWeather, ...]
    because: tuple[str, ...] = ()
    official: tuple[str, ...] = ()
    read_until: datetime | None = None
