"""Where a part settles if the weather never changes: the temperature at which nothing more flows in or out."""

from __future__ import annotations

from functools import cache

import numpy as np

from carewatch.freeze.air import dew_point_c, saturation_pa
from carewatch.freeze.exchange import MARKS, Coefficients, Forcing, at_step, coefficients, film
from carewatch.freeze.parts import VALVE, Part, PartArrays, stack
from carewatch.freeze.sky import ClearSky, brunt_refit, prata
from carewatch.units import ZERO_C_IN_K

WINDS_MPS = (0.1, 0.3, 0.6, 1.0, 2.0, 4.0)  # at the part
CLOUDS = (0.0, 0.5, 1.0)


def steady(*, air_c, dew_c, wind_mps, cloud_fraction=0.0, ground_below_air_c=0.0, sky_open=1.0, is_wet=0.0) -> Forcing:
    """Weather [n] in which each place is a case of its own; `wind_mps` at the part."""
    values = np.broadcast_arrays(air_c, dew_c, wind_mps, cloud_fraction, ground_below_air_c, sky_open, is_wet)
    air, dew, wind, cloud, ground, sky, wet = (np.atleast_1d(np.asarray(one, dtype=float)) for one in values)
    return Forcing(
        air_c=air,
        dew_c=dew,
        wind_mps=wind,
        cloud_fraction=cloud,
        ground_below_air_c=ground,
        sky_open=sky,
        is_wet=wet,
    )


def settled_c(weather: Forcing, *, part: Part = VALVE, clear_sky: ClearSky = prata) -> np.ndarray:
    """Temperature [n] of the outside at which the part settles [°C], by halving."""
    parts = stack([part] * weather.air_c.size)
    at = exchange_in(parts, weather, clear_sky=clear_sky)
    low, high = weather.air_c - 30.0, weather.air_c + 10.0
    for _ in range(50):
        part_c = 0.5 * (low + high)
        warms = pull_k(at, part_c + ZERO_C_IN_K) > part_c + ZERO_C_IN_K
        low, high = np.where(warms, part_c, low), np.where(warms, high, part_c)
    return 0.5 * (low + high)


@cache
def air_that_settles_at_freezing_c(
    *,
    cloud: float,
    wind_mps: float,
    clear_sky: ClearSky = brunt_refit,
    ground_below_air_c: float = 0.0,
    humidity: float = 0.7,
    part: Part = VALVE,
) -> float:
    """Air temperature [°C] at which a dry part in the open settles at 0 °C."""
    low, high = -1.0, 12.0
    for _ in range(40):
        air_c = 0.5 * (low + high)
        weather = steady(
            air_c=air_c,
            dew_c=dew_of_c(air_c, humidity),
            wind_mps=wind_mps,
            cloud_fraction=cloud,
            ground_below_air_c=ground_below_air_c,
        )
        parts = stack([part])
        at = exchange_in(parts, weather, clear_sky=clear_sky)
        warms = pull_k(at, np.array([ZERO_C_IN_K]))[0] > ZERO_C_IN_K
        low, high = (low, air_c) if warms else (air_c, high)
    return 0.5 * (low + high)


def exchange_in(parts: PartArrays, weather: Forcing, *, clear_sky: ClearSky = prata) -> Coefficients:
    """The exchange of parts [n] in weather [n] that does not change."""
    two_marks = Forcing(**{name: np.stack([getattr(weather, name)] * 2) for name in MARKS})
    return at_step(coefficients(parts, two_marks, clear_sky=clear_sky), step=0, hour=0)


def pull_k(at: Coefficients, part_k: np.ndarray) -> np.ndarray:
    """The temperature [K] that everything around a part pulls it to."""
    film_w, pull_w, _ = film(at, part_k)
    return pull_w / film_w


def dew_of_c(air_c: float, humidity: float) -> float:
    """Dew point [°C] at a relative humidity [0..1]."""
    return dew_point_c(humidity * float(saturation_pa(np.array(air_c))))
