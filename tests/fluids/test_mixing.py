"""Pushing a liquid through a boom that holds another."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.errors import BadInput
from carewatch.fluids.mixing import (
    full_mixing_vol_pct,
    left_fraction,
    litres_for_full_mixing,
    plug_flow_vol_pct,
    residual_mixing_vol_pct,
)

LITRES = st.floats(min_value=0.0, max_value=1000.0)
HELD = st.floats(min_value=0.1, max_value=500.0)
STOCK = st.floats(min_value=1.0, max_value=60.0)


@given(stock=STOCK, poured=LITRES, held=HELD)
def test_no_mixing_comes_out_stronger_than_the_stock(stock, poured, held):
    for mixed in (
        full_mixing_vol_pct(stock, poured_l=poured, held_l=held),
        plug_flow_vol_pct(stock, poured_l=poured, held_l=held),
        residual_mixing_vol_pct(stock, poured_l=poured, held_l=held),
    ):
        assert 0.0 <= mixed <= stock + 1e-9


@given(stock=STOCK, less=LITRES, more=LITRES, held=HELD)
def test_more_fluid_is_never_weaker(stock, less, more, held):
    less, more = sorted((less, more))
    for mixing in (full_mixing_vol_pct, plug_flow_vol_pct, residual_mixing_vol_pct):
        assert mixing(stock, poured_l=less, held_l=held) <= mixing(stock, poured_l=more, held_l=held) + 1e-9


@given(stock=STOCK, share=st.floats(min_value=0.01, max_value=0.98), held=HELD)
def test_the_litres_for_a_target_reach_it(stock, share, held):
    litres = litres_for_full_mixing(stock, target_vol_pct=stock * share, held_l=held)
    assert full_mixing_vol_pct(stock, poured_l=litres, held_l=held) == pytest.approx(stock * share)


def test_plug_flow_gives_nothing_until_the_held_water_is_out():
    assert plug_flow_vol_pct(50.0, poured_l=59.0, held_l=60.0) == 0.0
    assert plug_flow_vol_pct(50.0, poured_l=60.0, held_l=60.0) == 50.0


def test_nothing_poured_leaves_nothing():
    for mixing in (full_mixing_vol_pct, plug_flow_vol_pct, residual_mixing_vol_pct):
        assert mixing(50.0, poured_l=0.0, held_l=0.0) == 0.0


def test_an_empty_boom_takes_the_stock_as_it_is():
    for mixing in (full_mixing_vol_pct, plug_flow_vol_pct, residual_mixing_vol_pct):
        assert mixing(50.0, poured_l=5.0, held_l=0.0) == 50.0


def test_a_target_not_below_the_stock_is_refused():
    with pytest.raises(BadInput, match="stronger"):
        litres_for_full_mixing(40.0, target_vol_pct=40.0, held_l=60.0)
    assert litres_for_full_mixing(40.0, target_vol_pct=0.0, held_l=60.0) == 0.0


@pytest.mark.parametrize(("poured", "held"), [(-1.0, 10.0), (10.0, -1.0), (float("nan"), 10.0)])
def test_impossible_litres_are_refused(poured, held):
    with pytest.raises(BadInput, match="0 or more"):
        full_mixing_vol_pct(50.0, poured_l=poured, held_l=held)


@given(poured=LITRES, held=HELD, passes=st.integers(min_value=1, max_value=9))
def test_splitting_the_water_leaves_no_more(poured, held, passes):
    split = left_fraction(poured_l=poured, held_l=held, passes=passes + 1)
    assert split <= left_fraction(poured_l=poured, held_l=held, passes=passes) + 1e-12


def test_no_pass_is_refused_and_nothing_held_leaves_nothing():
    with pytest.raises(BadInput, match="1 or more"):
        left_fraction(poured_l=10.0, held_l=10.0, passes=0)
    assert left_fraction(poured_l=0.0, held_l=0.0, passes=1) == 0.0
