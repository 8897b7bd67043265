"""What counts as water, and that doubt never makes a liquid look safer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.errors import BadInput
from carewatch.fluids.freezing import (
    antifreeze_first_ice_c,
    freezes_at_c,
    is_alcohol,
    salts_out_at_c,
    strength_for_first_ice_vol_pct,
)
from carewatch.fluids.liquid import UNKNOWN, WATER, Liquid, LiquidKind
from carewatch.fluids.naming import liquid_named

STRENGTHS = st.floats(min_value=0.0, max_value=100.0)


def antifreeze(name: str, strength_vol_pct: float | None = None, measured_at_c: float | None = None) -> Liquid:
    return Liquid(kind=LiquidKind.ANTIFREEZE, name=name, strength_vol_pct=strength_vol_pct, measured_at_c=measured_at_c)


@pytest.mark.parametrize("liquid", [WATER, UNKNOWN, liquid_named("Weedkiller 480"), liquid_named("")])
def test_water_product_and_unknown_freeze_at_0(liquid):
    assert freezes_at_c(liquid) == 0.0
    assert salts_out_at_c(liquid) is None


@pytest.mark.parametrize(
    "liquid",
    [antifreeze("propylene_glycol"), antifreeze("antifreeze", 50.0), antifreeze("isopropanol", 40.0)],
    ids=["no strength", "no composition", "no table"],
)
def test_antifreeze_of_unknown_worth_counts_as_water(liquid):
    assert freezes_at_c(liquid) == 0.0


def test_a_measured_point_wins_over_the_strength():
    assert freezes_at_c(antifreeze("propylene_glycol", 50.0, measured_at_c=-20.0)) == -20.0
    assert freezes_at_c(antifreeze("isopropanol", measured_at_c=-15.0)) == -15.0


def test_a_reading_above_freezing_is_water():
    assert freezes_at_c(antifreeze("propylene_glycol", 50.0, measured_at_c=3.0)) == 0.0


@pytest.mark.parametrize("reading_c", [-60.1, -200.0, float("nan"), float("inf")])
def test_a_burst_rating_is_no_reading(reading_c):
    with pytest.raises(BadInput, match="burst rating"):
        freezes_at_c(antifreeze("propylene_glycol", measured_at_c=reading_c))


@pytest.mark.parametrize("strength", [-1.0, 100.1, float("nan")])
def test_an_impossible_strength_is_refused(strength):
    with pytest.raises(BadInput, match="0 to 100"):
        freezes_at_c(antifreeze("propylene_glycol", strength))
    with pytest.raises(BadInput, match="0 to 100"):
        liquid_named("pg", strength)


@given(name=st.sampled_from(["propylene_glycol", "methanol", "ethanol", "glycerol"]), weak=STRENGTHS, strong=STRENGTHS)
def test_stronger_is_never_warmer(name, weak, strong):
    weak, strong = sorted((weak, strong))
    assert antifreeze_first_ice_c(name, strong) <= antifreeze_first_ice_c(name, weak) + 1e-9


@given(weak=st.floats(min_value=0.0, max_value=55.0), strong=st.floats(min_value=0.0, max_value=55.0))
def test_stronger_ethylene_glycol_is_not_warmer_up_to_its_eutectic(weak, strong):
    weak, strong = sorted((weak, strong))
    assert antifreeze_first_ice_c("ethylene_glycol", strong) <= antifreeze_first_ice_c("ethylene_glycol", weak) + 1e-9


def test_very_strong_ethylene_glycol_freezes_warmer_again():
    assert antifreeze_first_ice_c("ethylene_glycol", 95.0) > antifreeze_first_ice_c("ethylene_glycol", 57.0)


@given(strength=STRENGTHS)
def test_nothing_freezes_above_0(strength):
    for name in ("propylene_glycol", "ethylene_glycol", "methanol"):
        assert antifreeze_first_ice_c(name, strength) <= 0.0


@given(target_c=st.floats(min_value=-40.0, max_value=-0.5))
def test_the_strength_for_a_target_reaches_it_and_no_weaker_does(target_c):
    strength = strength_for_first_ice_vol_pct("propylene_glycol", target_c)
    assert strength is not None
    assert antifreeze_first_ice_c("propylene_glycol", strength) <= target_c + 1e-6
    assert antifreeze_first_ice_c("propylene_glycol", strength - 0.1) > target_c


def test_no_strength_reaches_what_cannot_be_reached():
    assert strength_for_first_ice_vol_pct("propylene_glycol", -55.0) is None
    assert strength_for_first_ice_vol_pct("isopropanol", -5.0) is None
    assert strength_for_first_ice_vol_pct("propylene_glycol", 0.0) == 0.0


def test_alcohols_are_flagged():
    assert is_alcohol(liquid_named("methanol", 30.0))
    assert is_alcohol(liquid_named("67-63-0"))
    assert not is_alcohol(liquid_named("pg", 30.0))
    assert not is_alcohol(WATER)
