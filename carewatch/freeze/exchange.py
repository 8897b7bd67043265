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
STILL, FORCED = 0.3, 0.62 * PRANDTL ** (1.0 / 3.0) * FORCED_PRANDTL
NATURAL_STILL = 0.60
LEAST_DEFICIT_PA = 1e-6  # chosen: less is rounding, of a part as cold as the dew point
SIXTH_ROOT_LINE = (0.28, 0.67)  # near x^(1/6) over x^(1/4): found by trying all pairs of two digits


@dataclass(frozen=True, slots=True, kw_only=True)
class Forcing:
    """What the weather and the shelter do; arrays [hours + 1, m], value at the hour mark, of m weather columns.

    `wind_mps` is at the part, `ground_below_air_c` [K] how much colder the ground is, `sky_open` [0..1] scales the sky
    view (0: blocked), `is_wet` [0..1] the share of the outside under a water film. `film_w_m2k` [m], where it is not
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
        """The same weather with air and dew point moved by `shift_c` [K], [m] or [hours + 1, m]."""
        return replace(self, air_c=self.air_c + shift_c, dew_c=self.dew_c + shift_c)

    def take(self, columns: slice) -> Forcing:
        """Some of the weather columns."""
        film_w_m2k = None if self.film_w_m2k is None else self.film_w_m2k[columns]
        return Forcing(**{name: getattr(self, name)[:, columns] for name in MARKS}, film_w_m2k=film_w_m2k)


MARKS = ("air_c", "dew_c", "wind_mps", "cloud_fraction", "ground_below_air_c", "sky_open", "is_wet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficients:
    """What of the heat exchange does not depend on the part's temperature; arrays [steps, n] at step middles.

    `radiant_k` is the temperature the outside radiates to; `air_rise_k`, `radiant_rise_k` [hours, n] how much both rise
    within a step; `forced_w4` the fourth power of the forced film coefficient;
    the natural one is `natural_w * (0.60 + natural_b |T - Ta|^(1/6))^2`; `radiation` [n] emissivity times
    Stefan-Boltzmann. `vapour_pa` and `is_wet` are None where nothing is wet.
    """

    air_k: FloatArray
    radiant_k: FloatArray
    air_rise_k: FloatArray
    radiant_rise_k: FloatArray
    forced_w4: FloatArray
    natural_w: FloatArray
    natural_b: FloatArray
    radiation: FloatArray
    vapour_pa: FloatArray | None
    is_wet: FloatArray | None


def coefficients(
    parts: PartArrays, forcing: Forcing, *, sub_steps: int = 1, clear_sky: ClearSky = prata
) -> Coefficients:
    """Prepare the heat exchange of n columns, each in weather of its own [hours + 1, n], at the middles of the steps.

    Notes
    -----
    Air, dew point, wind and the temperature of sky and ground run straight from mark to mark; what hangs on the air's
    properties, which change little within an hour, is the mean of its two marks.
    """
    air_k = forcing.air_c + ZERO_C_IN_K
    viscosity = kinematic_viscosity_m2_per_s(air_k, STANDARD_PRESSURE_PA)
    still_w, per_root_wind_w = _forced(parts, forcing, air_k, viscosity)
    natural_w = conductivity_w_per_mk(air_k) / parts.diameter_m
    rayleigh_per_k = GRAVITY_MPS2 * PRANDTL * parts.diameter_m**3 / (air_k * viscosity**2)
    natural_b = 0.387 * NATURAL_PRANDTL * np.sqrt(np.cbrt(rayleigh_per_k))
    radiation = STEFAN_BOLTZMANN * parts.emissivity
    if forcing.film_w_m2k is not None:
        fixed = ~np.isnan(forcing.film_w_m2k)
        still_w = np.where(fixed, np.where(fixed, forcing.film_w_m2k, 0.0), still_w)
        per_root_wind_w = np.where(fixed, 0.0, per_root_wind_w)
        natural_w, radiation = np.where(fixed, 0.0, natural_w), np.where(fixed, 0.0, radiation)
    forced_w = np.repeat(_mean(per_root_wind_w), sub_steps, axis=0) * np.sqrt(_straight(forcing.wind_mps, sub_steps))
    forced_w += np.repeat(_mean(still_w), sub_steps, axis=0)
    radiant_k = _radiant_k(parts, forcing, air_k, clear_sky)
    is_anything_wet = bool(np.any(forcing.is_wet))
    return Coefficients(
        air_k=_straight(air_k, sub_steps),
        radiant_k=_straight(radiant_k, sub_steps),
        air_rise_k=np.diff(air_k, axis=0) / sub_steps,
        radiant_rise_k=np.diff(radiant_k, axis=0) / sub_steps,
        forced_w4=np.square(np.square(forced_w)),
        natural_w=_mean(natural_w),
        natural_b=_mean(natural_b),
        radiation=radiation,
        vapour_pa=saturation_pa(_straight(forcing.dew_c, sub_steps)) if is_anything_wet else None,
        is_wet=_straight(forcing.is_wet, sub_steps) if is_anything_wet else None,
    )


def _forced(
    parts: PartArrays, forcing: Forcing, air_k: FloatArray, viscosity: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Forced film coefficient [W/m2K] without wind, and what each root of the wind [m/s] adds."""
    per_diameter = conductivity_w_per_mk(air_k) / parts.diameter_m
    per_mps = parts.diameter_m / viscosity
    added = FORCED * np.sqrt(per_mps) * turbulence(forcing.wind_mps * per_mps)
    return STILL * per_diameter, np.asarray(per_diameter * added)


