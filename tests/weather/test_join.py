"""Forecasts joined for one site: what a night may get down to, and when that must not reassure anybody."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.sources.nws_grid import read_grid
from carewatch.weather.forecast import Minimum
from carewatch.weather.join import join
from carewatch.weather.nights import night_on
from tests.sources.recordings import NWS_NOW, body
from tests.weather.conftest import make_forecast, make_site

SITE = make_site()
NOW = datetime(2026, 10, 3, 20, tzinfo=UTC)  # 15:00 at the site, three hours into night 1
NIGHT_1 = night_on(date(2026, 10, 3), SITE.tz)
H = timedelta(hours=1)


def flat(air_c=5.0, **more):
    return make_forecast(air_c, start_at=more.pop("start_at", NOW), **more)


def with_low(low_c, *, hour: int = 14, **more):
    """5 °C throughout, except one hour (14: 5 am of night 1 at the site)."""
    air_c = np.full(240, 5.0)
    air_c[hour] = low_c
    return flat(air_c, **more)


def first(*forecasts, now=NOW, **more):
    return join(SITE, forecasts, now=now, **more).nights[0]


# ------------------------------------------------------------------------------------------------ night minimum


def test_night_minimum_is_that_of_the_hours():
    night = first(with_low(-1.5))
    assert night.min_c == -1.5
    assert night.coldest_at == NOW + 14 * H
    assert night.lead_h == 14
    assert (night.colder_c, night.is_usable, night.because) == (0.0, True, ())


def test_lower_service_minimum_counts_and_its_difference_is_told():
    low = Minimum(start_at=NOW + 3 * H, end_at=NOW + 17 * H, air_c=-3.2)
    night = first(with_low(-1.5, minima=(low,)))
    assert night.min_c == -3.2
    assert night.colder_c == pytest.approx(1.7)
    assert night.because == ("First gives a low of -3.2 °C, its hours only -1.5 °C; the lower counts.",)


def test_higher_service_minimum_changes_nothing():
    low = Minimum(start_at=NOW + 3 * H, end_at=NOW + 17 * H, air_c=2.0)
    night = first(with_low(-1.5, minima=(low,)))
    assert (night.min_c, night.colder_c) == (-1.5, 0.0)


def test_recorded_nebraska_nights_take_the_lower_of_both():
    # recorded 2024-12-03: minTemperature of the first nights -8.9, -2.8, -11.1, -9.4 °C (read from the file)
    site = make_site(elevation_m=300.0)
    weather = join(site, [read_grid(body("nws/gridpoints_raw_OAX_59_58.json"), fetched_at=NWS_NOW)], now=NWS_NOW)
    assert [round(night.min_c, 1) for night in weather.nights[:4]] == [-8.9, -2.8, -11.1, -9.4]
    assert all(0.5 < night.colder_c < 1.7 for night in weather.nights)
    assert all(night.is_usable for night in weather.nights)


def test_service_minimum_belongs_to_the_night_its_middle_lies_in():
    # 06 to 12 UTC of the next morning, in Norway: the window reaches one hour past local noon of the following night
    site = make_site(zone="Europe/Oslo")
    now = datetime(2026, 11, 3, 12, tzinfo=UTC)
    low = Minimum(start_at=datetime(2026, 11, 4, 6, tzinfo=UTC), end_at=datetime(2026, 11, 4, 12, tzinfo=UTC), air_c=-6)
    nights = join(site, [make_forecast(3.0, start_at=now, minima=(low,))], now=now).nights
    assert nights[0].min_c == -6.0
    assert nights[1].min_c == 3.0


@pytest.mark.parametrize(
    ("on", "hours"), [(date(2026, 10, 31), 25), (date(2026, 3, 7), 23)], ids=["autumn-25-h", "spring-23-h"]
)
def test_night_across_a_clock_change_counts_hours_in_utc(on, hours):
    # US clocks change on 2026-11-01 and 2026-03-08 (Energy Policy Act of 2005, section 110)
    night = night_on(on, SITE.tz)
    now = night.start_at
    air_c = np.full(240, 5.0)
    air_c[hours - 1] = -1.0  # the last hour of the night
    air_c[hours] = -9.0  # the first of the next
    nights = join(SITE, [make_forecast(air_c, start_at=now)], now=now).nights
    assert nights[0].min_c == -1.0
    assert nights[1].min_c == -9.0


# ------------------------------------------------------------------------------------------------ missing and old


def test_without_any_forecast_nothing_is_usable_and_no_minimum_is_made_up():
    weather = join(SITE, [], now=NOW)
    assert weather.forecast is None
    assert weather.air_c.size == 0
    assert {night.is_usable for night in weather.nights} == {False}
    assert {night.min_c for night in weather.nights} == {None}
    assert weather.because == ("There is no forecast for this place.",)


def holes(hours: range, **more):
    air_c = np.full(240, 5.0)
    air_c[hours.start : hours.stop] = np.nan
    return flat(air_c, **more)


def test_missing_hours_of_the_night_are_not_warm():
    night = first(holes(range(5, 13)))
    assert not night.is_usable
    assert night.because == ("Only 62% of the night's hours are known; the forecast is incomplete.",)


def test_nine_tenths_of_the_hours_are_enough():
    # 21 h are left of night 1 (15:00 to noon): two missing leave 90.5 %, three 85.7 %
    assert first(holes(range(5, 7))).is_usable
    assert not first(holes(range(5, 8))).is_usable


def test_service_minimum_stands_in_for_missing_hours():
    low = Minimum(start_at=NOW + 3 * H, end_at=NOW + 17 * H, air_c=1.0)
    night = first(holes(range(5, 13), minima=(low,)))
    assert night.is_usable
    assert night.min_c == 1.0
    assert any("own low stands in" in reason for reason in night.because)


def test_night_beyond_the_horizon_with_a_service_minimum_only():
    low = Minimum(start_at=NOW + 27 * H, end_at=NOW + 41 * H, air_c=-2.0)
    night = join(SITE, [flat(hours=21, minima=(low,))], now=NOW).nights[1]
    assert (night.min_c, night.coldest_at, night.colder_c) == (-2.0, None, 0.0)
    assert night.is_usable


def test_horizon_that_ends_before_dawn_is_told_but_its_frost_counts():
    night = first(flat(np.array([5.0] * 8 + [-1.0] * 2)))
    assert night.min_c == -1.0
    assert not night.is_usable


@pytest.mark.parametrize(
    ("age_h", "usable", "said"),
    [
        (11.9, True, ()),
        (14.0, True, ("The forecast is 14 h old.",)),
        (24.0, True, ("The forecast is 24 h old.",)),
        (24.1, False, ("The forecast is 24 h old; it can warn but not reassure.",)),
        (60.0, False, ("The forecast is 60 h old; it can warn but not reassure.",)),
    ],
)
def test_age_is_told_over_twelve_hours_and_ends_use_over_a_day(age_h, usable, said):
    night = first(with_low(-1.5, issued_at=NOW - age_h * H))
    assert (night.is_usable, night.because) == (usable, said)
    assert night.min_c == -1.5


def test_forecast_that_ended_days_ago_gives_no_night():
    weather = join(SITE, [flat(start_at=NOW - 500 * H, issued_at=NOW - 500 * H)], now=NOW)
    assert not any(night.is_usable for night in weather.nights)
    assert {night.min_c for night in weather.nights} == {None}


# ------------------------------------------------------------------------------------------------ two services


def test_second_service_colder_by_three_degrees_counts_and_both_are_told():
    night = first(with_low(2.0), with_low(-1.0, source="second"))
    assert night.min_c == -1.0
    assert night.colder_c == pytest.approx(3.0)
    assert night.because == ("Second expects a low of -1.0 °C, First 2.0 °C; the colder counts.",)


def test_second_service_colder_by_less_changes_nothing():
    night = first(with_low(2.0), with_low(-0.9, source="second"))
    assert (night.min_c, night.colder_c, night.because) == (2.0, 0.0, ())


def test_warmer_second_service_is_told_and_changes_nothing():
    night = first(with_low(-2.0), with_low(2.0, source="second"))
    assert night.min_c == -2.0
    assert night.because == ("Second expects only 2.0 °C, First -2.0 °C; the colder counts.",)


def test_colder_second_counts_from_the_hours_on_although_the_night_was_colder_already():
    # 3 am: the past hour was at -4, First expects 2 from here, Second -2: what is still to come may be 4 colder
    now = NOW + 12 * H
    air_c = np.full(240, 5.0)
    air_c[10], air_c[14] = -4.0, 2.0
    night = first(flat(air_c), with_low(-2.0, source="second"), now=now)
    assert night.min_c <= -4.0
    assert night.colder_c == pytest.approx(4.0)


def test_minimum_already_past_does_not_silence_a_colder_second():
    # 3 am: First's own minimum of -6 was reached at midnight; from here it expects 4, Second 0
    now = NOW + 12 * H
    low = Minimum(start_at=NOW + 3 * H, end_at=NOW + 17 * H, air_c=-6.0)
    past = flat(-6.0, issued_at=NOW)
    hours = {"start_at": now, "issued_at": now}
    alone = first(flat(4.0, minima=(low,), **hours), now=now, history=[past])
    both = first(flat(4.0, minima=(low,), **hours), flat(0.0, source="second", **hours), now=now, history=[past])
    assert alone.colder_c == 0.0
    assert both.colder_c == pytest.approx(4.0)


def test_stale_second_opinion_is_not_heard_beside_a_fresh_forecast():
    assert first(with_low(2.0), with_low(-6.0, source="second", issued_at=NOW - 30 * H)).min_c == 2.0
    both_stale = first(with_low(2.0, issued_at=NOW - 26 * H), with_low(-6.0, source="second", issued_at=NOW - 30 * H))
    assert both_stale.min_c == -6.0
    assert not both_stale.is_usable


@pytest.mark.parametrize(
    "spoiled",
    [
        with_low(2.0, issued_at=NOW - 30 * H),
        with_low(2.0, issued_at=NOW - 20 * H),
        holes(range(3, 15)),
        holes(range(27, 39)),
    ],
    ids=["stale", "ageing", "incomplete", "incomplete-tomorrow"],
)
def test_second_service_is_used_when_the_first_is_old_or_incomplete(spoiled):
    weather = join(SITE, [spoiled, with_low(1.0, source="second")], now=NOW)
    assert weather.forecast.source == "second"
    assert weather.nights[0].is_usable
    assert "First is old or incomplete; Second is used instead." in weather.because


def test_order_of_preference_decides_between_good_forecasts():
    older = with_low(2.0, issued_at=NOW - 10 * H)
    assert join(SITE, [older, with_low(1.0, source="second")], now=NOW).forecast.source == "first"


# ------------------------------------------------------------------------------------------------ past hours


def test_past_hours_come_from_the_forecast_closest_to_them():
    old = flat(1.0, start_at=NOW - 60 * H, issued_at=NOW - 60 * H, source="older")
    newer = flat(2.0, start_at=NOW - 12 * H, issued_at=NOW - 12 * H, source="newer")
    weather = join(SITE, [flat(3.0)], now=NOW, history=[newer, old])
    assert weather.start_at == NOW - 48 * H
    assert set(weather.air_c[:36]) == {1.0}
    assert set(weather.air_c[36:48]) == {2.0}
    assert set(weather.air_c[48:]) == {3.0}


def test_order_of_history_does_not_matter():
    old = [flat(float(i), start_at=NOW - i * H, issued_at=NOW - i * H) for i in (6, 12, 24, 40)]
    one = join(SITE, [flat()], now=NOW, history=old)
    other = join(SITE, [flat()], now=NOW, history=old[::-1])
    assert np.array_equal(one.air_c, other.air_c, equal_nan=True)


def test_hour_unknown_to_one_forecast_comes_whole_from_the_next():
    newer = holes(range(2), start_at=NOW - 5 * H, issued_at=NOW - 5 * H)
    old = flat(1.0, start_at=NOW - 30 * H, issued_at=NOW - 30 * H)
    weather = join(SITE, [flat()], now=NOW, history=[newer, old])
    first_hours = slice(-240 - 5, -240 - 2)
    assert weather.air_c[first_hours].tolist() == [1.0, 1.0, 5.0]
    assert weather.dew_c[first_hours].tolist() == [-2.0, -2.0, 2.0]


def test_night_half_over_counts_what_was():
    past = flat(-3.0, start_at=NOW, issued_at=NOW)
    now = NOW + 12 * H
    night = first(flat(4.0, start_at=now, issued_at=now), now=now, history=[past])
    assert night.min_c == -3.0
    assert night.is_usable


def test_fresh_install_in_the_middle_of_a_night_is_judged_by_the_hours_left():
    now = NOW + 12 * H
    assert first(flat(4.0, start_at=now, issued_at=now), now=now).is_usable


# ------------------------------------------------------------------------------------------------ height


def on_ground(elevation_m, **more):
    low = Minimum(start_at=NOW + 3 * H, end_at=NOW + 17 * H, air_c=-2.0)
    return with_low(0.0, minima=(low,), elevation_m=elevation_m, is_height_corrected=False, **more)


def test_site_above_the_ground_of_the_forecast_is_colder():
    # expected: 6.5 °C per km (ISO 2533 standard atmosphere) over 200 m is 1.3 °C
    weather = join(make_site(elevation_m=500.0), [on_ground(300.0)], now=NOW)
    assert weather.air_c[14] == pytest.approx(-1.3)
    assert weather.nights[0].min_c == pytest.approx(-3.3)
    assert weather.because[0] == "The site lies 200 m above the ground of the forecast: 1.3 °C colder."
    assert (weather.dew_c <= weather.air_c).all()


def test_site_below_the_ground_of_the_forecast_gets_no_credit():
    weather = join(make_site(elevation_m=100.0), [on_ground(300.0)], now=NOW)
    assert weather.air_c[14] == 0.0
    assert weather.because == ()


def test_service_that_corrects_for_height_itself_is_left_alone():
    forecast = replace(on_ground(300.0), is_height_corrected=True)
    assert join(make_site(elevation_m=500.0), [forecast], now=NOW).air_c[14] == 0.0


# ------------------------------------------------------------------------------------------------ uncertainty


def test_spread_is_that_of_the_coldest_hour():
    spread_c = np.linspace(1.0, 2.0, 240)
    assert first(with_low(-1.5, spread_c=spread_c)).spread_c == pytest.approx(spread_c[14])
    assert first(with_low(-1.5)).spread_c is None
    assert first(with_low(-1.5, spread_c=np.full(240, np.nan))).spread_c is None
    assert first(flat(np.full(240, np.nan), spread_c=spread_c)).spread_c is None


def test_members_are_cut_to_their_lows_and_those_with_holes_are_left_out():
    members_c = np.full((8, 240), 3.0)
    members_c[:, 14] = np.arange(8.0) - 4.0
    members_c[7, 5:14] = np.nan
    night = first(with_low(-1.5, members_c=members_c))
    assert night.members_min_c == (-4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0)
    assert first(with_low(-1.5, members_c=members_c[:4])).members_min_c is None


# ------------------------------------------------------------------------------------------------ laws

lows = st.floats(-30, 30)


@settings(max_examples=60)
@given(lows, lows, st.floats(0, 20))
def test_colder_forecast_never_gives_a_warmer_night(one_c, two_c, drop_c):
    before = first(with_low(one_c), with_low(two_c, source="second"))
    after = first(with_low(one_c - drop_c), with_low(two_c - drop_c, source="second"))
    assert after.min_c <= before.min_c


@settings(max_examples=60)
@given(lows, lows)
def test_second_opinion_never_makes_a_night_warmer(one_c, two_c):
    assert first(with_low(one_c), with_low(two_c, source="second")).min_c <= first(with_low(one_c)).min_c


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.floats(0, 1), st.floats(0, 60))
def test_no_forecast_with_holes_or_age_is_usable_beyond_the_limits(seed, share_missing, age_h):
    is_missing = np.random.default_rng(seed).random(240) < share_missing / 3
    air_c = np.where(is_missing, np.nan, 5.0)
    weather = join(SITE, [flat(air_c, issued_at=NOW - age_h * H)], now=NOW)
    for night in weather.nights:
        begin = max(0, int((night.night.start_at - NOW) / H))
        end = int((night.night.end_at - NOW) / H)
        share = 1 - np.mean(is_missing[begin:end])
        assert night.is_usable == (share >= 0.9 and age_h <= 24)
