"""Longwave measured at night, and how far the published models of the clear sky are from it.

NOAA SURFRAD Penn State and Table Mountain lie in tests/data/weather (NIGHTS.md); `bondville` reads a record that may
not be copied (Bondville, IL, 1998, half-hourly land-model forcing without a stated licence) from wherever it lies.

There is no record of cloud, so the state of the sky is told from the longwave itself. "Probably clear": its straight
line leaves a standard deviation below 1.5 W/m2 and the effective emissivity is below the Brunt refit + 0.05, which
favours the Brunt refit somewhat. "Probably overcast": as steady, effective emissivity above 0.92 (chosen: the
emptiest place between the two humps of the Bondville emissivities lies at 0.86 to 0.88, thin cloud reaches to 0.92).
The line is drawn through one hour of 5-minute values, in the half-hourly record through three hours.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np

from carewatch.freeze.air import saturation_pa
from carewatch.freeze.sky import STEFAN_BOLTZMANN, ClearSky, brunt_refit, sky_radiation_w_per_m2
from carewatch.units import ZERO_C_IN_K

FOLDER = Path(__file__).parents[1] / "data" / "weather"
SURFRAD = {
    "Penn State": "surfrad_pennstate_pa_20170101_5min.csv",
    "Table Mountain": "surfrad_tablemtn_co_20170105_5min.csv",
}
BONDVILLE = "halfhourly_bondville_il_1998_oct_apr.csv"
HORIZON_DEG = 90.0
STEADY_W_PER_M2 = 1.5
CLEAR_WITHIN = 0.05  # of emissivity above the Brunt refit
OVERCAST_FROM = 0.92


@dataclass(frozen=True)
class Sky:
    """Times of one site at night, arrays [n]; `ground_c` where the ground was measured, `left_w` what a line leaves."""

    air_c: np.ndarray
    dew_c: np.ndarray
    wind_mps: np.ndarray
    sky_w: np.ndarray
    left_w: np.ndarray
    ground_c: np.ndarray

    @property
    def black_w(self) -> np.ndarray:
        """What a sky as warm as the air would send [W/m2]."""
        return STEFAN_BOLTZMANN * (self.air_c + ZERO_C_IN_K) ** 4

    @property
    def emissivity(self) -> np.ndarray:
        return self.sky_w / self.black_w

    @property
    def is_low(self) -> np.ndarray:
        """Emissivity near that of a clear sky."""
        return self.emissivity < brunt_refit(self.air_c, self.dew_c) + CLEAR_WITHIN

    @property
    def is_clear(self) -> np.ndarray:
        return (self.left_w < STEADY_W_PER_M2) & self.is_low

    @property
    def is_overcast(self) -> np.ndarray:
        return (self.left_w < STEADY_W_PER_M2) & (self.emissivity > OVERCAST_FROM)

    def model_w(self, model: ClearSky, *, cloud_fraction: float) -> np.ndarray:
        cloud = np.full(self.air_c.shape, cloud_fraction)
        return sky_radiation_w_per_m2(self.air_c, self.dew_c, cloud, clear_sky=model)

    def cloud_fraction(self, model: ClearSky) -> np.ndarray:
        """The cloud with which a model would give what was measured, held inside 0..1."""
        clear_w, covered_w = self.model_w(model, cloud_fraction=0.0), self.model_w(model, cloud_fraction=1.0)
        return np.clip((self.sky_w - clear_w) / (covered_w - clear_w), 0.0, 1.0)

    def at(self, chosen: np.ndarray) -> Sky:
        return Sky(**{name: getattr(self, name)[chosen] for name in self.__dataclass_fields__})


@dataclass(frozen=True)
class Misfit:
    """Model minus measured [W/m2] over `count` hours; NaN without any."""

    count: int
    bias_w: float
    rmse_w: float


def misfit(model_w: np.ndarray, measured_w: np.ndarray) -> Misfit:
    error = model_w - measured_w
    if error.size == 0:
        return Misfit(0, float("nan"), float("nan"))
    return Misfit(error.size, float(error.mean()), float(np.sqrt(np.mean(error**2))))


def clear_misfit(sky: Sky, model: ClearSky) -> Misfit:
    clear = sky.at(sky.is_clear)
    return misfit(clear.model_w(model, cloud_fraction=0.0), clear.sky_w)


def overcast_misfit(sky: Sky, model: ClearSky) -> Misfit:
    covered = sky.at(sky.is_overcast)
    return misfit(covered.model_w(model, cloud_fraction=1.0), covered.sky_w)


def share_below(sky: Sky, model: ClearSky, *, by_w: float = 0.0) -> float:
    """Share of all hours in which the sky sent less than the model's clear sky less `by_w` [W/m2]."""
    return float(np.mean(sky.sky_w < sky.model_w(model, cloud_fraction=0.0) - by_w))


