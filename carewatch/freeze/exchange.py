"""How a part exchanges heat with air, sky and ground: everything the heat balance needs of the weather.

References
----------
Churchill & Bernstein 1977, J. Heat Transfer 99:300-306 (forced); Churchill & Chu 1975, Int. J. Heat Mass Transfer
18:1049-1053 (natural); both blended as (F^4 + N^4)^(1/4), exponent 4 chosen (textbooks: 3 to 4).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from carewatch.freeze.air import (
    GRAVITY_MPS2,
    PRANDTL,
    PSYCHROMETRIC_ICE_PA_PER_K,
    PSYCHROMETRIC_PA_PER_K,
    STANDARD_PRESSURE_PA,
    conductivity_w_per_mk,
    kinematic_viscosity_m2_per_s,
    saturation_ice_pa,
    saturation_pa,
)
from carewatch.freeze.parts import PartArrays
from carewatch.freeze.sky import STEFAN_BOLTZMANN, ClearSky, prata, sky_radiation_w_per_m2
from carewatch.units import ZERO_C_IN_K

FloatArray = npt.NDArray[np.float64]

FORCED_PRANDTL = (1.0 + (0.4 / PRANDTL) ** (2.0 / 3.0)) ** -0.25
NATURAL_PRANDTL = (1.0 + (0.559 / PRANDTL) ** (9.0 / 16.0)) ** (-8.0 / 27.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forcing:
    """What the weather and the shelter do to every column; arrays [hours + 1, n], value at the hour mark.

    `wind_mps` is at the part, `ground_below_air_c` [K] how much colder the ground is, `sky_open` [0..1] scales the sky
    view (0: blocked), `is_wet` [0..1] the share of the outside under a water film. `film_w_m2k` [n], where it is not
    NaN, replaces convection, radiation and evaporation by one fixed film coefficient.
    """

    air_c: FloatArray
    dew_c: FloatArray
    wind_mps: FloatArray
    cloud_fraction: FloatArray
    ground_below_air_c: FloatArray
    sky_open: FloatArray
    is_wet: FloatArray
    film_w_m2k: FloatArray | None = None

    @property
    def hours(self) -> int:
        """Number of hours between the first and the last mark."""
        return int(self.air_c.shape[0]) - 1

    def shifted(self, shift_c: FloatArray) -> Forcing:
        """The same weather with air and dew point moved by `shift_c` [K], [n] or [hours + 1, n]."""
        return replace(self, air_c=self.air_c + shift_c, dew_c=self.dew_c + shift_c)

    def take(self, index: npt.NDArray[np.intp]) -> Forcing:
        """The columns at these places of the batch axis."""
        film = None if self.film_w_m2k is None else self.film_w_m2k[index]
        return Forcing(**{name: getattr(self, name)[:, index] for name in MARKS}, film_w_m2k=film)


MARKS = ("air_c", "dew_c", "wind_mps", "cloud_fraction", "ground_below_air_c", "sky_open", "is_wet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficients:
    """What of the heat exchange does not depend on the part's temperature; arrays [..., n] at step middles.

    `forced_w4` is the fourth power of the forced film coefficient; the natural one is
    `natural_w * (0.60 + natural_b |T - Ta|^(1/6))^2`; `radiant_k` the temperature the outside radiates to; `fixed_w`
    a film given by the caller (NaN: none).
    """

    air_k: FloatArray
    vapour_pa: FloatArray
    radiant_k: FloatArray
    forced_w4: FloatArray
    natural_w: FloatArray
    natural_b: FloatArray
    emissivity: FloatArray
    is_wet: FloatArray | None


def coefficients(parts: PartArrays, forcing: Forcing, *, clear_sky: ClearSky = prata) -> Coefficients:
    """Prepare the heat exchange of columns for weather `forcing` (any leading shape, [..., n])."""
    air_k = forcing.air_c + ZERO_C_IN_K
    conductivity = conductivity_w_per_mk(air_k)
    viscosity = kinematic_viscosity_m2_per_s(air_k, STANDARD_PRESSURE_PA)
    per_diameter = conductivity / parts.diameter_m
    forced_w = per_diameter * forced_nusselt(forcing.wind_mps * parts.diameter_m / viscosity)
    rayleigh_per_k = GRAVITY_MPS2 * PRANDTL * parts.diameter_m**3 / (air_k * viscosity**2)
    natural_b = 0.387 * NATURAL_PRANDTL * np.sqrt(np.cbrt(rayleigh_per_k))
    sky_view = parts.sky_view * forcing.sky_open
    sky_w = sky_radiation_w_per_m2(forcing.air_c, forcing.dew_c, forcing.cloud_fraction, clear_sky=clear_sky)
    ground_k = air_k - forcing.ground_below_air_c
    outside_k4 = sky_view * (sky_w / STEFAN_BOLTZMANN) + (1.0 - sky_view) * np.square(np.square(ground_k))
    emissivity = parts.emissivity
    if forcing.film_w_m2k is not None:
        fixed = ~np.isnan(forcing.film_w_m2k)
        forced_w = np.where(fixed, np.where(fixed, forcing.film_w_m2k, 0.0), forced_w)
        per_diameter = np.where(fixed, 0.0, per_diameter)
        emissivity = np.where(fixed, 0.0, emissivity)
    return Coefficients(
        air_k=air_k,
        vapour_pa=saturation_pa(forcing.dew_c) if np.any(forcing.is_wet) else air_k,
        radiant_k=np.sqrt(np.sqrt(outside_k4)),
        forced_w4=np.square(np.square(forced_w)),
        natural_w=per_diameter,
        natural_b=natural_b,
        emissivity=emissivity,
        is_wet=forcing.is_wet if np.any(forcing.is_wet) else None,
    )


def forced_nusselt(reynolds: FloatArray) -> FloatArray:
    """Nusselt number of a cylinder across a wind, Churchill-Bernstein in the form made of roots and powers."""
    root = np.sqrt(reynolds)
    return np.asarray(
        0.3 + 0.62 * PRANDTL ** (1.0 / 3.0) * FORCED_PRANDTL * root * (1.0 + (reynolds / 282000.0) ** 0.625) ** 0.8
    )


def natural_nusselt(rayleigh: FloatArray) -> FloatArray:
    """Nusselt number of a horizontal cylinder in still air, Churchill-Chu in the full form."""
    return np.asarray((0.60 + 0.387 * NATURAL_PRANDTL * rayleigh ** (1.0 / 6.0)) ** 2)


def exchange(
    at: Coefficients, part_k: FloatArray, area_m2: FloatArray, wall_m2k_per_w: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Conductance to the surroundings [W/K] and the temperature they pull towards [K], at a part temperature [K]."""
    natural = 0.60 + at.natural_b * np.sqrt(np.cbrt(np.abs(part_k - at.air_k)))
    natural *= natural
    natural *= at.natural_w
    natural *= natural
    natural *= natural
    natural += at.forced_w4
    convection = np.sqrt(np.sqrt(natural))
    radiation = (part_k * part_k + at.radiant_k * at.radiant_k) * (part_k + at.radiant_k)
    radiation *= STEFAN_BOLTZMANN * at.emissivity
    film = convection + radiation
    pull = convection * at.air_k + radiation * at.radiant_k
    if at.is_wet is not None:
        wet, wet_k = _evaporation(at.is_wet, at.vapour_pa, part_k, convection)
        film = film + wet
        pull = pull + wet * wet_k
    conductance = area_m2 / (1.0 / film + wall_m2k_per_w)
    return conductance, pull / film


