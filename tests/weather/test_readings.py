"""What thermometers read: the low of a night, the past made colder and never warmer, a night as it was."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from carewatch.weather.join import join
from carewatch.weather.nights import night_on
from carewatch.weather.readings import Readings, as_it_was, readings_of
from tests.weather.conftest import make_forecast, make_site

CHICAGO = ZoneInfo("America/Chicago")
NIGHT = night_on(datetime(2026, 10, 19, tzinfo=UTC).date(), CHICAGO)
HOUR = timedelta(hours=1)


def hourly(*, lows: dict[int, float] | None = None, air_c: float = 4.0, leave_out=(), is_at_site=True) -> Readings:
    """One reading an hour through NIGHT, `lows` by hour after noon."""
    rows = {
        NIGHT.start_at + hour * HOUR: {"air_c": (lows or {}).get(hour, air_c), "dew_c": -1.0}
        for hour in range(25)
        if hour not in leave_out
    }
    found = readings_of(rows, by="the thermometer", is_at_site=is_at_site)
    assert found is not None
    return found


def test_the_low_of_a_night_is_its_coldest_reading():
    assert hourly(lows={17: -1.5}).low_c(NIGHT) == -1.5


@pytest.mark.parametrize("silent", [range(16, 18), range(3), range(22, 25)])
def test_a_silence_in_which_the_low_may_hide_leaves_it_unknown(silent):
    assert hourly(leave_out=silent).low_c(NIGHT) is None


def test_one_missing_hour_hides_no_low():
    assert hourly(leave_out=(16,), lows={17: -1.5}).low_c(NIGHT) == -1.5


def test_of_several_readings_the_one_nearest_to_the_hour_mark_speaks_for_it():
    at = NIGHT.start_at
    rows = {at - timedelta(minutes=20): {"air_c": 1.0}, at + timedelta(minutes=7): {"air_c": 2.0}}
    found = readings_of(rows, by="the thermometer", is_at_site=True)
    assert found.at_marks(at, 2)["air_c"][0] == 2.0
    assert np.isnan(found.at_marks(at, 2)["air_c"][1])


def test_the_dew_point_is_never_above_the_air():
    assert hourly(lows={5: -4.0}).dew_c[5] == -4.0


def joined(readings: Readings | None, *, now: datetime, air_c: float = 3.0):
    forecast = make_forecast(air_c, start_at=NIGHT.start_at - 6 * HOUR)
    return join(make_site(), [forecast], now=now, readings=readings)


def test_past_hours_are_as_cold_as_they_were_read_and_coming_ones_as_forecast():
    now = NIGHT.start_at + 15 * HOUR
    weather = joined(hourly(lows={10: -2.0, 20: -9.0}), now=now)
    mark = (NIGHT.start_at - weather.start_at) // HOUR
    assert weather.air_c[mark + 10] == -2.0
    assert weather.dew_c[mark + 10] <= -2.0
    assert weather.air_c[mark + 20] == 3.0
    assert weather.nights[0].min_c == -2.0
    assert "The thermometer at the site read -2.0 °C, colder than the forecast." in weather.nights[0].because


def test_a_thermometer_in_the_sun_makes_no_night_warmer():
    now = NIGHT.start_at + 20 * HOUR
    with_it, without = joined(hourly(air_c=25.0), now=now, air_c=-3.0), joined(None, now=now, air_c=-3.0)
    assert np.array_equal(with_it.air_c, without.air_c)
    assert with_it.nights[0] == without.nights[0]


def test_a_night_as_it_was_has_the_hours_that_were_read_and_its_low():
    weather = joined(None, now=NIGHT.end_at - HOUR)
    rows = {NIGHT.start_at + n * 0.5 * HOUR: {"air_c": -6.0 if n == 33 else 1.0} for n in range(49)}
    was = as_it_was(weather, NIGHT, readings_of(rows, by="the thermometer", is_at_site=True))
    (night,) = was.nights
    mark = (NIGHT.start_at - weather.start_at) // HOUR
    assert was.air_c[mark + 16] == 1.0
    assert (night.min_c, night.colder_c) == (-6.0, 7.0)  # the low between two hour marks is not lost
    assert was.wind_mps[mark + 16] == weather.wind_mps[mark + 16]  # not read: as it was forecast
    assert was.air_c[mark - 1] == weather.air_c[mark - 1]


def test_a_night_whose_low_was_not_read_cannot_be_looked_back_on():
    weather = joined(None, now=NIGHT.end_at - HOUR)
    assert as_it_was(weather, NIGHT, hourly(leave_out=range(12, 20))) is None
