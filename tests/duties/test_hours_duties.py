"""The duties to inspect every so many spray hours, and to read the counter where nothing else tells the hours."""

from __future__ import annotations

from datetime import timedelta

import pytest

from carewatch.duties.duty import DutyKind, DutyState
from carewatch.duties.inspect import inspection_due, is_due
from carewatch.logbook.entries import Channel
from tests.notices.farm import MARA, OWEN, Farm, farm, machine

INSPECT, READ_HOURS = DutyKind.INSPECT, DutyKind.READ_HOURS
BOTH = ("front", "rear")


def of_kind(made: Farm, kind: DutyKind) -> list:
    return [duty for duty in made.ledger.values() if duty.kind is kind]


def read(made: Farm, when: str, counter_h: float, name: str = "sprayer-1", **told) -> None:
    made.log(f"{when} 07:00", "hours_read", name, counter_h=counter_h, **told)


def inspected_farm(*machines, **changes) -> Farm:
    """Inspected on the first of September at 100 h, 28 h a week since."""
    made = farm(*machines, start="2026-09-01 05:00", **changes)
    made.log("2026-09-01 06:00", "inspected")
    read(made, "2026-09-01", 100.0)
    return made


# ---------------------------------------------------------------- inspect


@pytest.mark.parametrize(("hours", "opens"), [(674.9, False), (675.0, True), (749.9, True)])
def test_it_is_announced_at_ninety_percent(hours, opens):
    made = inspected_farm()
    read(made, "2026-11-01", 100.0 + hours)
    made.run("2026-11-01 08:00")
    assert bool(of_kind(made, INSPECT)) is opens
    if opens:
        assert not is_due(made.duty(INSPECT))


def test_it_is_due_every_750_hours_and_says_since_when():
    made = inspected_farm()
    read(made, "2026-11-01", 850.0)
    made.run("2026-11-01 08:00")
    duty = made.duty(INSPECT)
    assert (duty.key, duty.state, is_due(duty)) == ("inspect|sprayer-1|2026-09-01", DutyState.OPEN, True)
    assert duty.because == ("About 750 of 750 spray hours since the last inspection.",)


def test_a_fleet_may_inspect_sooner():
    made = inspected_farm(inspect_every_h=400.0)
    read(made, "2026-11-01", 510.0)
    made.run("2026-11-01 08:00")
    assert is_due(made.duty(INSPECT))


def test_the_side_that_ran_most_decides():
    made = inspected_farm()
    for day, rear in (("2026-09-01", 90.0), ("2026-11-01", 850.0)):
        read(made, day, 100.0, side="front")
        read(made, day, rear, side="rear")
    made.run("2026-11-01 08:00")
    due = inspection_due(made.facts().machines[0])
    assert (due.side, round(due.since_h)) == ("rear", 760)
    assert is_due(made.duty(INSPECT))


def test_abrasive_hours_bring_it_nearer():
    made = inspected_farm()
    for day in range(2, 31):
        made.log(f"2026-09-{day:02} 18:00", "sprayed", product="lime slurry", hours=16.0)
    made.run("2026-10-02 08:00")
    # 29 days x 16 h x 1.5 = 696 h, of which 464 were counted.
    assert round(inspection_due(made.facts().machines[0]).since_h) == 696
    assert not is_due(made.duty(INSPECT))


def test_the_day_it_is_due_comes_from_recent_use():
    made = inspected_farm()
    read(made, "2026-10-04", 660.0)
    read(made, "2026-11-01", 800.0)  # 5 h a day over the last 28 days: 50 h are ten days
    made.run("2026-11-01 08:00")
    due = inspection_due(made.facts().machines[0])
    assert due.left_h == pytest.approx(50.0)
    assert str(due.about_on) == "2026-11-11"
    assert f"{made.duty(INSPECT).due_at.astimezone(made.fleets[0].tz):%m-%d %H:%M}" == "11-11 20:00"


def test_a_machine_that_stands_still_keeps_its_date_and_the_ledger_its_line():
    made = inspected_farm()
    read(made, "2026-11-01", 800.0)
    made.run("2026-11-01 08:00")
    first = made.duty(INSPECT)
    made.run("2026-12-20 08:00")
    assert made.duty(INSPECT) == first


def test_an_inspection_closes_it_and_the_next_one_has_a_key_of_its_own():
    made = inspected_farm()
    read(made, "2026-11-01", 860.0)
    made.log("2026-11-03 10:00", "inspected")
    made.run("2026-11-04 08:00")
    assert [duty.state for duty in of_kind(made, INSPECT)] == [DutyState.DONE]
    read(made, "2027-01-20", 1640.0)
    made.run("2027-01-21 08:00")
    assert {duty.key: duty.state for duty in of_kind(made, INSPECT)} == {
        "inspect|sprayer-1|2026-09-01": DutyState.DONE, "inspect|sprayer-1|2026-11-03": DutyState.OPEN
    }  # fmt: skip