def _radiant_k(parts: PartArrays, forcing: Forcing, air_k: FloatArray, clear_sky: ClearSky) -> FloatArray:
    """Temperature of sky and ground as a part sees them [K]."""
    sky_view = parts.sky_view * forcing.sky_open
    sky_w = sky_radiation_w_per_m2(forcing.air_c, forcing.dew_c, forcing.cloud_fraction, clear_sky=clear_sky)
    ground_k = air_k - forcing.ground_below_air_c
    outside_k4 = sky_view * (sky_w / STEFAN_BOLTZMANN) + (1.0 - sky_view) * np.square(np.square(ground_k))
    return np.asarray(np.sqrt(np.sqrt(outside_k4)))


def _straight(marks: FloatArray, sub_steps: int) -> FloatArray:
    """[hours + 1, n] at the marks to [hours * sub_steps, n] at the middles of the steps, straight in between."""
    share = ((np.arange(sub_steps) + 0.5) / sub_steps)[None, :, None]
    before, after = marks[:-1, None], marks[1:, None]
    values: FloatArray = before + (after - before) * share
    return values.reshape(-1, marks.shape[1])


def _mean(marks: FloatArray) -> FloatArray:
    """[hours + 1, n] at the marks to [hours, n]: the mean of the hour's two marks."""
    return np.asarray(0.5 * (marks[:-1] + marks[1:]))


def forced_nusselt(reynolds: FloatArray) -> FloatArray:
    """Nusselt number of a cylinder across a wind, Churchill-Bernstein in the form made of roots and powers."""
    return np.asarray(STILL + FORCED * np.sqrt(reynolds) * turbulence(reynolds))


def turbulence(reynolds: FloatArray) -> FloatArray:
    """The last factor of Churchill-Bernstein: how much a fast wind adds."""
    return np.asarray((1.0 + (reynolds / 282000.0) ** 0.625) ** 0.8)


def natural_nusselt(rayleigh: FloatArray) -> FloatArray:
    """Nusselt number of a horizontal cylinder in still air, Churchill-Chu in the full form."""
    return np.asarray((0.60 + 0.387 * NATURAL_PRANDTL * rayleigh ** (1.0 / 6.0)) ** 2)


def sixth_root(x: FloatArray) -> FloatArray:
    """x^(1/6), x >= 0, within 2e-4 from 0.01 to 40: one of Halley's steps from a straight line in x^(1/4)."""
    fourth = np.sqrt(np.sqrt(x))
    line = SIXTH_ROOT_LINE[0] + SIXTH_ROOT_LINE[1] * fourth
    cube = line * line * line
    square = 2.0 * (fourth * fourth)
    return np.asarray(line * (cube + square) / (2.0 * cube + 0.5 * square))


def film(at: Coefficients, part_k: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How the outside exchanges heat at a step, when the part has `part_k` [K].

    Returns
    -------
    film, pull, rise : array
        Film coefficient [W/m2K]; that times the temperature it pulls to [W/m2]; how much the pull rises within the
        step [W/m2].
    """
    natural = NATURAL_STILL + at.natural_b * sixth_root(np.abs(part_k - at.air_k))
    natural *= natural
    natural *= at.natural_w
    natural *= natural
    natural *= natural
    natural += at.forced_w4
    convection = np.sqrt(np.sqrt(natural))
    radiation = (part_k * part_k + at.radiant_k * at.radiant_k) * (part_k + at.radiant_k)
    radiation *= at.radiation
    whole = convection + radiation
    pull = convection * at.air_k + radiation * at.radiant_k
    rise = convection * at.air_rise_k + radiation * at.radiant_rise_k
    if at.is_wet is not None and at.vapour_pa is not None:
        wet, wet_k = _evaporation(at.is_wet, at.vapour_pa, part_k, convection)
        whole += wet
        pull += wet * wet_k
    return whole, pull, rise


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
    film = np.where(deficit > LEAST_DEFICIT_PA, is_wet * convection * per_k / gamma, 0.0)
    return film, part_k - deficit / per_k


def at_step(ready: Coefficients, step: int, hour: int) -> Coefficients:
    """The coefficients of one step of a block, which lies in that hour of it."""
    return Coefficients(
        air_k=ready.air_k[step],
        radiant_k=ready.radiant_k[step],
        air_rise_k=ready.air_rise_k[hour],
        radiant_rise_k=ready.radiant_rise_k[hour],
        forced_w4=ready.forced_w4[step],
        natural_w=ready.natural_w[hour],
        natural_b=ready.natural_b[hour],
        radiation=ready.radiation,
        vapour_pa=None if ready.vapour_pa is None else ready.vapour_pa[step],
        is_wet=None if ready.is_wet is None else ready.is_wet[step],
    )
