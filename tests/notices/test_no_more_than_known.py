"""A sentence says no more than is known, and no less than somebody needs who may be harmed."""

from __future__ import annotations

from datetime import time

import pytest

from carewatch.duties.protect import Level
from carewatch.notices.night_lines import freeze_sentence
from carewatch.notices.words import Reader
from tests.notices.farm import (
    COULD,
    FREEZES,
    MARA,
    OWEN,
    RUTH,
    UNKNOWN,
    Cold,
    DutyKind,
    DutyState,
    Farm,
    NoticeKind,
    Side,
    UnitSystem,
    farm,
    machine,
    replace,
)

TONIGHT = "2026-11-02"
STILL_WET, MORNING, CANCELLED = NoticeKind.STILL_WET, NoticeKind.MORNING_AFTER, NoticeKind.CANCELLED


def wet(cold: Cold, *machines, **changes) -> Farm:
    made = farm(*machines, **changes)
    for one in machines or (machine(),):
        made.log("2026-10-20 17:00", "sprayed", one.id)
        made.log("2026-10-20 17:30", "rinsed", one.id, sides=("front", "rear"))
    made.night(TONIGHT, cold)
    return made


def test_a_warm_thermometer_in_the_shop_is_evidence_and_not_a_milder_night():
    made = wet(FREEZES)
    made.log("2026-10-30 12:00", "moved", site="north", place="shop")  # its heat is known until noon of the 2nd
    made.run("15:00")
    made.log("16:00", "air_measured", air_c=7.0)
    made.run("2026-11-03 08:00")
    assert made.duty(DutyKind.PROTECT).state is DutyState.DONE
    assert not made.to(MARA, CANCELLED)


def test_a_small_chance_is_no_hour_of_ice():
    made = wet(Cold(chance=0.3, low_c=4.6, margin_c=-3.4, ice=time(4), early=time(3)))
    flagged = next(one for one in made.facts().machines[0].outlooks if str(one.night) == TONIGHT)
    reader = Reader(units=UnitSystem.METRIC, zone=made.fleets[0].tz)
    small = freeze_sentence(replace(flagged, chance=0.06), Level.SAFE, reader)
    assert small == "Coldest air 5 °C: ice only if 3 °C colder. About 1 in 17."
    assert "Ice from about 04:00" in freeze_sentence(replace(flagged, chance=0.9), Level.FREEZES, reader)


def test_a_machine_that_only_could_freeze_has_no_hour_in_the_subject():
    made = wet(replace(COULD, ice=time(5)))
    made.run("2026-11-03 05:00")
    assert [mail.subject for mail in made.to(MARA, STILL_WET)] == ["Still wet: Sprayer 1 - could freeze tonight"]


def test_thaw_first_stands_before_flushing_and_air():
    made = wet(FREEZES)
    made.night("2026-11-03", FREEZES)
    made.run("2026-11-03 22:00")
    asked = [mail for mail in made.to(MARA) if "Flush, then air" in mail.text and mail.created_at > made.at("06:00")]
    assert asked
    assert all("thaw and look before any pump runs" in mail.text for mail in asked)


@pytest.mark.parametrize(("moved_at", "state"), [("16:30", DutyState.DONE), ("23:30", DutyState.OPEN)])
def test_brought_into_heat_in_time_needs_no_forecast_and_too_late_is_not_proven(moved_at, state):
    """The deadline is 17:00 and the work takes 45 min: until then the last usable forecast showed no ice."""
    made = wet(FREEZES)
    made.night(TONIGHT, UNKNOWN, known_at="2026-11-02 15:00")
    made.log(f"2026-11-02 {moved_at}", "moved", by=MARA, site="north", place="shop")
    made.run("2026-11-03 08:00")
    assert made.duty(DutyKind.PROTECT, TONIGHT).state is state
    told = made.to(MARA, MORNING)
    assert bool(told) == (state is not DutyState.DONE)
    assert all("The forecast was not good enough to tell how cold it got." in mail.text for mail in told)


def test_protected_and_then_the_forecast_is_lost_is_said():
    made = wet(FREEZES)
    made.log("2026-11-02 13:00", "blown_out", by=OWEN, sides=("front", "rear"))
    made.night(TONIGHT, UNKNOWN, known_at="2026-11-02 15:00")
    made.run("2026-11-03 08:00")
    assert len(made.to(MARA, NoticeKind.NO_FORECAST)) == 1


def test_the_nights_ahead_are_marked_from_the_threshold_on_and_where_they_are_not_known():
    made = wet(FREEZES)
    made.night("2026-11-03", Cold(chance=0.45, low_c=0.5, margin_c=-0.2))
    made.night("2026-11-04", UNKNOWN)
    made.run("07:00")
    ahead = next(line for line in made.to(MARA, NoticeKind.DAY)[0].text.splitlines() if line.startswith("Ahead"))
    assert "(could), Wed (not all known), Thu" in ahead


def test_who_is_told_second_does_not_read_that_the_second_is_still_to_come():
    made = wet(FREEZES)
    made.run("18:30")
    rest = [
        line for mail in made.to(RUTH, STILL_WET) for line in mail.text.splitlines() if line.startswith("No answer")
    ]
    assert rest
    assert not any("next contact" in line for line in rest)


def test_a_machine_without_a_rinse_tank_is_not_told_to_use_it():
    bare = machine(1, rinse_tank_l=0.0, plumbing=("boom_pipe", "hoses", "pump", "meter", "tank"))
    made = farm(bare)
    made.log("2026-11-02 19:00", "sprayed")
    made.run("20:00")
    text = made.to(OWEN, NoticeKind.EVENING)[0].text
    assert "Bring clean water" in text
    assert "0.0 L" not in text


def test_too_little_water_says_what_stays_in_the_boom():
    """130 L held, 100 L in three parts: (1 / (1 + 100/130/3))^3 = 0.50 stays."""
    made = farm(machine(1, rinse_tank_l=100.0))
    made.log("2026-11-02 19:00", "sprayed")
    made.run("20:00")
    assert "leaves about 50%" in made.to(OWEN, NoticeKind.EVENING)[0].text


def test_sides_have_their_names_where_all_machines_name_them_alike():
    made = farm(machine(1), machine(2))
    for one in ("sprayer-1", "sprayer-2"):
        made.log("2026-11-02 19:00", "sprayed", one)
    made.run("20:00")
    assert "3 front only" in made.to(OWEN, NoticeKind.EVENING)[0].text
    other = machine(2, sides=(Side(key="left", label="A"), Side(key="right", label="B")))
    made = farm(machine(1), other)
    for one in ("sprayer-1", "sprayer-2"):
        made.log("2026-11-02 19:00", "sprayed", one)
    made.run("20:00")
    assert "3 first side only" in made.to(OWEN, NoticeKind.EVENING)[0].text
