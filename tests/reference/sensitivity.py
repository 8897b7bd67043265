"""What moves the answer most: one change at a time to a dry nozzle body in the open on the measured nights.

Base: measured air, dew point, cloud and wind (log law to the boom), ground as warm as the air, Prata, full of water as
warm as the air at the start; none of carewatch's cautions, so that each shows what it is worth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from carewatch.freeze.air import STILL_AIR_MPS, saturation_pa
from carewatch.freeze.exchange import Forcing
from carewatch.freeze.kernel import Load, run_numpy
from carewatch.freeze.parts import VALVE, Part, stack
from carewatch.freeze.sky import CLEAR_SKY_MODELS, STEFAN_BOLTZMANN, ClearSky, prata
from carewatch.units import ZERO_C_IN_K
from tests.reference.exact import Marks
from tests.reference.measured_nights import greensboro, stations

WET_H = 2
RINSED_WARMER_C = 10.0


@dataclass(frozen=True)
class Setting:
    """One way to run all nights; arrays of `forcing` [marks, nights]."""

    forcing: Forcing
    part: Part = VALVE
    clear_sky: ClearSky = prata
    start_warmer_c: float = 0.0


@dataclass(frozen=True)
class Effect:
    """Nights with ice gained and lost against the base, and the median shift of first ice [min] where both have it."""

    gained: int
    lost: int
    shift_min: float

    @property
    def nights(self) -> int:
        return self.gained - self.lost


def base() -> tuple[Setting, np.ndarray]:
    """All measured nights side by side, and the hours each lasts [n]; shorter ones are held at their last mark."""
    nights = [*stations(), *greensboro()]
    marks = max(night.air_c.size for night in nights)

    def side_by_side(name: str) -> np.ndarray:
        return np.stack([_held(getattr(night, name), marks) for night in nights], axis=1)

    air_c = side_by_side("air_c")
    forcing = Forcing(
        air_c=air_c,
        dew_c=side_by_side("dew_c"),
        wind_mps=side_by_side("wind_mps"),
        cloud_fraction=side_by_side("cloud"),
        ground_below_air_c=np.zeros_like(air_c),
        sky_open=np.ones_like(air_c),
        is_wet=np.zeros_like(air_c),
    )
    return Setting(forcing), np.array([_hours(night) for night in nights])


def changes(of: Setting) -> dict[str, Setting]:
    """Every change, by the words of the table."""
    weather = of.forcing
    first_hours = np.arange(weather.hours + 1)[:, None] <= WET_H

    def under(**fields: np.ndarray) -> Setting:
        return replace(of, forcing=replace(weather, **{name: _full(weather, value) for name, value in fields.items()}))

    return {
        "air -1 K": replace(of, forcing=weather.shifted(np.array(-1.0))),
        "air +1 K": replace(of, forcing=weather.shifted(np.array(1.0))),
        "air -0.5 K": replace(of, forcing=weather.shifted(np.array(-0.5))),
        "under a roof": under(sky_open=np.array(0.0)),
        "sky view 0.8": replace(of, part=replace(of.part, sky_view=0.8)),
        "cloud always 0": under(cloud_fraction=np.array(0.0)),
        "cloud always 1": under(cloud_fraction=np.array(1.0)),
        "emissivity 0.30": replace(of, part=replace(of.part, emissivity=0.30)),
        "wet all night": under(is_wet=np.array(1.0)),
        "wet first 2 h": under(is_wet=first_hours.astype(float)),
        "wind x0.5": under(wind_mps=np.maximum(0.5 * weather.wind_mps, STILL_AIR_MPS)),
        "wind x2": under(wind_mps=2.0 * weather.wind_mps),
        "ground 2 K below air": under(ground_below_air_c=np.array(2.0)),
        "ground 3 K below air": under(ground_below_air_c=np.array(3.0)),
        "sky 10 W/m2 colder": replace(of, clear_sky=_colder_prata),
        "sky Brunt refit": replace(of, clear_sky=CLEAR_SKY_MODELS["brunt_refit"]),
        "sky Idso refit": replace(of, clear_sky=CLEAR_SKY_MODELS["idso_refit"]),
        "sky Brutsaert 1975": replace(of, clear_sky=_brutsaert),
        "liquid mass x2": replace(of, part=replace(of.part, liquid_kg=2.0 * of.part.liquid_kg)),
        "start +10 °C": replace(of, start_warmer_c=RINSED_WARMER_C),
    }


def onsets_h(setting: Setting, hours: np.ndarray) -> np.ndarray:
    """First ice of every night [h], NaN without any."""
    count = hours.size
    parts = stack([setting.part] * count)
    start_c = np.maximum(setting.forcing.air_c[0] + setting.start_warmer_c, parts.freezes_at_c)
    load = Load(
        parts=parts,
        forcing=setting.forcing,
        start_j=parts.enthalpy_j(start_c),
        first_h=np.zeros(count),
        last_h=hours,
    )
    return run_numpy(load, clear_sky=setting.clear_sky).onset_h


def effects() -> tuple[int, int, dict[str, Effect]]:
    """Nights, nights with ice in the base, and what every change does."""
    start, hours = base()
    before_h = onsets_h(start, hours)
    found = {name: _effect(before_h, onsets_h(setting, hours)) for name, setting in changes(start).items()}
    return hours.size, int(np.isfinite(before_h).sum()), found


def _effect(before_h: np.ndarray, after_h: np.ndarray) -> Effect:
    had, has = np.isfinite(before_h), np.isfinite(after_h)
    both = had & has
    shift_min = 60.0 * float(np.median((after_h - before_h)[both]))
    return Effect(gained=int((has & ~had).sum()), lost=int((had & ~has).sum()), shift_min=shift_min)


def _full(weather: Forcing, value: np.ndarray) -> np.ndarray:
    return np.broadcast_to(value, weather.air_c.shape).astype(float)


def _held(values: np.ndarray, marks: int) -> np.ndarray:
    return np.concatenate([values, np.full(marks - values.size, values[-1])])


def _hours(night: Marks) -> float:
    return float(night.air_c.size - 1)


def _colder_prata(air_c: np.ndarray, dew_c: np.ndarray) -> np.ndarray:
    """10 W/m2 less than Prata: in 94 % of the night hours of Bondville 1998 the sky sent more than this."""
    return prata(air_c, dew_c) - 10.0 / (STEFAN_BOLTZMANN * (air_c + ZERO_C_IN_K) ** 4)


def _brutsaert(air_c: np.ndarray, dew_c: np.ndarray) -> np.ndarray:
    """Brutsaert 1975, from memory: 1.24 (e/T)^(1/7), e in hPa, T in K."""
    return 1.24 * (saturation_pa(dew_c) / 100.0 / (air_c + ZERO_C_IN_K)) ** (1.0 / 7.0)
