"""What a site teaches."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.freeze.assess import assess
from carewatch.freeze.learning import NO_LESSON, NOTHING_LEARNED, Lesson, Pair, learn, learn_each, night_error
from carewatch.freeze.night_error import default_error
from carewatch.weather.forecast import Grade
from tests.freeze.farm import NOW, case

FIRST = date(2026, 10, 1)
FORECAST_C = 2.13  # no multiple of half a degree or of whole °F, so that errors below do not look rounded
ERRORS_C = st.lists(st.floats(min_value=-8.0, max_value=8.0), max_size=40)


def pairs(errors_c, *, grade=Grade.OFFICIAL, lead_h=24.0, forecast_c=FORECAST_C) -> list[Pair]:
    return [
        Pair(
            night=FIRST + timedelta(days=i),
            grade=grade,
            lead_h=lead_h,
            forecast_min_c=forecast_c,
            observed_min_c=forecast_c + error_c,
        )
        for i, error_c in enumerate(errors_c)
    ]


def lesson(errors_c, **more) -> Lesson:
    return learn(pairs(errors_c, **more)).at(24.0)


def test_nothing_learned_is_the_default():
    assert learn(()) == NOTHING_LEARNED
    for grade in Grade:
        ours = night_error(grade, lead_h=48.0, forecast_min_c=1.0)
        default = default_error(grade, night=2.0, forecast_min_c=1.0)
        assert (ours.centres_c, ours.floor) == (default.centres_c, default.floor)
        assert ours.kernel_sd_c == pytest.approx(default.kernel_sd_c)


@given(errors_c=ERRORS_C, data=st.data())
def test_the_order_of_nights_does_not_matter(errors_c, data):
    one = pairs(errors_c)
    first, second = learn(one).at(24.0), learn(data.draw(st.permutations(one))).at(24.0)
    assert first.bias_c == pytest.approx(second.bias_c, abs=1e-9)
    assert first.spread_scale == pytest.approx(second.spread_scale)
    assert first.half_step_c == pytest.approx(second.half_step_c)


@given(errors_c=ERRORS_C)
def test_what_is_learned_lies_between_the_default_and_the_record(errors_c):
    learned = lesson(errors_c)
    assert min([*errors_c, 0.0]) - 1e-9 <= learned.bias_c <= max([*errors_c, 0.0]) + 1e-9
    assert learned.bias_c <= 1.0
    assert 0.0 < learned.bias_sd_c <= 1.0
    assert 0.0 <= learned.half_step_c <= 0.5


def test_many_nights_beat_the_default_and_few_do_not():
    few, many = lesson([-2.0, -1.8, -2.2]), lesson([-2.0, -1.8, -2.2] * 60)
    assert -1.2 < few.bias_c < -0.5
    assert many.bias_c == pytest.approx(-2.0, abs=0.15)
    assert many.spread_scale == 0.6 < few.spread_scale
    assert many.bias_sd_c < 0.3


def test_bias_and_uncertainty_of_one_night_by_hand():
    """Default spread 1.8 °C against a site spread of 1.0: a night weighs 1 / (1 + 1.8^2) = 0.236."""
    found = lesson([-0.9])
    assert found.bias_c == pytest.approx(-0.9 * 0.2358, abs=1e-4)
    assert found.bias_sd_c == pytest.approx(0.7642**0.5, abs=1e-4)
    assert (found.spread_scale, found.nights) == (1.0, 1)


def test_recent_nights_weigh_more_and_old_ones_are_not_forgotten():
    was_cold, now_right = [-3.0] * 60, [0.0] * 60
    assert lesson(was_cold + now_right).bias_c > lesson(now_right + was_cold).bias_c
    over_summer = learn(pairs(was_cold), on=FIRST + timedelta(days=365)).at(24.0)
    assert lesson(was_cold).bias_c < over_summer.bias_c < -1.5


def test_a_cold_hollow_is_warned_earlier_and_a_warm_site_only_a_little_later():
    chances = [
        night_error(Grade.OFFICIAL, lead_h=24.0, forecast_min_c=3.0, learned=learn(pairs(errors_c))).cdf(-3.0)
        for errors_c in ([-3.0, -2.0] * 40, [], [3.0, 2.0] * 40)
    ]
    assert chances[0] > chances[1] > chances[2] >= 0.01


def test_of_a_warm_bias_half_is_believed_and_of_a_cold_one_all():
    assert lesson([1.2] * 50).bias_c == pytest.approx(-0.5 * lesson([-1.2] * 50).bias_c)
    assert lesson([4.0] * 200).bias_c == 1.0


def test_raw_models_are_learned_beyond_their_default_bias():
    assert lesson([-0.5] * 50, grade=Grade.RAW).bias_c == pytest.approx(0.0)


def test_each_lead_has_its_lesson_and_a_lead_without_record_borrows_the_nearest():
    learned = learn([*pairs([-2.0] * 40, lead_h=20.0), *pairs([1.0] * 40, lead_h=70.0)])
    assert [one.lead_h for one in learned.lessons] == [20.0, 70.0]
    assert learned.at(10.0) == learned.at(30.0) == learned.lessons[0]
    assert learned.at(160.0) == learned.lessons[1]


def test_several_forecasts_of_one_night_count_as_one_night():
    once = pairs([-1.0, 0.4, -2.0])
    twice = learn([*once, *once]).at(24.0)
    assert (twice.nights, twice.bias_c) == (3, pytest.approx(learn(once).at(24.0).bias_c))


@pytest.mark.parametrize(
    ("readings_c", "half_step_c"),
    [
        ([0.0, 1.0, -3.0, 5.0, 2.0], 0.5),
        ([(f - 32) / 1.8 for f in (28, 31, 33, 36, 40)], 0.5 / 1.8),
        ([-2.22, 0.56, 1.67, -1.11, 2.78], 0.5 / 1.8),
        ([0.5, 1.0, -2.5, 3.0, 2.0], 0.25),
        ([0.1, 1.3, -2.7, 3.0, 2.4], 0.0),
    ],
    ids=["whole °C", "whole °F", "whole °F in hundredths of °C", "half °C", "tenths"],
)
def test_a_site_that_reads_in_steps_freezes_up_to_half_a_step_earlier(readings_c, half_step_c):
    record = [
        Pair(night=FIRST + timedelta(days=i), grade=Grade.OFFICIAL, lead_h=24.0, forecast_min_c=c, observed_min_c=c)
        for i, c in enumerate(readings_c * 40)
    ]
    learned = learn(record)
    believed = 1.0 - learned.at(24.0).bias_sd_c ** 2  # as much as the record weighs against the default
    assert learned.at(24.0).half_step_c == pytest.approx(believed * half_step_c)
    assert believed > 0.9
    error = night_error(Grade.OFFICIAL, lead_h=24.0, forecast_min_c=2.0, learned=learned)
    assert error.mean_c == pytest.approx(-learned.at(24.0).half_step_c)


@pytest.mark.parametrize("error_c", [8.4, -8.4, 15.0, -15.0, float("nan"), float("inf")])
def test_slips_teach_nothing(error_c):
    assert learn(pairs([error_c] * 5)) == NOTHING_LEARNED
    assert learn_each(pairs([error_c]), moments=[(FIRST, FIRST)]) == [NO_LESSON]


def test_one_wild_night_does_not_rule():
    """An error counts up to three default spreads (5.4 °C): one of -8 teaches what one of -5.4 does."""
    calm = [0.3, -0.2] * 20
    assert lesson([*calm, -8.0]) == lesson([*calm, -5.4])


def test_members_and_spread_are_moved_too():
    learned = learn(pairs([-2.0] * 80))
    for more in ({"spread_c": 2.0}, {"members_min_c": (1.0, 2.0, 3.0)}):
        before = night_error(Grade.OFFICIAL, lead_h=24.0, forecast_min_c=2.0, **more)
        after = night_error(Grade.OFFICIAL, lead_h=24.0, forecast_min_c=2.0, learned=learned, **more)
        assert after.mean_c == pytest.approx(before.mean_c + learned.at(24.0).bias_c)


@given(errors_c=st.lists(st.floats(min_value=-8.0, max_value=8.0), min_size=1, max_size=20), data=st.data())
def test_each_moment_knows_what_learning_from_the_nights_before_it_gives(errors_c, data):
    record = pairs(errors_c)
    ahead = data.draw(st.integers(min_value=1, max_value=3))
    moments = [(pair.night, pair.night - timedelta(days=ahead)) for pair in record]
    for (on, until), found in zip(moments, learn_each(record, moments=moments), strict=True):
        alone = learn([pair for pair in record if pair.night <= until], on=on).at(24.0)
        assert found.nights == alone.nights
        assert found.bias_c == pytest.approx(alone.bias_c, abs=1e-9)
        assert found.bias_sd_c == pytest.approx(alone.bias_sd_c)
        assert found.spread_scale == pytest.approx(alone.spread_scale)
        assert found.half_step_c == pytest.approx(alone.half_step_c)


def test_the_outlook_uses_what_the_site_has_learned():
    one = case(4.0)
    cold_site = replace(one, learned=learn(pairs([-2.5, -1.5] * 40)))
    (before, *_), (after, *_) = assess([one, cold_site], now=NOW)
    assert after.chance > before.chance
    assert after.margin_c == pytest.approx(before.margin_c)
