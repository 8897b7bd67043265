"""The error of the night minimum."""

from __future__ import annotations

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.errors import BadInput
from carewatch.freeze.night_error import (
    FLOOR,
    NightError,
    default_error,
    default_spread_c,
    error_from_members,
    error_from_spread,
    nights_ahead,
)
from carewatch.freeze.odds import odds
from carewatch.weather.forecast import Grade

GRADES = st.sampled_from(list(Grade))
NIGHTS = st.floats(min_value=1.0, max_value=12.0)


def some_error(grade: Grade, night: float, kind: str) -> NightError:
    if kind == "members":
        return error_from_members(grade, night=night, forecast_min_c=1.0, members_min_c=(1.0, -3.0, 2.0, 6.0))
    if kind == "spread":
        return error_from_spread(grade, night=night, forecast_min_c=1.0, spread_c=2.5)
    return default_error(grade, night=night, forecast_min_c=1.0)


KINDS = st.sampled_from(["default", "spread", "members"])


@given(grade=GRADES, night=NIGHTS, kind=KINDS, p=st.floats(min_value=0.011, max_value=0.999))
def test_quantile_undoes_the_chance(grade, night, kind, p):
    error = some_error(grade, night, kind)
    assert error.cdf(error.quantile(p)) == pytest.approx(p, abs=1e-6)


@given(grade=GRADES, night=NIGHTS, kind=KINDS, a=st.floats(-40, 40), b=st.floats(-40, 40))
def test_a_larger_margin_is_never_less_likely(grade, night, kind, a, b):
    error = some_error(grade, night, kind)
    low, high = sorted((a, b))
    assert 0.0 <= error.cdf(low) <= error.cdf(high) <= 1.0


@given(grade=GRADES, near=NIGHTS, far=NIGHTS)
def test_further_ahead_is_never_surer(grade, near, far):
    near, far = sorted((near, far))
    assert default_spread_c(grade, night=far) >= default_spread_c(grade, night=near)
    assert default_spread_c(Grade.RAW, night=near) > default_spread_c(Grade.OFFICIAL, night=near)


@given(spread_c=st.floats(min_value=0.0, max_value=10.0), night=NIGHTS, grade=GRADES)
def test_a_services_own_spread_is_never_much_surer_than_the_default(spread_c, night, grade):
    error = error_from_spread(grade, night=night, forecast_min_c=1.0, spread_c=spread_c)
    least_c = default_spread_c(grade, night=night) - 0.3
    assert error.spread_c == pytest.approx(max(sqrt(spread_c**2 + 1.5**2), least_c))


@given(members=st.lists(st.floats(min_value=-20, max_value=20), min_size=1, max_size=30), night=NIGHTS)
def test_members_are_never_much_surer_than_the_default(members, night):
    error = error_from_members(Grade.OFFICIAL, night=night, forecast_min_c=0.0, members_min_c=members)
    assert error.spread_c >= default_spread_c(Grade.OFFICIAL, night=night) - 0.3 - 1e-6


def test_the_floor_holds_near_freezing_and_not_for_impossible_errors():
    cold, mild = (default_error(Grade.OFFICIAL, night=1, forecast_min_c=low) for low in (4.9, 5.0))
    assert cold.cdf(-9.0) == FLOOR
    assert mild.cdf(-9.0) < 1e-4
    assert cold.cdf(-12.0) < 1e-6
    assert cold.cdf(float("-inf")) == 0.0


def test_raw_models_are_taken_to_be_too_warm():
    assert default_error(Grade.RAW, night=1, forecast_min_c=0.0).mean_c == -0.5
    assert default_error(Grade.OFFICIAL, night=1, forecast_min_c=0.0).mean_c == 0.0
    members = error_from_members(Grade.RAW, night=1, forecast_min_c=2.0, members_min_c=(1.0, 3.0))
    assert members.mean_c == pytest.approx(-0.5)


@pytest.mark.parametrize(("lead_h", "expected"), [(0.0, 1.0), (-5.0, 1.0), (24.0, 1.0), (36.0, 1.5), (48.0, 2.0)])
def test_rows_of_the_table_are_24_hours_apart(lead_h, expected):
    assert nights_ahead(lead_h) == expected


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: default_spread_c(Grade.RAW, night=0),
        lambda: default_spread_c(Grade.RAW, night=1, site_sd_c=-1.0),
        lambda: default_error(Grade.RAW, night=1, forecast_min_c=0.0).quantile(0.0),
        lambda: error_from_members(Grade.RAW, night=1, forecast_min_c=0.0, members_min_c=()),
        lambda: odds(),
        lambda: odds(low_c=float("nan")),
        lambda: odds(low_c=0.0, night=0),
        lambda: odds(members_c=()),
    ],
)
def test_impossible_values_are_refused(wrong):
    with pytest.raises(BadInput):
        wrong()


def test_odds_by_members():
    found = odds(members_c=(-2.0, -1.0, 0.5, 3.0, 4.0))
    assert 0.3 < found.chance < 0.5
    assert odds(members_c=(-2.0, -1.0, 0.5, 3.0, 4.0), harm_c=-4.0).chance < found.chance
