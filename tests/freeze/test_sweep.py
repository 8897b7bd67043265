"""Sweeps over many nights: the same margins however the work is cut, and none of the short cuts moves one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from carewatch.freeze import sweep as sweeping
from carewatch.freeze.engines import engine_named, fastest, has_numba
from carewatch.freeze.exchange import MARKS, Forcing
from carewatch.freeze.kernel import SUB_STEPS, SWEEP_SUB_STEPS, run_numpy
from carewatch.freeze.margin import TOLERANCE_C, freeze_margins_c
from carewatch.freeze.parts import BOOM_PIPE, HOSES, PUMP, TANK, VALVE
from carewatch.freeze.sweep import WINDS, night_margins_c, nights_of, sweep
from tests.freeze.made_nights import chunks, made_nights

FOUR = (VALVE, BOOM_PIPE, HOSES, PUMP)


def test_made_nights_are_distinct_and_hard():
    weather = made_nights(500, seed=1)
    assert np.unique(weather.air_c, axis=1).shape[1] == 500
    assert 0.3 < np.mean(night_margins_c(weather, FOUR, kernel=fastest()) > 0.0) < 0.6
    assert weather.is_wet.any()


def test_a_chunk_cut_in_pieces_or_spread_over_threads_gives_the_same_margins(monkeypatch):
    work = list(chunks(90, at_once=40, seed=3))
    whole = [night_margins_c(chunk, FOUR, kernel=run_numpy) for chunk in work]
    assert [one.shape for one in whole] == [(40, 4), (40, 4), (10, 4)]
    monkeypatch.setattr(sweeping, "NIGHTS_AT_ONCE", 7)
    for found, expected in zip(sweep(iter(work), FOUR, kernel=run_numpy), whole, strict=True):
        assert found == pytest.approx(expected, abs=1e-9)


def test_no_nights_have_no_margins():
    none = Forcing(**{name: np.zeros((25, 0)) for name in MARKS})
    assert night_margins_c(none, FOUR, kernel=run_numpy).shape == (0, 4)
    assert list(sweep([], FOUR, kernel=run_numpy)) == []


@pytest.mark.skipif(not has_numba(), reason="the extra [fast] is not installed")
def test_both_engines_give_the_same_margins():
    weather = made_nights(150, seed=5)
    ours, theirs = (night_margins_c(weather, (*FOUR, TANK), kernel=engine_named(name)) for name in ("numpy", "numba"))
    assert theirs == pytest.approx(ours, abs=1e-5)


def test_leaving_winds_that_cannot_win_moves_no_margin():
    nights = nights_of(made_nights(1000, seed=6), FOUR)
    how = {"kernel": fastest(), "winds": WINDS, "sub_steps": SWEEP_SUB_STEPS}
    screened, every = freeze_margins_c(nights, **how), freeze_margins_c(nights, **how, follows_every_wind=True)
    assert np.array_equal(screened, every)


def test_ice_forms_just_below_the_margin_and_not_just_above():
    weather = made_nights(400, seed=7)
    nights = nights_of(weather, FOUR)
    margin_c = night_margins_c(weather, FOUR, kernel=fastest()).reshape(-1)
    every = np.arange(nights.parts.count)
    for beyond_c, freezes in ((-0.02, True), (0.02, False)):
        load = nights.under(np.repeat(margin_c + beyond_c, WINDS), every)
        onset_h = fastest()(load, sub_steps=SWEEP_SUB_STEPS).onset_h.reshape(-1, WINDS)
        wrong = np.any(~np.isnan(onset_h), axis=1) != freezes
        lowest_c = fastest()(load, sub_steps=SWEEP_SUB_STEPS, never_freezes=True).lowest_c.reshape(-1, WINDS)
        # where the coldest moment hardly moves with the shift, the margin is as good as the temperature: 0.01 K
        assert np.all(np.abs(lowest_c.min(axis=1)[wrong]) < TOLERANCE_C)
        assert wrong.mean() < 0.005


def test_four_steps_an_hour_move_margins_by_hundredths():
    weather = made_nights(300, seed=8)
    coarse, fine, finest = (
        night_margins_c(weather, FOUR, kernel=fastest(), sub_steps=steps) for steps in (SWEEP_SUB_STEPS, SUB_STEPS, 24)
    )
    assert np.abs(coarse - finest).max() < 0.15
    assert np.sqrt(np.mean((coarse - finest) ** 2)) < 0.03
    assert np.sqrt(np.mean((fine - finest) ** 2)) < np.sqrt(np.mean((coarse - finest) ** 2))


def test_strong_antifreeze_has_no_margin_and_unknown_weather_no_answer():
    weather = made_nights(20, seed=9)
    strong = replace(VALVE, freezes_at_c=-40.0)
    assert np.all(night_margins_c(weather, (strong,), kernel=run_numpy) == -np.inf)
    air_c = weather.air_c.copy()
    air_c[5, 3] = np.nan
    found = night_margins_c(replace(weather, air_c=air_c), (VALVE,), kernel=run_numpy)[:, 0]
    assert np.flatnonzero(np.isnan(found)).tolist() == [3]
