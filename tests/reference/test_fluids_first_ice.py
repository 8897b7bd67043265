"""First-ice points, strengths and mixtures against handbook tables, CoolProp and published trade figures."""

from __future__ import annotations

import pytest
from CoolProp import CoolProp

from carewatch.fluids.antifreeze_table import LANGE_VOL_PCT, WATER_KG_PER_M3
from carewatch.fluids.freezing import (
    GLYCOL_CAUTION_C,
    antifreeze_first_ice_c,
    freezes_at_c,
    lange_first_ice_c,
    mass_pct_of,
    melinder_first_ice_c,
    salts_out_at_c,
)
from carewatch.fluids.mixing import full_mixing_vol_pct, left_fraction, residual_mixing_vol_pct
from carewatch.fluids.naming import liquid_named
from carewatch.fluids.refractometer import propylene_glycol_mass_pct
from carewatch.freeze.parts import OTHER_LIQUID_J_PER_KGK
from carewatch.units import f_to_c

COOLPROP = {
    "propylene_glycol": "MPG",
    "ethylene_glycol": "MEG",
    "methanol": "MMA",
    "ethanol": "MEA",
    "glycerol": "MGL",
}


def coolprop_c(name: str, mass_pct: float) -> float:
    fluid = f"INCOMP::{COOLPROP[name]}[{mass_pct / 100.0}]"
    return CoolProp.PropsSI("T_freeze", "T", 300.0, "P", 101325, fluid) - 273.15


@pytest.mark.parametrize("name", COOLPROP)
@pytest.mark.parametrize("mass_pct", [3.0, 10.0, 21.0, 30.0, 35.0, 40.0, 47.0, 50.0, 58.9])
def test_table_follows_coolprop(name, mass_pct):  # CoolProp 8.0.0; 0.06 °C: straight lines between 2 % steps
    assert melinder_first_ice_c(name, mass_pct) == pytest.approx(coolprop_c(name, mass_pct), abs=0.06)


# CoolProp 8.0.0 INCOMP::MPG, equal to Melinder (2010) in two other libraries; mass %, 0.02 °C
@pytest.mark.parametrize(
    ("mass_pct", "expected_c"), [(10, -2.87), (20, -7.17), (30, -12.79), (40, -20.57), (50, -32.19)]
)
def test_propylene_glycol_by_mass(mass_pct, expected_c):
    assert melinder_first_ice_c("propylene_glycol", mass_pct) == pytest.approx(expected_c, abs=0.02)


# Lange's Handbook of Chemistry, 15th ed., Table 5.13; vol %; 1.4 °C: the two tables differ by up to 1.3 °C
@pytest.mark.parametrize(("vol_pct", "expected_c"), [(20, -6.7), (30, -12.8), (40, -20.6), (50, -33.3)])
def test_propylene_glycol_by_volume(vol_pct, expected_c):
    mass_pct = mass_pct_of("propylene_glycol", vol_pct)
    assert melinder_first_ice_c("propylene_glycol", mass_pct) == pytest.approx(expected_c, abs=1.4)
    assert lange_first_ice_c(vol_pct) == expected_c
    assert antifreeze_first_ice_c("propylene_glycol", vol_pct) >= expected_c + GLYCOL_CAUTION_C - 1e-9


@pytest.mark.parametrize("vol_pct", [*LANGE_VOL_PCT, 12.0, 33.0, 47.5])
def test_propylene_glycol_is_never_colder_than_either_table(vol_pct):
    ours_c = antifreeze_first_ice_c("propylene_glycol", vol_pct)
    by_mass_c = coolprop_c("propylene_glycol", mass_pct_of("propylene_glycol", vol_pct))
    assert ours_c >= min(max(by_mass_c, lange_first_ice_c(vol_pct)) + GLYCOL_CAUTION_C, 0.0) - 0.06


# CoolProp 8.0.0 by unmixed volumes at 20 °C; 0.1 vol % is 0.1 °C near 40 %
@pytest.mark.parametrize(
    ("vol_pct", "expected_c"), [(10, -3.0), (20, -7.5), (30, -13.3), (35, -17.0), (40, -21.4), (50, -33.6), (55, -41.8)]
)
def test_volume_turns_into_mass(vol_pct, expected_c):
    mass_pct = mass_pct_of("propylene_glycol", vol_pct)
    assert coolprop_c("propylene_glycol", mass_pct) == pytest.approx(expected_c, abs=0.25)


