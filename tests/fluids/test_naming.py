"""What people type."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.fluids.freezing import freezes_at_c
from carewatch.fluids.liquid import UNKNOWN, WATER, LiquidKind
from carewatch.fluids.naming import liquid_named


@pytest.mark.parametrize("typed", ["water", " Water ", "clean water", "H2O"])
def test_water(typed):
    assert liquid_named(typed) == WATER


@pytest.mark.parametrize("typed", ["", "?", "unknown", "don't know"])
def test_unknown(typed):
    assert liquid_named(typed) == UNKNOWN


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("uan 28", "uan_28"),
        ("UAN-28", "uan_28"),
        ("UAN 28 %", "uan_28"),
        ("28-0-0", "uan_28"),
        ("uan_32", "uan_32"),
        ("10-34-0", "app_10_34_0"),
        ("ATS", "ats_12_0_0_26s"),
    ],
)
def test_fertilizers_by_grade(typed, name):
    liquid = liquid_named(typed)
    assert (liquid.kind, liquid.name) == (LiquidKind.FERTILIZER, name)


def test_uan_of_no_grade_is_the_one_that_salts_out_first():
    assert liquid_named("UAN").name == "uan_32"


@pytest.mark.parametrize("typed", ["pg", "PG", "Propylene Glycol", "propylene_glycol", "57-55-6"])
def test_antifreeze_keeps_its_strength(typed):
    liquid = liquid_named(typed, 40.0)
    assert (liquid.kind, liquid.name, liquid.strength_vol_pct) == (LiquidKind.ANTIFREEZE, "propylene_glycol", 40.0)


@given(st.text(max_size=40))
def test_text_nobody_knows_never_looks_safe(text):
    liquid = liquid_named(text)
    if liquid.kind in (LiquidKind.PRODUCT, LiquidKind.UNKNOWN):
        assert freezes_at_c(liquid) == 0.0


def test_a_product_keeps_its_name_and_no_strength():
    liquid = liquid_named("  Weedkiller 480 ", 30.0)
    assert (liquid.kind, liquid.name, liquid.strength_vol_pct) == (LiquidKind.PRODUCT, "Weedkiller 480", None)
