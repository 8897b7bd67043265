"""Air, film coefficients and the relaxation factor against reference libraries and published values."""

from __future__ import annotations

from math import exp, log

import ht.conv_external
import ht.conv_free_immersed
import iapws
import numpy as np
import psychrolib
import pytest
from CoolProp import CoolProp
from refet.calcs import wind_height_adjust

from carewatch.freeze.air import (
    BOOM_WIND,
    PRANDTL,
    PSYCHROMETRIC_ICE_PA_PER_K,
    PSYCHROMETRIC_PA_PER_K,
    conductivity_w_per_mk,
    density_kg_per_m3,
    dew_point_c,
    kinematic_viscosity_m2_per_s,
    saturation_ice_pa,
    saturation_pa,
    wind_profile,
)
from carewatch.freeze.exchange import forced_nusselt, natural_nusselt
from carewatch.freeze.kernel import relaxation
from carewatch.freeze.parts import FUSION_J_PER_KG, ICE_J_PER_KGK, WATER_J_PER_KGK

psychrolib.SetUnitSystem(psychrolib.SI)


def a(value: float) -> np.ndarray:
    return np.array(float(value))


# ht 1.2.0, docstring examples of Nu_cylinder_Churchill_Bernstein and Nu_horizontal_cylinder_Churchill_Chu: the
# library our own forms are compared with gives what it publishes
def test_the_reference_library_gives_its_published_values():
    assert ht.conv_external.Nu_cylinder_Churchill_Bernstein(6071, 0.7) == pytest.approx(40.63708594124974, abs=1e-6)
    assert ht.conv_free_immersed.Nu_horizontal_cylinder_Churchill_Chu(0.69, 2.63e9) == pytest.approx(
        139.13493970073597, abs=1e-4
    )


@pytest.mark.parametrize("reynolds", [50, 500, 5000, 20000])
def test_forced_nusselt_is_churchill_bernstein(reynolds):  # ht 1.2.0; 1e-3 of the value
    expected = ht.conv_external.Nu_cylinder_Churchill_Bernstein(reynolds, PRANDTL)
    assert float(forced_nusselt(a(reynolds))) / expected == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("grashof", [1e2, 1e4, 1e6, 2.63e9])
def test_natural_nusselt_is_churchill_chu(grashof):  # ht 1.2.0, full form
    expected = ht.conv_free_immersed.Nu_horizontal_cylinder_Churchill_Chu(PRANDTL, grashof)
    assert float(natural_nusselt(a(grashof * PRANDTL))) / expected == pytest.approx(1.0, abs=1e-6)


# exact value of the exponential mean
@pytest.mark.parametrize(
    ("x", "times", "expected", "within"), [(0.5, 1, 0.78694, 4e-4), (1, 1, 0.63212, 2e-3), (50, 50, 1, 2e-2)]
)
def test_relaxation_is_the_exponential_mean(x, times, expected, within):
    assert times * float(relaxation(a(x))) == pytest.approx(expected, abs=within)


# Pham 1984 (Int. J. Refrig. 7), erratum: log-mean temperature differences against a medium of -20.9 °C, 0.05 K
@pytest.mark.parametrize(("from_c", "to_c", "expected"), [(28.5, -2.1, 31.7), (-2.1, -13.7, 12.1)])
def test_mean_drive_over_a_step_is_the_log_mean_difference(from_c, to_c, expected):
    first, last = from_c + 20.9, to_c + 20.9
    exact = (first - last) / log(first / last)
    assert exact == pytest.approx(expected, abs=0.05)
    steps, x = 6, log(first / last)
    drive = first
    for _ in range(steps):
        drive *= 1.0 - x / steps * float(relaxation(a(x / steps)))
    assert (first - drive) / x == pytest.approx(expected, abs=0.05)


def test_relaxation_never_overshoots():
    x = np.logspace(-6, 6, 200)
    assert np.all(x * relaxation(x) <= 1.0)
    assert np.all(np.diff(x * relaxation(x)) >= -1e-15)


@pytest.mark.parametrize(("air_c", "expected", "within"), [(0.0, 0.02436, 1e-4), (-20.0, 0.02281, 2e-4)])
def test_conductivity_of_air(air_c, expected, within):  # CoolProp 8.0.0
    assert float(conductivity_w_per_mk(a(air_c + 273.15))) == pytest.approx(expected, abs=within)
    assert CoolProp.PropsSI("L", "T", air_c + 273.15, "P", 101325, "Air") == pytest.approx(expected, abs=within)


