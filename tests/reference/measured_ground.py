"""Where the ground froze and the air did not: daily minima of the US Climate Reference Network, and our rule on them.

The ground (infrared thermometer) is a colder and less ventilated body than a boom, so it bounds a part from below, the
shielded air at 1.5 m from above. A day's figures are all there is: the night before is drawn as a smooth fall from
the day's highest to its lowest air at 6 h, vapour is that of the mean humidity at the mean temperature, wind is not
known (carewatch then tries 0.3, 1 and 3 m/s), cloud either not known (then clear) or told from the day's sun over
extraterrestrial radiation (refet 0.5, FAO-56 form) with the usual straight line of Angstrom, from memory.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from math import nan
from pathlib import Path

import numpy as np
from refet.calcs import ra_daily

from carewatch.freeze.air import saturation_pa
from carewatch.freeze.exchange import Forcing
from carewatch.freeze.forcing import Surroundings, surroundings
from carewatch.freeze.kernel import Kernel, Load
from carewatch.freeze.margin import Nights, freeze_margins_c
from carewatch.freeze.parts import Part, stack
from carewatch.weather.forecast import NightWeather, SiteWeather
from carewatch.weather.nights import Night
from tests.freeze.farm import site

FILE = Path(__file__).parents[1] / "data" / "weather" / "uscrn_2020_air_and_ground_minimum.csv"
LONG_FILE = "daily_uscrn_2020_air_vs_surface_min_stationsA.csv"
LONG_NAMES = {
    "lat_deg": "lat",
    "air_min_c": "t_min_c",
    "air_max_c": "t_max_c",
    "ground_min_c": "surf_min_c",
    "rh_pct": "rh_avg_pct",
}
MARKS = 25  # noon to noon
LOWEST_H, HIGHEST_H = 18, 3  # 6 h and 15 h, counted from noon
FLAT_A, FLAT_B = 0.25, 0.50  # from memory: share of the sun under full cloud, and what a clear day adds
WINDS = 3
# chosen: 2 m/s at 2 m where wind was not measured, as FAO-56 advises (from memory); 0.74795 to 10 m: refet 0.5
MEAN_WIND_MPS = 2.0 / 0.74795


@dataclass(frozen=True)
class Days:
    """Station-days, arrays [n]; `rh_pct` NaN where it was not measured."""

    station: np.ndarray
    lat_deg: np.ndarray
    on: np.ndarray
    air_min_c: np.ndarray
    ground_min_c: np.ndarray
    air_max_c: np.ndarray
    rh_pct: np.ndarray
    solar_mj: np.ndarray

    @property
    def froze(self) -> np.ndarray:
        """The ground was below 0 °C."""
        return self.ground_min_c < 0.0

    def at(self, chosen: np.ndarray) -> Days:
        return Days(**{name: getattr(self, name)[chosen] for name in self.__dataclass_fields__})

    @property
    def cloud_fraction(self) -> np.ndarray:
        """Share of the day without sun, 1 - n/N."""
        day_of_year = np.array([on.timetuple().tm_yday for on in self.on])
        above_mj = ra_daily(np.radians(self.lat_deg), day_of_year, method="asce")
        return np.clip(1.0 - (self.solar_mj / above_mj - FLAT_A) / FLAT_B, 0.0, 1.0)


def days(path: Path = FILE) -> Days:
    """The station-days of the small file here, or of the long one it was taken from."""
    rows = list(csv.DictReader(path.read_text().splitlines()))

    def column(name: str) -> np.ndarray:
        key = name if name in rows[0] else LONG_NAMES[name]
        return np.array([float(row[key] or "nan") for row in rows])

    return Days(
        station=np.array([row["wban"] for row in rows]),
        lat_deg=column("lat_deg"),
        on=np.array([date.fromisoformat(row["date"]) for row in rows]),
        air_min_c=column("air_min_c"),
        ground_min_c=column("ground_min_c"),
        air_max_c=column("air_max_c"),
        rh_pct=column("rh_pct"),
        solar_mj=column("solar_mj"),
    )


def share_frozen(of: Days, low_c: float, high_c: float) -> tuple[float, int]:
    """P(ground below 0 °C) and number of days with an air minimum above `low_c`, up to `high_c` [°C]."""
    chosen = (of.air_min_c > low_c) & (of.air_min_c <= high_c)
    return float(np.mean(of.froze[chosen])), int(chosen.sum())


def hits(flagged: np.ndarray, froze: np.ndarray) -> tuple[float, float]:
    """Share of frozen days that were flagged (POD), share of flagged days that did not freeze (FAR)."""
    return float((flagged & froze).sum() / froze.sum()), float((flagged & ~froze).sum() / max(flagged.sum(), 1))


def felt(of: Days, *, knows_cloud: bool = False, wind_mps: float = nan) -> list[Surroundings]:
    """What a machine in the open would have felt, by carewatch's own reading of a forecast that says just this."""
    cloud = of.cloud_fraction if knows_cloud else np.full(of.air_min_c.shape, nan)
    return [_felt(of, i, float(cloud[i]), wind_mps) for i in range(of.air_min_c.size)]