def surfrad_hours(site: str) -> Sky:
    """Full hours of the night, means of 5-minute values."""
    rows = [row for row in _rows(FOLDER / SURFRAD[site]) if float(row["sun_zenith_deg"]) >= HORIZON_DEG]
    hours = (list(group) for _, group in groupby(rows, key=lambda row: row["time_utc"][:13]))
    return _sky(_hour(hour) for hour in hours if len(hour) == 12)


def surfrad_moments(site: str) -> Sky:
    """Every 5-minute value of the night; `left_w` is not known."""
    rows = [row for row in _rows(FOLDER / SURFRAD[site]) if float(row["sun_zenith_deg"]) >= HORIZON_DEG]
    return _sky((*_figures(row), float("nan"), float(row["surface_c"])) for row in rows)


def bondville(folder: Path) -> Sky:
    """Full hours of nights with three dark hours around them; air and humidity at 6 m, wind as given."""
    rows = list(_rows(folder / BONDVILLE))
    times = np.array([row["time_utc"] for row in rows], dtype="datetime64[m]")
    dark = np.array([float(row["sw_down_wm2"]) <= 0.0 for row in rows])
    sky_w = np.array([float(row["lw_down_wm2"]) for row in rows])
    found = []
    for i in range(3, len(rows) - 3):
        around = slice(i - 3, i + 4)
        is_whole = (times[i + 3] - times[i - 3]) == np.timedelta64(180, "m")
        if is_whole and rows[i]["time_utc"].endswith(":00") and dark[around].all():
            found.append((*_figures(rows[i]), _left(sky_w[around]), float("nan")))
    return _sky(iter(found))


def _rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text().splitlines()))


def _sky(rows: Iterator[tuple[float, ...]]) -> Sky:
    return Sky(*(np.array(column) for column in zip(*rows, strict=True)))


def _hour(rows: list[dict[str, str]]) -> tuple[float, ...]:
    figures = np.array([_figures(row) for row in rows])
    ground_c = float(np.mean([float(row["surface_c"]) for row in rows]))
    return (*figures.mean(axis=0), _left(figures[:, 3]), ground_c)


def _figures(row: dict[str, str]) -> tuple[float, ...]:
    """Air, dew point, wind, longwave, by the names of either record."""
    air_c = float(row["air_c"] if "air_c" in row else row["t_air_c"])
    wind_mps = float(row["wind_mps"] if "wind_mps" in row else row["wind_ms"])
    sky_w = float(row["sky_w_m2"] if "sky_w_m2" in row else row["lw_down_wm2"])
    return air_c, dew_c(air_c, float(row["rh_pct"])), wind_mps, sky_w


def dew_c(air_c: float, rh_pct: float) -> float:
    """Dew point [°C]; a hygrometer that says more than 100 % means 100."""
    ratio = np.log(min(max(rh_pct, 1.0), 100.0) / 100.0 * float(saturation_pa(np.array(air_c))) / 611.2)
    return float(243.12 * ratio / (17.62 - ratio))


def _left(values: np.ndarray) -> float:
    """Standard deviation about a straight line."""
    at = np.arange(values.size)
    return float(np.std(values - np.polyval(np.polyfit(at, values, 1), at)))
