"""The sky of carewatch against longwave measured at night.

NOAA SURFRAD Penn State, PA, 2017-01-01 and Table Mountain, CO, 2017-01-05 (tests/data/weather/NIGHTS.md). How the state
of the sky is told: measured_sky.py. tests/bench/world.py prints all models and sites, with Bondville, IL 1998.
"""

from __future__ import annotations

import numpy as np
import pytest

from carewatch.freeze.sky import CLEAR_SKY_MODELS, STEFAN_BOLTZMANN, prata
from carewatch.units import ZERO_C_IN_K
from tests.reference.measured_sky import (
    clear_misfit,
    overcast_misfit,
    surfrad_hours,
    surfrad_moments,
)
from tests.reference.settling import settled_c, steady

# Error of the refitted models as published: 13.2 W/m2 (EnergyPlus design note "Alternative Models for Clear Sky
# Emissivity Calculation", citing Li, Jiang & Coimbra 2017)
PUBLISHED_RMSE_W = 13.2
# chosen: 7.5 W/m2 of sky is 0.16 K of a nozzle body at 1 m/s and 0.34 K in still air (last test), a fifth of the
# 1.8 K by which a forecast of the coming night errs
BIAS_LIMIT_W = 7.5

MISFITS = {"clear": clear_misfit, "overcast": overcast_misfit}


# bias and RMSE of Prata with cloud factor 0.84 as computed from these files; half a unit of the last digit
@pytest.mark.parametrize(
    ("site", "sky", "count", "bias_w", "rmse_w"),
    [
        ("Penn State", "clear", 1, 0.6, 0.6),
        ("Penn State", "overcast", 6, 3.0, 3.3),
        ("Table Mountain", "overcast", 13, -5.8, 5.8),
    ],
)
def test_the_sky_in_use_is_within_the_error_of_published_models(site, sky, count, bias_w, rmse_w):
    found = MISFITS[sky](surfrad_hours(site), prata)
    assert found.count == count
    assert (found.bias_w, found.rmse_w) == pytest.approx((bias_w, rmse_w), abs=0.06)
    assert abs(found.bias_w) < BIAS_LIMIT_W
    assert found.rmse_w < PUBLISHED_RMSE_W


def test_the_sky_in_use_is_nearest_of_all_models_in_the_clear_hour():
    errors_w = {
        name: clear_misfit(surfrad_hours("Penn State"), model).rmse_w for name, model in CLEAR_SKY_MODELS.items()
    }
    assert min(errors_w, key=errors_w.__getitem__) == "prata"


@pytest.mark.parametrize("site", ["Penn State", "Table Mountain"])
def test_no_measured_sky_is_far_colder_than_the_clear_sky_in_use_or_warmer_than_the_air(site):
    """Each 5-minute value of the night; of 2049 night hours at Bondville 94 % are not 10 W/m2 below it."""
    sky = surfrad_moments(site)
    assert np.all(sky.sky_w > sky.model_w(prata, cloud_fraction=0.0) - BIAS_LIMIT_W)
    assert np.all(sky.emissivity < 1.0)


def test_ten_watts_of_sky_are_two_tenths_of_a_degree_in_a_breeze_and_half_a_degree_in_still_air():
    """Own earlier computation with another program, one digit: 0.2 K at 1 m/s at the boom, 0.5 K at 0.1 m/s."""

    def colder(air_c, dew_c):
        return prata(air_c, dew_c) - 10.0 / (STEFAN_BOLTZMANN * (air_c + ZERO_C_IN_K) ** 4)

    weather = steady(air_c=2.0, dew_c=-2.0, wind_mps=(1.0, 0.1))
    found_k = settled_c(weather) - settled_c(weather, clear_sky=colder)
    assert found_k == pytest.approx([0.2, 0.5], abs=0.05)
