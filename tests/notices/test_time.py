"""Jumping by next_due_at, restarts, clock changes: nothing lost, nothing doubled."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.duties.facts import at_local
from tests.notices.farm import (
    COULD,
    FREEZES,
    HARD,
    MARA,
    MILD,
    OWEN,
    PIA,
    UNKNOWN,
    Cold,
    Farm,
    NoticeKind,
    TimeSpan,
    crew,
    farm,
    machine,
    site,
)

FIVE_MINUTES = timedelta(minutes=5)
COLDS = (MILD, COULD, FREEZES, HARD, UNKNOWN, Cold(chance=0.95, low_c=-6, ice=time(20), early=time(18)))


def told(made: Farm) -> list[str]:
    return [f"{made.told_line(notice)} {'+'.join(notice.machines)}" for notice in made.notices]


def busy_farm(seed: list[int]) -> Farm:
    """Two machines at two sites, one on a night shift, quiet hours; nights and deeds chosen by numbers."""
    people = crew(
        mara={"quiet": TimeSpan(start=time(21), end=time(6, 45))}, owen={"quiet": TimeSpan(start=time(22), end=time(5))}
    )
    made = farm(
        machine(1), machine(2, home_site="river", operators=(PIA,), shift_end=time(1, 0)),
        sites=(site(), site("river", contacts=(MARA,))), people=people,
    )  # fmt: skip
    draw = iter(seed * 40)
    for number in (1, 2):
        made.log("2026-11-01 15:00", "sprayed", f"sprayer-{number}", by=(OWEN, PIA)[number - 1])
    for day in range(2, 7):
        for where in ("north", "river"):
            made.night(f"2026-11-0{day}", COLDS[next(draw) % 6], site=where)
            known_at = f"2026-11-0{day} {8 + next(draw) % 15:02}:{5 * (next(draw) % 12):02}"
            made.night(f"2026-11-0{day}", COLDS[next(draw) % 6], site=where, known_at=known_at)
        for number in (1, 2):
            _deed(made, day, f"sprayer-{number}", next(draw), next(draw))
    return made


def _deed(made: Farm, day: int, machine_id: str, what: int, hour: int) -> None:
    when = f"2026-11-0{day} {9 + hour % 14:02}:{5 * (hour % 12):02}"
    duty = f"protect|{machine_id}|2026-11-0{day}"
    match what % 8:
        case 0:
            made.log(when, "sprayed", machine_id)
        case 1:
            made.log(when, "rinsed", machine_id, sides=("front", "rear"))
        case 2:
            made.log(when, "moved", machine_id, site="north", place="shop")
        case 3:
            made.log(when, "promised", machine_id, duty=duty, by_at=made.at(when) + timedelta(minutes=85))
        case 4:
            made.log(when, "declined", machine_id, duty=duty)
        case 5:
            made.log(when, "risk_accepted", machine_id, by=MARA, duty=duty)
        case 6:
            made.log(when, "assigned", machine_id, by=MARA, duty=duty, to=PIA)
        case _:
            pass


@settings(max_examples=10, deadline=None, derandomize=True)
@given(st.lists(st.integers(0, 500), min_size=11, max_size=60))
def test_jumping_to_next_due_at_says_the_same_as_ticking(seed):
    jumping, ticking = busy_farm(seed), busy_farm(seed)
    jumping.run("2026-11-04 12:00")
    ticking.run("2026-11-04 12:00", every=FIVE_MINUTES)
    assert told(jumping) == told(ticking)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.lists(st.integers(0, 500), min_size=11, max_size=60), st.integers(1, 900))
def test_a_restart_loses_and_doubles_nothing(seed, stopped_min):
    """Off for a while: what is said after is said once, and running it again adds nothing."""
    made = busy_farm(seed)
    made.run("2026-11-03 18:00")
    made.now += timedelta(minutes=stopped_min)
    for _ in range(3):
        made.look()
        again = made.plan()
        assert (again.duties, again.notices) == ((), ())
        assert again.next_due_at > made.now
        made.now = again.next_due_at
    keys = [notice.key for notice in made.notices]
    assert len(keys) == len(set(keys))


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.lists(st.integers(0, 500), min_size=11, max_size=60))
def test_nobody_is_asked_twice_in_one_minute_for_one_duty(seed):
    made = busy_farm(seed)
    made.run("2026-11-05 12:00")
    seen: dict[tuple, set[str]] = {}
    for notice in made.notices:
        for duty in notice.duties:
            seen.setdefault((notice.person, notice.created_at, duty), set()).add(notice.kind)
    # A day mail about other machines lists the late ones too; nothing else may come together.
    together = [kinds for kinds in seen.values() if len(kinds) > 1]
    assert all(kinds in ({"day", "still_wet"}, {"worse", "still_wet"}) for kinds in together), together


ZONES = ("America/Chicago", "America/Santiago", "Europe/Berlin", "Australia/Lord_Howe", "Australia/Adelaide")


def changes(zone: str, year: int) -> list[date]:
    """The days of a year on which the clock of a zone changes."""
    tz, found = ZoneInfo(zone), []
    for number in range(365):
        noon = datetime(year, 1, 1, 12, tzinfo=tz) + timedelta(days=number)
        if (noon - timedelta(days=1)).utcoffset() != noon.utcoffset():
            found.append(noon.date())
    return found


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("slot", [time(0, 0), time(1, 30), time(2, 15), time(2, 30), time(6, 30)], ids=str)
def test_each_local_slot_comes_exactly_once_over_clock_changes(zone, slot):
    """The clock changes of six years, with a freezing night before and after: one day mail on each day."""
    for year in range(2024, 2030):
        for change in changes(zone, year):
            start = change - timedelta(days=1)
            made = farm(
                machine(home_site="north"), zone=zone, sites=(site(zone=zone),), day_mail_at=slot,
                start=f"{start} 00:00",
            )  # fmt: skip
            made.now -= timedelta(minutes=1)
            made.usual = FREEZES
            made.run(at_local(change + timedelta(days=2), time(0), ZoneInfo(zone)) - timedelta(seconds=1))
            tz = ZoneInfo(zone)
            days = [notice.created_at.astimezone(tz).date() for notice in made.to(MARA, NoticeKind.DAY)]
            assert days == [start, change, change + timedelta(days=1)], (zone, change)
            evenings = [notice.created_at.astimezone(tz).date() for notice in made.to(OWEN, NoticeKind.EVENING)]
            assert len(evenings) == len(set(evenings)), (zone, change)


def test_there_are_clock_changes_to_test():
    assert all(len(changes(zone, 2026)) == 2 for zone in ZONES)


def test_next_due_at_is_in_the_future_even_without_machines():
    made = farm()
    made.fleets = ()
    assert made.plan().next_due_at > made.now


def test_three_zones_are_written_in_the_readers_order_and_named():
    zones = {"north": "America/Chicago", "east": "America/New_York"}
    sites = tuple(site(name, zone=zone) for name, zone in zones.items())
    made = farm(machine(1), machine(2, home_site="east"), sites=sites)
    for number in (1, 2):
        made.log("2026-10-20 17:00", "sprayed", f"sprayer-{number}")
    made.usual = FREEZES
    made.run("08:00")
    assert "17:00 CST" in made.to(MARA)[0].text