def _evaporation(
    is_wet: FloatArray, vapour_pa: FloatArray, part_k: FloatArray, convection: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Film coefficient [W/m2K] and temperature [K] of a wet outside; condensation, which would warm, is left out."""
    part_c = part_k - ZERO_C_IN_K
    is_ice = part_c < 0.0
    saturation = np.where(is_ice, saturation_ice_pa(part_c), saturation_pa(part_c))
    per_k = np.where(
        is_ice,
        saturation * 22.46 * 272.62 / (272.62 + part_c) ** 2,
        saturation * 17.62 * 243.12 / (243.12 + part_c) ** 2,
    )
    gamma = np.where(is_ice, PSYCHROMETRIC_ICE_PA_PER_K, PSYCHROMETRIC_PA_PER_K)
    deficit = np.maximum(saturation - vapour_pa, 0.0)
    film = np.where(deficit > 0.0, is_wet * convection * per_k / gamma, 0.0)
    return film, part_k - deficit / per_k


def at_step(ready: Coefficients, step: int) -> Coefficients:
    """The coefficients of one step of a block."""
    return Coefficients(
        air_k=ready.air_k[step],
        vapour_pa=ready.vapour_pa[step],
        radiant_k=ready.radiant_k[step],
        forced_w4=ready.forced_w4[step],
        natural_w=ready.natural_w[step],
        natural_b=ready.natural_b[step],
        emissivity=ready.emissivity,
        is_wet=None if ready.is_wet is None else ready.is_wet[step],
    )