def test_a_slip_of_the_counter_that_was_taken_back_cancels_it():
    made = inspected_farm()
    slip = made.log("2026-11-01 07:00", "hours_read", counter_h=860.0)
    made.run("2026-11-01 08:00")
    assert made.duty(INSPECT).state is DutyState.OPEN
    made.log("2026-11-01 08:30", "voided", by=MARA, entry=slip.id)
    made.run("2026-11-01 09:00")
    assert made.duty(INSPECT).state is DutyState.CANCELLED


def test_never_inspected_counts_all_it_ever_ran():
    made = farm()
    read(made, "2026-11-02", 812.0)
    made.run("08:00")
    assert made.duty(INSPECT).key == "inspect|sprayer-1|first"


def test_a_machine_that_is_gone_needs_none():
    made = inspected_farm()
    read(made, "2026-11-01", 860.0)
    made.run("2026-11-01 08:00")
    made.log("2026-11-01 09:00", "retired")
    made.run("2026-11-01 10:00")
    assert made.duty(INSPECT).state is DutyState.CANCELLED


def test_it_may_be_given_to_somebody_promised_and_left():
    made = inspected_farm()
    read(made, "2026-11-01", 860.0)
    key = "inspect|sprayer-1|2026-09-01"
    made.log("2026-11-01 09:00", "assigned", duty=key, to=OWEN)
    made.log("2026-11-01 09:30", "promised", duty=key, by_at=made.at("2026-11-02 18:00"))
    made.run("2026-11-01 10:00")
    assert (made.duty(INSPECT).assigned_to, made.duty(INSPECT).state) == (OWEN, DutyState.PROMISED)
    made.run("2026-11-02 18:30")
    assert made.duty(INSPECT).state is DutyState.OPEN
    made.log("2026-11-02 19:00", "risk_accepted", duty=key)
    made.run("2026-11-02 19:30")
    assert made.duty(INSPECT).state is DutyState.ACCEPTED
    made.run(made.now + timedelta(days=40))  # the entry is older than what the plan looks at by now
    assert made.duty(INSPECT).state is DutyState.ACCEPTED


# ---------------------------------------------------------------- read hours


def working(*, days: int = 12, **told) -> Farm:
    made = farm(start="2026-06-01 05:00")
    for day in range(1, days + 1):
        made.log(f"2026-06-{day:02} 19:30", "sprayed", **told)
        made.log(f"2026-06-{day:02} 20:30", "rinsed", sides=BOTH)
    return made


def test_it_is_asked_once_a_week_in_season():
    made = working()
    made.run("2026-06-01 21:00")
    assert made.duty(READ_HOURS).state is DutyState.OPEN
    made.log("2026-06-01 21:10", "hours_read", counter_h=812.0)
    made.run("2026-06-08 12:00")
    assert [duty.state for duty in of_kind(made, READ_HOURS)] == [DutyState.DONE]
    made.run("2026-06-09 21:00")
    assert [str(duty.night) for duty in of_kind(made, READ_HOURS)] == ["2026-06-01", "2026-06-09"]


@pytest.mark.parametrize("channel", [Channel.FILE, Channel.BRIDGE])
def test_nobody_is_asked_where_a_file_or_a_bridge_tells(channel):
    made = working()
    for day in range(1, 13, 5):
        read(made, f"2026-06-{day:02}", 800.0 + day)
        made.entries[-1] = type(made.entries[-1])(
            **{name: getattr(made.entries[-1], name) for name in made.entries[-1].__slots__} | {"channel": channel}
        )
    made.run("2026-06-12 22:00")
    assert of_kind(made, READ_HOURS) == []


def test_nobody_is_asked_where_every_spraying_was_written_with_its_hours():
    made = working(hours=6.0)
    made.run("2026-06-12 22:00")
    assert of_kind(made, READ_HOURS) == []


def test_a_machine_that_is_gone_has_no_counter_to_read():
    made = working()
    made.run("2026-06-01 21:00")
    made.log("2026-06-01 21:10", "retired")
    made.run("2026-06-01 22:00")
    assert made.duty(READ_HOURS).state is DutyState.CANCELLED


def test_nobody_is_asked_out_of_season():
    made = working(days=2)
    made.run("2026-06-20 22:00")
    assert [duty.state for duty in of_kind(made, READ_HOURS)] == [DutyState.LAPSED]
    quiet = farm(machine(), start="2026-06-01 05:00")
    quiet.run("2026-06-10 22:00")
    assert of_kind(quiet, READ_HOURS) == []
