"""ISO 8601 durations and intervals (grammar: the OpenAPI file of weather-gov/api; lengths seen in its answers)."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.errors import BadInput
from carewatch.weather.intervals import LONGEST, ceil_hour, floor_hour, parse_duration, parse_instant, parse_interval

NOON = datetime(2026, 10, 3, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "hours"), [("PT1H", 1), ("PT14H", 14), ("P1DT9H", 33), ("P2DT15H", 63), ("P7DT4H", 172), ("PT90M", 1.5)]
)
def test_durations_seen_are_read(text, hours):
    assert parse_duration(text) == timedelta(hours=hours)


@pytest.mark.parametrize(
    "text", ["", "P", "PT", "P1DT", "P1M", "P1Y", "PT-1H", "PT0H", "P99D", "1H", "pt1h", "PT١H", "P1W"]
)
def test_duration_that_is_not_sure_is_refused(text):
    with pytest.raises(BadInput):
        parse_duration(text)


@pytest.mark.parametrize(
    "text",
    ["2026-10-03T12:00:00+00:00/PT6H", "2026-10-03T07:00:00-05:00/2026-10-03T18:00:00Z", "PT6H/2026-10-03T18:00:00Z",
     "2026-10-03T12:00:00+00:00 / PT6H"],
    ids=["start-duration", "start-end", "duration-end", "blanks"],
)  # fmt: skip
def test_three_ways_to_write_an_interval(text):
    assert parse_interval(text) == (NOON, NOON + timedelta(hours=6))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "/",
        "NOW/PT1H",
        "2026-10-03T12:00:00/PT1H",
        "2026-10-03T12:00:00Z",
        "2026-10-03T12:00Z/2026-10-03T11:00Z",
        "2026-10-03T12:00Z/2026-10-03T12:00Z",
        "2026-10-03T12:00Z/2027-10-03T12:00Z",
        "9999-12-31T23:00Z/PT1H",
    ],
    ids=["empty", "slash", "now", "no-zone", "instant", "backwards", "empty-span", "a-year", "year-9999"],
)
def test_interval_that_is_not_sure_is_refused(text):
    with pytest.raises(BadInput):
        parse_interval(text)


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text):
    for parse in (parse_duration, parse_instant, parse_interval):
        with suppress(BadInput):
            parse(text)


@given(st.integers(0, 39), st.integers(0, 23))
def test_every_length_up_to_the_longest_is_read_back(days, hours):
    length = timedelta(days=days, hours=hours)
    if timedelta(0) < length <= LONGEST:
        assert parse_duration(f"P{days}DT{hours}H") == length


def test_hours_are_cut_in_utc():
    moment = datetime.fromisoformat("2026-10-03T12:10:00+05:30")
    assert floor_hour(moment) == datetime(2026, 10, 3, 6, tzinfo=UTC)
    assert ceil_hour(moment) == datetime(2026, 10, 3, 7, tzinfo=UTC)
    assert ceil_hour(NOON) == NOON
