"""How much heat the night sky sends down.

carewatch uses Prata with a linear cloud factor, near freezing the coldest of the published models here. Model minus
measured in clear hours of the night [W/m2]: -4.2 over 15 hours of SURFRAD and ARM, -6.5 over 41 of BSRN Payerne, but
+3.0 (RMSE 8.2) over 416 of Bondville, IL, 1998, with air from 6 m; under cloud -7 to +3. So it does not err to warning
everywhere; 10 W/m2 are 0.2 K of a part at 1 m/s, 0.5 K in still air. tests/bench/world.py prints the table.

References
----------
Prata 1996, Q. J. R. Meteorol. Soc. 122:1127-1151. Li, Jiang & Coimbra 2017, Solar Energy 144:40-48 (refits of Brunt,
Idso and Berdahl-Martin). Clark & Allen 1978, as in the EnergyPlus Engineering Reference.
"""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from carewatch.freeze.air import saturation_pa
from carewatch.units import ZERO_C_IN_K

FloatArray = npt.NDArray[np.float64]
ClearSky = Callable[[FloatArray, FloatArray], FloatArray]  # (air °C, dew °C) -> emissivity

STEFAN_BOLTZMANN = 5.670374419e-8  # W/m2K4, CODATA 2018
CLOUD_FACTOR = 0.84  # keeps a small cold bias (-4.6 W/m2) against 372 measured cloudy hours by day


def prata(air_c: FloatArray, dew_c: FloatArray) -> FloatArray:
    """Clear-sky emissivity: 1 - (1 + w) exp(-sqrt(1.2 + 3 w)), w = 46.5 e/T [cm of water], e in hPa, T in K."""
    water_cm = 46.5 * saturation_pa(dew_c) / 100.0 / (air_c + ZERO_C_IN_K)
    return np.asarray(1.0 - (1.0 + water_cm) * np.exp(-np.sqrt(1.2 + 3.0 * water_cm)))


def brunt_refit(air_c: FloatArray, dew_c: FloatArray) -> FloatArray:
    """Clear-sky emissivity: 0.618 + 0.056 sqrt(e), e in hPa."""
    return np.asarray(0.618 + 0.056 * np.sqrt(saturation_pa(dew_c) / 100.0) + 0.0 * air_c)


def idso_refit(air_c: FloatArray, dew_c: FloatArray) -> FloatArray:
    """Clear-sky emissivity: 0.685 + 3.2e-5 e exp(1699/T), e in hPa, T in K."""
    return np.asarray(0.685 + 3.2e-5 * saturation_pa(dew_c) / 100.0 * np.exp(1699.0 / (air_c + ZERO_C_IN_K)))


def berdahl_martin_refit(air_c: FloatArray, dew_c: FloatArray) -> FloatArray:
    """Clear-sky emissivity: 0.758 + 0.521 (d/100) + 0.625 (d/100)^2, d dew point in °C."""
    return np.asarray(0.758 + 0.521 * (dew_c / 100.0) + 0.625 * (dew_c / 100.0) ** 2 + 0.0 * air_c)


def clark_allen(air_c: FloatArray, dew_c: FloatArray) -> FloatArray:
    """Clear-sky emissivity: 0.787 + 0.764 ln(D/273), D dew point in K."""
    return np.asarray(0.787 + 0.764 * np.log((dew_c + ZERO_C_IN_K) / 273.0) + 0.0 * air_c)


CLEAR_SKY_MODELS = MappingProxyType(
    {
        "prata": prata,
        "brunt_refit": brunt_refit,
        "idso_refit": idso_refit,
        "berdahl_martin_refit": berdahl_martin_refit,
        "clark_allen": clark_allen,
    }
)


def sky_radiation_w_per_m2(
    air_c: FloatArray, dew_c: FloatArray, cloud_fraction: FloatArray, *, clear_sky: ClearSky = prata
) -> FloatArray:
    """Longwave from the sky [W/m2]: (e0 + 0.84 c (1 - e0)) sigma Ta^4.

    Parameters
    ----------
    air_c, dew_c : array
        Air temperature and dew point near the ground [°C], any one shape.
    cloud_fraction : array
        Share of sky covered [0..1].
    """
    clear = clear_sky(air_c, dew_c)
    emissivity = clear + CLOUD_FACTOR * cloud_fraction * (1.0 - clear)
    air_k2 = np.square(air_c + ZERO_C_IN_K)
    return np.asarray(emissivity * STEFAN_BOLTZMANN * air_k2 * air_k2)
