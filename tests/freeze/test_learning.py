"""What a site teaches."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.freeze.assess import assess
from carewatch.freeze.learning import NOTHING_LEARNED, Pair, learn, night_error
from carewatch.freeze.night_error import default_error
from carewatch.weather.forecast import Grade
from tests.freeze.farm import NOW, case

ERRORS_C = st.lists(st.floats(min_value=-8.0, max_value=8.0), max_size=40)


def pairs(errors_c, *, grade=Grade.OFFICIAL, lead_h=24.0) -> list[Pair]:
    return [
        Pair(
            night=date(2026, 10, 1) + timedelta(days=i),
            grade=grade,
            lead_h=lead_h,
            forecast_min_c=2.0,
            observed_min_c=2.0 + error_c,
        )
        for i, error_c in enumerate(errors_c)
    ]


def test_nothing_learned_is_the_default():
    assert learn(()) == NOTHING_LEARNED
    for grade in Grade:
        ours = night_error(grade, lead_h=48.0, forecast_min_c=1.0)
        default = default_error(grade, night=2.0, forecast_min_c=1.0)
        assert (ours.centres_c, ours.floor) == (default.centres_c, default.floor)
        assert ours.kernel_sd_c == pytest.approx(default.kernel_sd_c)


@given(errors_c=ERRORS_C, data=st.data())
def test_the_order_of_nights_does_not_matter(errors_c, data):
    one, other = pairs(errors_c), data.draw(st.permutations(pairs(errors_c)))
    first, second = learn(one), learn(other)
    assert first.bias_c == pytest.approx(second.bias_c, abs=1e-9)
    assert first.spread_scale == pytest.approx(second.spread_scale)


@given(errors_c=ERRORS_C)
def test_what_is_learned_lies_between_the_default_and_the_record(errors_c):
    learned = learn(pairs(errors_c))
    mean_c = sum(errors_c) / len(errors_c) if errors_c else 0.0
    assert min(mean_c, 0.0) - 1e-9 <= learned.bias_c <= max(mean_c, 0.0) + 1e-9
    assert learned.bias_c <= 1.0
    assert 0.0 < learned.bias_sd_c <= 1.0


def test_many_nights_beat_the_default_and_few_do_not():
    few, many = learn(pairs([-2.0, -1.8, -2.2])), learn(pairs([-2.0, -1.8, -2.2] * 60))
    assert -1.2 < few.bias_c < -0.5
    assert many.bias_c == pytest.approx(-2.0, abs=0.05)
    assert many.spread_scale == 0.6 < few.spread_scale
    assert many.bias_sd_c < 0.2


def test_a_cold_hollow_is_warned_earlier_and_a_warm_site_only_a_little_later():
    chances = [
        night_error(Grade.OFFICIAL, lead_h=24.0, forecast_min_c=3.0, learned=learn(pairs(errors_c))).cdf(-3.0)
        for errors_c in ([-3.0, -2.0] * 40, [], [3.0, 2.0] * 40)
    ]
    assert chances[0] > chances[1] > chances[2] >= 0.01


def test_raw_models_are_learned_beyond_their_default_bias():
    assert learn(pairs([-0.5] * 50, grade=Grade.RAW)).bias_c == pytest.approx(0.0)


@pytest.mark.parametrize("error_c", [15.0, -15.0, float("nan"), float("inf")])
def test_slips_teach_nothing(error_c):
    assert learn(pairs([error_c] * 5)) == NOTHING_LEARNED


def test_members_and_spread_are_moved_too():
    learned = learn(pairs([-2.0] * 80))
    for more in ({"spread_c": 2.0}, {"members_min_c": (1.0, 2.0, 3.0)}):
        before = night_error(Grade.OFFICIAL, lead_h=24.0, forecast_min_c=2.0, **more)
        after = night_error(Grade.OFFICIAL, lead_h=24.0, forecast_min_c=2.0, learned=learned, **more)
        assert after.mean_c == pytest.approx(before.mean_c + learned.bias_c)


def test_the_outlook_uses_what_the_site_has_learned():
    one = case(4.0)
    cold_site = replace(one, learned=learn(pairs([-2.5, -1.5] * 40)))
    (before, *_), (after, *_) = assess([one, cold_site], now=NOW)
    assert after.chance > before.chance
    assert after.margin_c == pytest.approx(before.margin_c)
