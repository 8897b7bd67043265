"""The margin search, the parts, the surroundings."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.fluids.liquid import WATER
from carewatch.fluids.naming import liquid_named
from carewatch.freeze.forcing import surroundings
from carewatch.freeze.kernel import run_numpy
from carewatch.freeze.margin import Nights, freeze_margins_c
from carewatch.freeze.parts import (
    OTHER_LIQUID_J_PER_KGK,
    TANK,
    VALVE,
    WATER_J_PER_KGK,
    default_part,
    holding,
    pipe_part,
    with_figures,
)
from carewatch.logbook.state import Fill
from carewatch.roster.model import PLUMBING_PARTS, PartFigures, PlaceKind
from tests.freeze.farm import START, daily_air_c, held, site, stay, weather
from tests.freeze.test_kernel import ALL, falling_c, night


def one_night(low_c: float, **weather_changes) -> Nights:
    load = night(ALL, falling_c(low_c), **weather_changes)
    return Nights(
        parts=load.parts,
        forcing=load.forcing,
        moves=np.ones_like(load.forcing.air_c),
        start_c=np.full(len(ALL), 8.0),
        first_h=load.first_h,
        last_h=load.last_h,
    )


@given(
    low_c=st.floats(min_value=-15.0, max_value=15.0),
    wind_mps=st.floats(min_value=0.1, max_value=8.0),
    cloud=st.floats(min_value=0.0, max_value=1.0),
)
@settings(max_examples=15, deadline=None)
def test_ice_forms_just_below_the_margin_and_not_just_above(low_c, wind_mps, cloud):
    nights = one_night(low_c, wind_mps=wind_mps, cloud_fraction=cloud)
    margin_c = freeze_margins_c(nights)
    assert np.all(np.isfinite(margin_c))
    for beyond, freezes in ((-0.05, True), (0.05, False)):
        shift_c = margin_c + beyond
        load = night(ALL, falling_c(low_c), wind_mps=wind_mps, cloud_fraction=cloud)
        start_c = np.maximum(8.0 + np.minimum(shift_c, 0.0), 0.0)
        shifted = replace(load, forcing=load.forcing.shifted(shift_c), start_j=load.parts.enthalpy_j(start_c))
        assert np.array_equal(~np.isnan(run_numpy(shifted).onset_h), np.full(len(ALL), freezes))


@given(low_c=st.floats(min_value=-10.0, max_value=10.0), shift_c=st.floats(min_value=0.0, max_value=5.0))
@settings(max_examples=10, deadline=None)
def test_the_margin_moves_with_the_weather(low_c, shift_c):
    nights = one_night(low_c)
    colder = replace(
        nights, forcing=nights.forcing.shifted(np.full(len(ALL), -shift_c)), start_c=nights.start_c - shift_c
    )
    before, after = freeze_margins_c(nights), freeze_margins_c(colder)
    assert np.all(after >= before - 0.02)
    fast = [0, 1, 2]
    assert after[fast] == pytest.approx(before[fast] + shift_c, abs=0.35)


def test_no_shift_freezes_what_is_held_warm_or_far_from_freezing():
    nights = one_night(5.0)
    assert np.all(freeze_margins_c(replace(nights, moves=np.zeros_like(nights.moves))) == -np.inf)
    warm = replace(nights, forcing=nights.forcing.shifted(np.full(len(ALL), 30.0)), start_c=np.full(len(ALL), 38.0))
    assert np.all(freeze_margins_c(warm) == -np.inf)


def test_a_night_without_a_single_hour_has_no_margin():
    nights = one_night(-5.0)
    assert np.all(freeze_margins_c(replace(nights, last_h=nights.first_h)) == -np.inf)


def test_the_margin_of_a_deadly_night_is_capped():
    nights = one_night(-60.0)
    assert np.all(freeze_margins_c(nights) <= 40.0)
    assert freeze_margins_c(nights)[0] == 40.0


def test_the_worst_wind_of_a_group_has_the_margin_it_would_have_alone():
    rng = np.random.default_rng(8)
    lows_c = np.repeat(rng.uniform(-12.0, 8.0, 30), 3)
    air_c = 8.0 + (lows_c - 8.0) * np.sin(np.linspace(0.0, 0.5 * np.pi, 15))[:, None]
    parts = tuple(ALL[i % len(ALL)] for i in range(30) for _ in range(3))
    load = night(parts, falling_c(0.0))
    forcing = replace(
        load.forcing, air_c=air_c, dew_c=air_c - 3.0, wind_mps=load.forcing.wind_mps * np.tile([1.0, 0.5, 2.0], 30)
    )
    alone = Nights(
        parts=load.parts,
        forcing=forcing,
        moves=np.ones_like(air_c),
        start_c=np.full(90, 8.0),
        first_h=load.first_h,
        last_h=load.last_h,
    )
    worst_c = freeze_margins_c(alone).reshape(-1, 3).max(axis=1)
    assert freeze_margins_c(alone, winds=3) == pytest.approx(worst_c, abs=0.03)
    guessed = replace(alone, likely_low_c=lows_c + 0.3, guessed_low_c=lows_c)
    assert freeze_margins_c(guessed, winds=3) == pytest.approx(worst_c, abs=0.03)
    no_guess = replace(alone, likely_low_c=np.full(90, np.nan), guessed_low_c=lows_c)
    assert freeze_margins_c(no_guess, winds=3) == pytest.approx(worst_c, abs=0.03)
    wild = replace(alone, likely_low_c=rng.uniform(-60.0, 60.0, 90), guessed_low_c=lows_c)
    assert freeze_margins_c(wild, winds=3) == pytest.approx(worst_c, abs=0.03)


@pytest.mark.parametrize("key", ["valve", "valve.front", *PLUMBING_PARTS])
def test_every_wetted_part_has_a_geometry(key):
    part = default_part(key)
    assert min(part.diameter_mm, part.area_m2, part.liquid_kg, part.wall_j_per_k) > 0.0
    assert 0.0 < part.skin_share <= 1.0


def test_an_unknown_part_is_taken_as_the_most_exposed():
    assert default_part("something_new") == VALVE


def test_figures_replace_one_by_one():
    own = with_figures(VALVE, PartFigures(diameter_mm=50.0, sky_view=0.0))
    assert own == replace(VALVE, diameter_mm=50.0, sky_view=0.0)
    assert with_figures(VALVE, None) == VALVE
    fuller = with_figures(TANK, PartFigures(liquid_kg=3000.0))
    assert fuller.skin_share < TANK.skin_share


def test_pockets_are_little_liquid_that_harms_later():
    full = holding(VALVE, held("valve.front"), pockets_harm_c=3.0)
    pockets = holding(VALVE, held("valve.front", fill=Fill.POCKETS), pockets_harm_c=3.0)
    assert (full.freezes_at_c, pockets.freezes_at_c) == (0.0, -3.0)
    assert pockets.liquid_kg < full.liquid_kg


def test_other_liquids_cool_no_slower_than_water():
    glycol = holding(VALVE, held("valve.front", liquid_named("pg", 40.0)), pockets_harm_c=3.0)
    assert glycol.liquid_j_per_kgk == OTHER_LIQUID_J_PER_KGK < WATER_J_PER_KGK
    assert holding(VALVE, held("valve.front", WATER), pockets_harm_c=3.0).liquid_j_per_kgk == WATER_J_PER_KGK


def test_insulation_adds_resistance():
    pipe = {
        "inner_mm": 22.4,
        "wall_mm": 1.5,
        "density_kg_per_m3": 7900.0,
        "heat_j_per_kgk": 477.0,
        "conductivity_w_per_mk": 15.0,
        "emissivity": 0.9,
    }
    assert (
        pipe_part(**pipe, insulation_mm=10.0, insulation_w_per_mk=0.04).wall_m2k_per_w
        > pipe_part(**pipe).wall_m2k_per_w
    )


def test_a_shed_delays_and_damps():
    feels = surroundings(weather(-5.0), site=site(), stays=(stay(PlaceKind.UNHEATED_SHED, "shed"),))
    outside = surroundings(weather(-5.0), site=site(), stays=(stay(),))
    last = slice(24, 72)
    assert feels.air_c[last].min() > outside.air_c[last].min() + 0.5
    assert feels.air_c[last].argmin() > outside.air_c[last].argmin()
    assert np.all(feels.sky_open == 0.0)


def test_a_shop_that_loses_its_heat_starts_as_warm_as_it_was():
    off_at = START + timedelta(hours=30)
    feels = surroundings(
        weather(-10.0), site=site(), stays=(stay(PlaceKind.HEATED_SHOP, "shop", heat_known_until=off_at),)
    )
    assert np.all(feels.air_c[:30] == 10.0)
    assert np.all(np.diff(feels.air_c[29:36]) < 0.0)
    assert np.array_equal(feels.moves[28:32], [1.0 * (i >= 30) for i in range(28, 32)])


def test_clear_calm_air_is_colder_at_the_boom_and_the_ground_colder_still():
    calm = surroundings(weather(2.0, wind_mps=1.0, cloud=0.0), site=site(), stays=(stay(),))
    windy = surroundings(weather(2.0, wind_mps=6.0, cloud=0.0), site=site(), stays=(stay(),))
    cloudy = surroundings(weather(2.0, wind_mps=1.0, cloud=1.0), site=site(), stays=(stay(),))
    assert windy.air_c - calm.air_c == pytest.approx(0.5)
    assert cloudy.air_c - calm.air_c == pytest.approx(0.5)
    assert set(calm.ground_below_air_c) == {2.0}
    assert set(windy.ground_below_air_c) == {0.0}


def test_half_and_double_wind_are_tried():
    feels = surroundings(weather(2.0, wind_mps=4.0), site=site(), stays=(stay(),))
    assert feels.wind_mps[:, 0] / feels.wind_mps[0, 0] == pytest.approx([1.0, 0.5, 2.0])


def test_rain_keeps_it_wet_for_two_hours_more():
    known = weather(1.0, day_above_c=1.0)
    rain_mm = np.zeros_like(known.rain_mm)
    rain_mm[30] = 1.0
    rained = replace(known, rain_mm=rain_mm)
    feels = surroundings(rained, site=site(), stays=(stay(),))
    assert np.flatnonzero(feels.is_wet).tolist() == [30, 31, 32]
    roof = surroundings(rained, site=site(), stays=(stay(PlaceKind.OPEN_ROOF, "roof"),))
    assert not roof.is_wet.any()


def test_nothing_known_is_nothing_felt():
    known = weather(2.0)
    nights = tuple(replace(night, min_c=None) for night in known.nights)
    blind = replace(known, air_c=np.full_like(known.air_c, np.nan), nights=nights)
    assert surroundings(blind, site=site(), stays=(stay(),)) is None
    assert daily_air_c(2.0, hours=48).min() == pytest.approx(2.0)