def test_glycol_is_given_no_more_heat_than_it_holds():
    """CoolProp 8.0.0 MPG at 20 °C: 30 mass % has 1023.8 kg/m3 and 3857 J/kgK; ours is its lowest, at 60 mass %."""
    thirty, sixty = "INCOMP::MPG[0.3]", "INCOMP::MPG[0.6]"
    assert CoolProp.PropsSI("D", "T", 293.15, "P", 101325, thirty) == pytest.approx(1023.8, abs=0.5)
    assert CoolProp.PropsSI("C", "T", 293.15, "P", 101325, thirty) == pytest.approx(3857, abs=5)
    assert pytest.approx(CoolProp.PropsSI("C", "T", 293.15, "P", 101325, sixty), abs=5) == OTHER_LIQUID_J_PER_KGK


def test_density_of_water():  # CoolProp 8.0.0
    assert pytest.approx(CoolProp.PropsSI("D", "T", 293.15, "P", 101325, "Water"), abs=0.1) == WATER_KG_PER_M3


# IPNI, Nutrient Source Specifics 7: salt-out of UAN; extension table of fertilizer material: 10-34-0, starters
@pytest.mark.parametrize(
    ("name", "expected_f", "within_c"),
    [("uan 28", -1, 0.5), ("uan 30", 15, 0.6), ("uan 32", 28, 0.3), ("10-34-0", -10, 0.5), ("7-21-7", 20, 0.1)],
)
def test_salt_out_as_published(name, expected_f, within_c):
    assert salts_out_at_c(liquid_named(name)) == pytest.approx(f_to_c(expected_f), abs=within_c)


def test_fertilizer_without_figures_counts_as_water():
    liquid = liquid_named("liquid fertilizer")
    assert freezes_at_c(liquid) == 0.0
    assert salts_out_at_c(liquid) == 5.0  # storage advice: liquid fertilizer may settle out below about 5 °C


def test_residual_water_weakens_the_fill():
    """Mass balance: 33 mass % met by 20 % residual water drops to 27.6 %, by 50 % to 22.2 %."""
    assert residual_mixing_vol_pct(33.0, poured_l=100.0, held_l=20.0) == pytest.approx(27.5, abs=0.1)
    assert residual_mixing_vol_pct(33.0, poured_l=100.0, held_l=50.0) == pytest.approx(22.0, abs=0.2)
    assert melinder_first_ice_c("propylene_glycol", 27.6) == pytest.approx(-11.3, abs=0.1)
    assert melinder_first_ice_c("propylene_glycol", 22.2) == pytest.approx(-8.3, abs=0.1)


def test_a_drum_of_half_glycol_in_a_full_boom_protects_little():
    """60 L of 50 vol % into 133 L: 15.5 vol %, -5.3 °C (CoolProp), though the drum said -33 °C."""
    mixed = residual_mixing_vol_pct(50.0, poured_l=60.0, held_l=133.0)
    assert mixed == pytest.approx(15.5, abs=0.05)
    assert coolprop_c("propylene_glycol", mass_pct_of("propylene_glycol", mixed)) == pytest.approx(-5.3, abs=0.1)
    assert antifreeze_first_ice_c("propylene_glycol", mixed) > -5.3


def test_full_mixing_is_a_stirred_tank():
    assert full_mixing_vol_pct(50.0, poured_l=60.0, held_l=60.0) == pytest.approx(50.0 * 0.63212, abs=1e-3)


# arithmetic of n equal, fully mixed rinses, own calculation
@pytest.mark.parametrize(
    ("k", "passes", "expected", "within"),
    [(3, 1, 0.25, 0.005), (6, 2, 0.0625, 1e-9), (10, 3, 0.012, 5e-4), (20, 1, 0.048, 5e-4)],
)
def test_rinse_fraction(k, passes, expected, within):
    assert left_fraction(poured_l=float(k), held_l=1.0, passes=passes) == pytest.approx(expected, abs=within)


def test_refractive_index_as_published():
    """MacBeth & Thompson 1951: 1.3544 is 20 mass %; Gerke's second measurement 1.39784 at 60 mass % within 4e-4."""
    assert propylene_glycol_mass_pct(1.3544) == pytest.approx(20.0, abs=0.1)
    assert propylene_glycol_mass_pct(1.39784) == pytest.approx(60.0, abs=4e-4 / 1.02e-3)