def margins_c(nights: list[Surroundings], part: Part, *, kernel: Kernel) -> np.ndarray:
    """Freeze margin of a part full of water in every night [K], the worse wind counts; above 0 it makes ice."""
    forcing = _columns(nights)
    count = forcing.air_c.shape[1]
    return freeze_margins_c(
        Nights(
            parts=stack([part] * count),
            forcing=forcing,
            moves=np.ones_like(forcing.air_c),
            start_c=forcing.air_c[0],
            first_h=np.zeros(count),
            last_h=np.full(count, float(MARKS - 1)),
        ),
        kernel=kernel,
        winds=WINDS,
    )


def lowest_c(nights: list[Surroundings], part: Part, *, kernel: Kernel) -> np.ndarray:
    """Lowest temperature of the part in every night if its water never froze [°C], the worse wind counts."""
    forcing = _columns(nights)
    count = forcing.air_c.shape[1]
    parts = stack([part] * count).never_freezing()
    run = kernel(
        Load(
            parts=parts,
            forcing=forcing,
            start_j=parts.enthalpy_j(np.maximum(forcing.air_c[0], parts.freezes_at_c)),
            first_h=np.zeros(count),
            last_h=np.full(count, float(MARKS - 1)),
        )
    )
    return run.lowest_c.reshape(-1, WINDS).min(axis=1)


def _columns(nights: list[Surroundings]) -> Forcing:
    """Three winds of each night side by side."""

    def each(name: str) -> np.ndarray:
        return np.repeat(np.stack([getattr(night, name) for night in nights], axis=1), WINDS, axis=1)

    return Forcing(
        wind_mps=np.concatenate([night.wind_mps for night in nights]).T,
        **{
            name: each(name)
            for name in ("air_c", "dew_c", "cloud_fraction", "ground_below_air_c", "sky_open", "is_wet")
        },
    )


def _felt(of: Days, i: int, cloud: float, wind_mps: float) -> Surroundings:
    night = _night(of.on[i])
    air_c = _air_c(of.air_min_c[i], of.air_max_c[i])
    weather = SiteWeather(
        site="s1",
        forecast=None,
        second=None,
        start_at=night.start_at,
        air_c=air_c,
        dew_c=np.full(MARKS, _dew_c(of, i)),
        wind_mps=np.full(MARKS, wind_mps),
        cloud_fraction=np.full(MARKS, cloud),
        rain_mm=np.full(MARKS, nan),
        nights=(_weather_of(night, float(of.air_min_c[i])),),
    )
    found = surroundings(weather, site=site(), stays=())
    assert found is not None
    return found


def _night(on: date) -> Night:
    """The night that ends on this day; the clock of the station is taken as UTC."""
    start_at = datetime.combine(on - timedelta(days=1), time(12), UTC)
    return Night(on=on - timedelta(days=1), start_at=start_at, end_at=start_at + timedelta(days=1))


def _weather_of(night: Night, min_c: float) -> NightWeather:
    return NightWeather(
        night=night,
        is_usable=True,
        min_c=min_c,
        coldest_at=night.start_at + timedelta(hours=LOWEST_H),
        colder_c=0.0,
        lead_h=24.0,
        spread_c=None,
        members_min_c=None,
        because=(),
    )


def _air_c(min_c: float, max_c: float) -> np.ndarray:
    """Half a cosine down from 15 h to 6 h, half a cosine up to 15 h."""
    hour = np.arange(MARKS, dtype=float)
    falling = np.clip((hour - HIGHEST_H) / (LOWEST_H - HIGHEST_H), 0.0, 1.0)
    rising = np.clip((hour - LOWEST_H) / (24 + HIGHEST_H - LOWEST_H), 0.0, 1.0)
    above = np.where(hour < LOWEST_H, 0.5 + 0.5 * np.cos(np.pi * falling), 0.5 - 0.5 * np.cos(np.pi * rising))
    return min_c + (max_c - min_c) * above


def _dew_c(of: Days, i: int) -> float:
    """Dew point [°C] of the day's mean humidity at its mean temperature; not known without humidity."""
    mean_c = 0.5 * (of.air_min_c[i] + of.air_max_c[i])
    ratio = np.log(max(of.rh_pct[i], 1.0) / 100.0 * float(saturation_pa(np.array(mean_c))) / 611.2)
    return float(243.12 * ratio / (17.62 - ratio))
