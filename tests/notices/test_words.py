"""Figures as a metric and a US reader write them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from carewatch.notices.letter import tidy
from carewatch.notices.words import Reader, listed, odds_words
from carewatch.roster.model import UnitSystem

US = Reader(units=UnitSystem.US, zone=ZoneInfo("America/Chicago"))
METRIC = Reader(units=UnitSystem.METRIC, zone=ZoneInfo("Europe/Berlin"))


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        (
            "It freezes even if the night turns out 2.8 °C warmer.",
            "It freezes even if the night turns out 5 °F warmer.",
        ),
        ("harm counts from 3.0 °C below the freezing point.", "harm counts from 5 °F below the freezing point."),
        ("below about 5.0 °C salts begin to settle.", "below about 41 °F salts begin to settle."),
        ("It holds water: freezes at 0.0 °C.", "It holds water: freezes at 32 °F."),
        ("The two services are 4.0 °C apart.", "The two services are 7 °F apart."),
        ("freezes at -12.5 °C.", "freezes at 10 °F."),
    ],
)  # 1 °C step = 1.8 °F; 0 °C = 32 °F (by definition of the scales)
def test_reasons_are_rewritten_for_the_reader(metric, us):
    assert US.reason(metric) == us


def test_no_reading_says_minus_zero():
    assert METRIC.temperature(-0.4) == "0 °C"


@pytest.mark.parametrize(
    ("hour", "minute", "us", "plain"),
    [(0, 5, "12:05 am", "about midnight"), (12, 0, "noon", "about noon"), (23, 40, "11:40 pm", "about midnight"),
     (1, 29, "1:29 am", "about 1 am"), (1, 31, "1:31 am", "about 2 am")],
)  # fmt: skip
def test_clock_and_plain_hours(hour, minute, us, plain):
    moment = datetime(2026, 11, 2, hour, minute, tzinfo=ZoneInfo("America/Chicago")).astimezone(UTC)
    assert (US.clock(moment), US.about(moment)) == (us, plain)


def test_a_date_once_the_weekday_would_mislead():
    now = datetime(2026, 11, 9, 12, tzinfo=UTC)
    assert METRIC.when(datetime(2026, 11, 6, 18, tzinfo=UTC), now) == "Friday 19:00"
    assert METRIC.when(datetime(2026, 11, 2, 18, tzinfo=UTC), now) == "2 Nov"
    assert US.when(datetime(2026, 11, 2, 18, tzinfo=UTC), now) == "Nov 2"


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.99, "almost certain"), (0.72, "about 7 in 10"), (0.5, "about 1 in 2"), (0.2, "about 1 in 5"),
     (0.1, "about 1 in 10")],
)  # fmt: skip
def test_odds_in_words(chance, words):
    assert odds_words(chance) == words


def test_names_are_listed_as_people_do():
    assert [listed([]), listed(["A"]), listed(["A", "B"]), listed(["A", "B", "C"])] == [
        "",
        "A",
        "A and B",
        "A, B and C",
    ]


def test_tidy_makes_one_printable_line():
    assert tidy("a\r\nBcc: x\u2028b\u202ec\x00d\t e") == "a Bcc: x b c d e"
    assert tidy("Zoë's °C — ok") == "Zoë's °C — ok"
