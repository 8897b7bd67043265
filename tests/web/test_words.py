"""What the pages say of spray hours: entries without what only programs write, inspections without a false clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.logbook.entries import Channel, Entry, EntryKind, HoursRead
from carewatch.notices.words import Reader
from carewatch.roster.model import UnitSystem
from carewatch.service.page_entries import fields_of
from carewatch.web.views.words import duty_words, entry_words
from tests.notices.farm import machine

AT = datetime(2026, 5, 11, 12, tzinfo=UTC)
READER = Reader(units=UnitSystem.METRIC, zone=ZoneInfo("UTC"))


@pytest.mark.parametrize(
    ("detail", "words"),
    [
        (HoursRead(counter_h=812.5), "hours read: counter h 812.5"),
        (
            HoursRead(counter_h=2.0, counter="TSK 1", from_zero=True, is_estimate=True),
            "from zero True, is estimate True",
        ),
    ],
)
def test_a_reading_is_told_without_what_does_not_apply(detail, words):
    entry = Entry(
        id="e1", machine="sprayer-1", kind=EntryKind.HOURS_READ, happened_at=AT, recorded_at=AT, by="owen",
        channel=Channel.PAGE, detail=detail,
    )  # fmt: skip
    assert words in entry_words(entry)
    assert "False" not in entry_words(entry)


def test_the_form_of_a_reading_asks_only_what_people_can_see():
    assert [field.name for field in fields_of(EntryKind.HOURS_READ, machine())] == ["counter_h", "side"]


@pytest.mark.parametrize(("ahead", "words"), [(0, "inspect the valves: due"), (20, "inspect the valves soon")])
def test_an_inspection_has_no_hour_of_the_day(ahead, words):
    duty = Duty(
        key="inspect|sprayer-1|first", machine="sprayer-1", kind=DutyKind.INSPECT, night=date(2026, 5, 11),
        assigned_to=None, opened_at=AT, due_at=AT + timedelta(days=ahead), state=DutyState.OPEN,
    )  # fmt: skip
    assert duty_words(duty, READER) == words
