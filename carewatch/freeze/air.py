"""Properties of moist air near freezing, and the wind close to the ground.

Fits of conductivity and viscosity to CoolProp 8.0.0 within 0.3 % from -30 to +20 °C. Vapour pressure: Magnus form,
WMO Guide to Instruments and Methods of Observation (WMO-No. 8), annex 4.B.
"""

from __future__ import annotations

from math import log

import numpy as np
import numpy.typing as npt

from carewatch.units import ZERO_C_IN_K

FloatArray = npt.NDArray[np.float64]

PRANDTL = 0.711
GAS_CONSTANT_J_PER_KGK = 287.05
GRAVITY_MPS2 = 9.80665
STANDARD_PRESSURE_PA = 101325.0
SCALE_HEIGHT_M = 8434.0  # isothermal atmosphere at 288 K; 1 % of pressure moves forced convection by 0.5 %
PSYCHROMETRIC_PA_PER_K = 65.4  # cp p / (0.622 Lv), water film
PSYCHROMETRIC_ICE_PA_PER_K = 57.7  # the same with the heat of sublimation, frozen film
BOOM_HEIGHT_M = 0.8  # chosen: a folded or lowered boom; nozzles hang at 0.5 to 1 m
ROUGHNESS_M = 0.03  # short grass or bare field
FORECAST_HEIGHT_M = 10.0
STILL_AIR_MPS = 0.1  # chosen: outdoors the air is never fully still


def conductivity_w_per_mk(air_k: FloatArray) -> FloatArray:
    """Thermal conductivity of air [W/m K] at a temperature [K]."""
    return np.asarray(0.02436 * (air_k / ZERO_C_IN_K) ** 0.86)


def kinematic_viscosity_m2_per_s(air_k: FloatArray, pressure_pa: float = STANDARD_PRESSURE_PA) -> FloatArray:
    """Kinematic viscosity of air [m2/s]."""
    dynamic_pa_s = 1.7218e-5 * (air_k / ZERO_C_IN_K) ** 0.79
    return np.asarray(dynamic_pa_s / density_kg_per_m3(air_k, pressure_pa))


def density_kg_per_m3(air_k: FloatArray, pressure_pa: float = STANDARD_PRESSURE_PA) -> FloatArray:
    """Density of dry air [kg/m3]."""
    return np.asarray(pressure_pa / (GAS_CONSTANT_J_PER_KGK * air_k))


def pressure_at_pa(elevation_m: float) -> float:
    """Mean air pressure [Pa] at a height above the sea [m]."""
    return STANDARD_PRESSURE_PA * float(np.exp(-elevation_m / SCALE_HEIGHT_M))


def saturation_pa(temperature_c: FloatArray) -> FloatArray:
    """Saturation vapour pressure over liquid water [Pa]; dew points of stations count over water below 0 °C too."""
    return np.asarray(611.2 * np.exp(17.62 * temperature_c / (243.12 + temperature_c)))


def saturation_ice_pa(temperature_c: FloatArray) -> FloatArray:
    """Saturation vapour pressure over ice [Pa]."""
    return np.asarray(611.2 * np.exp(22.46 * temperature_c / (272.62 + temperature_c)))


def dew_point_c(vapour_pa: float) -> float:
    """Dew point [°C] over water of a vapour pressure [Pa] (Magnus form solved for temperature)."""
    ratio = log(vapour_pa / 611.2)
    return 243.12 * ratio / (17.62 - ratio)


def wind_profile(from_m: float, to_m: float, *, roughness_m: float = ROUGHNESS_M, displacement_m: float = 0.0) -> float:
    """Wind at one height over wind at another: log law over a rough surface [-]."""
    return log((to_m - displacement_m) / roughness_m) / log((from_m - displacement_m) / roughness_m)


BOOM_WIND = wind_profile(FORECAST_HEIGHT_M, BOOM_HEIGHT_M)