def test_density_and_viscosity_of_air():  # CoolProp 8.0.0: 1.2931 kg/m3 at 0 °C; viscosity within 0.5 %
    assert float(density_kg_per_m3(a(273.15))) == pytest.approx(1.2931, abs=2e-3)
    for air_c in (-20.0, 0.0, 15.0):
        air_k = air_c + 273.15
        expected = CoolProp.PropsSI("V", "T", air_k, "P", 101325, "Air") / CoolProp.PropsSI(
            "D", "T", air_k, "P", 101325, "Air"
        )
        assert float(kinematic_viscosity_m2_per_s(a(air_k))) == pytest.approx(expected, rel=5e-3)


def test_heat_of_fusion_and_heat_capacities():  # iapws 1.5.5: IAPWS-95 minus ice Ih; CoolProp 8.0.0 for water at 5 °C
    water = iapws.IAPWS95(T=273.15, P=0.101325)
    ice = iapws._iapws._Ice(273.15, 0.101325)
    assert pytest.approx((water.h - ice["h"]) * 1000.0, abs=200.0) == FUSION_J_PER_KG
    assert pytest.approx(ice["cp"] * 1000.0, abs=10.0) == ICE_J_PER_KGK
    assert pytest.approx(CoolProp.PropsSI("C", "T", 278.15, "P", 101325, "Water"), abs=1.0) == WATER_J_PER_KGK


@pytest.mark.parametrize(("air_c", "expected", "within"), [(0.0, 611.2, 0.5), (5.0, 872.5, 1.5)])
def test_saturation_pressure(air_c, expected, within):  # psychrolib 2.5.0 (MetPy 1.7.1: 871.7 at 5 °C)
    assert float(saturation_pa(a(air_c))) == pytest.approx(expected, abs=within)
    assert psychrolib.GetSatVapPres(air_c) == pytest.approx(expected, abs=within)


def test_dew_point_undoes_saturation():
    assert dew_point_c(float(saturation_pa(a(-7.3)))) == pytest.approx(-7.3, abs=1e-9)


def test_wet_bulb_of_a_frozen_film():
    """Evaporation alone at 3 °C and 50 %: psychrolib 2.5.0 gives -0.55 °C over ice (MetPy 1.7.1: -0.37 over water)."""
    vapour = 0.5 * float(saturation_pa(a(3.0)))

    def balance(point_c, saturation, gamma):
        return gamma * (3.0 - point_c) - (float(saturation(a(point_c))) - vapour)

    assert _root(lambda t: balance(t, saturation_ice_pa, PSYCHROMETRIC_ICE_PA_PER_K)) == pytest.approx(-0.55, abs=0.02)
    assert psychrolib.GetTWetBulbFromRelHum(3.0, 0.5, 101325) == pytest.approx(-0.55, abs=0.02)
    # the two libraries differ by 0.18 K; over water ours must lie nearer to the one that counts over water
    assert _root(lambda t: balance(t, saturation_pa, PSYCHROMETRIC_PA_PER_K)) == pytest.approx(-0.37, abs=0.09)


def test_wind_profile_over_short_grass():
    """refet 0.5 wind_height_adjust (FAO-56 equation 47): 0.74795 from 10 m to 2 m.

    Its 67.8 z - 5.42 is (z - d)/z0; its numerator ln(67.8 * 2 - 5.42) is rounded to 4.87, which is worth 8e-4.
    """
    published = float(wind_height_adjust(np.array([1.0]), 10.0)[0])
    assert published == pytest.approx(0.74795, abs=1e-4)
    ours = wind_profile(10.0, 2.0, roughness_m=1.0 / 67.8, displacement_m=5.42 / 67.8)
    assert ours == pytest.approx(published, abs=8e-4)


def test_wind_at_the_boom():  # log law 10 to 0.8 m over 0.03 m
    assert pytest.approx(0.5652, abs=1e-4) == BOOM_WIND


def _root(balance) -> float:
    low, high = -10.0, 3.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if balance(middle) > 0 else (low, middle)
    return 0.5 * (low + high)


def test_relaxation_matches_exp_for_small_steps():
    for x in (1e-6, 0.01, 0.1):
        assert float(relaxation(a(x))) == pytest.approx((1.0 - exp(-x)) / x, rel=1e-6)
