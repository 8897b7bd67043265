"""Hourly arrays from steps, totals and instants; gaps and impossible values."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from carewatch.weather.series import fill_gaps, from_instants, from_steps, from_totals, lowest, without_impossible

START = datetime(2026, 10, 3, 0, tzinfo=UTC)
NAN = np.nan


def at(hour: float) -> datetime:
    return START + timedelta(hours=hour)


def test_step_is_half_open():
    series = from_steps([(at(1), at(3), 5.0)], start_at=START, hours=5)
    assert series.tolist() == pytest.approx([NAN, 5.0, 5.0, NAN, NAN], nan_ok=True)


def test_step_that_reaches_outside_is_cut():
    series = from_steps([(at(-50), at(1), 1.0), (at(4), at(900), 2.0)], start_at=START, hours=5)
    assert series.tolist() == pytest.approx([1.0, NAN, NAN, NAN, 2.0], nan_ok=True)


def test_step_off_the_hour_counts_at_the_hour_marks_it_holds():
    # recorded: a few layers of the US service end one second off
    series = from_steps([(at(0), at(2) + timedelta(seconds=1), 5.0)], start_at=START, hours=4)
    assert series[:3].tolist() == [5.0, 5.0, 5.0]
    assert np.isnan(series[3])


def test_total_keeps_its_sum():
    series = from_totals([(at(0), at(6), 6.6), (at(6), at(7), 1.0)], start_at=START, hours=8)
    assert np.nansum(series) == pytest.approx(7.6)
    assert series[0] == pytest.approx(1.1)


def test_instant_between_hour_marks_is_left_out():
    series = from_instants([(at(1), 1.0), (at(2.5), 9.0), (at(77), 9.0)], start_at=START, hours=4)
    assert series.tolist() == pytest.approx([NAN, 1.0, NAN, NAN], nan_ok=True)


def test_gap_of_six_hours_is_interpolated_and_counted():
    series, filled = fill_gaps(np.array([0.0, *[NAN] * 6, 7.0]))
    assert filled == 6
    assert series == pytest.approx(np.arange(8.0))


def test_gap_of_seven_hours_stays_unknown():
    series, filled = fill_gaps(np.array([0.0, *[NAN] * 7, 8.0]))
    assert filled == 0
    assert np.isnan(series[1:8]).all()


def test_ends_are_never_extrapolated():
    series, filled = fill_gaps(np.array([NAN, 1.0, NAN]))
    assert filled == 0
    assert np.isnan(series[[0, 2]]).all()


@given(arrays.arrays(float, st.integers(0, 30), elements=st.floats(-60, 50) | st.just(NAN)))
def test_filling_keeps_what_is_known_and_stays_between_neighbours(series):
    filled, count = fill_gaps(series)
    known = ~np.isnan(series)
    assert np.array_equal(filled[known], series[known])
    assert count == int(np.isnan(series).sum() - np.isnan(filled).sum())
    if known.any():
        assert np.nanmin(filled) == np.nanmin(series)
        assert np.nanmax(filled) == np.nanmax(series)


def test_impossible_values_are_counted_and_unknown():
    series, strange = without_impossible(np.array([-71.0, 0.0, 61.0, NAN]), lowest=-70.0, highest=60.0)
    assert strange == 2
    assert series.tolist() == pytest.approx([NAN, 0.0, NAN, NAN], nan_ok=True)


def test_lowest_of_nothing_is_unknown():
    assert lowest(np.array([NAN, NAN])) is None
    assert lowest(np.array([])) is None
    assert lowest(np.array([NAN, 3.0, -2.0])) == -2.0
