"""Still wet at the deadline: who is told, when, and who is left to sleep."""

from __future__ import annotations

from datetime import date, time

import pytest

from tests.notices.farm import (
    COULD,
    FREEZES,
    MARA,
    OWEN,
    PIA,
    RUTH,
    Absence,
    Cold,
    Farm,
    NoticeKind,
    TimeSpan,
    crew,
    farm,
    machine,
    replace,
    site,
)

STILL_WET = NoticeKind.STILL_WET
TONIGHT = "2026-11-02"
KEY = f"protect|sprayer-1|{TONIGHT}"


def wet(cold: Cold = FREEZES, *machines, **changes) -> Farm:
    made = farm(*machines, **changes)
    for one in machines or (machine(),):
        made.log("2026-10-20 17:00", "sprayed", one.id)
        made.log("2026-10-20 17:30", "rinsed", one.id, sides=("front", "rear"))
    made.night(TONIGHT, cold)
    return made


def late(made: Farm, until: str = "23:30") -> list[str]:
    """`17:00 mara` for every message about being late."""
    made.run(until)
    found = [notice for notice in made.notices if notice.kind is STILL_WET]
    return [f"{made.told_line(notice)[6:11]} {notice.person}" for notice in found]


def test_first_contact_and_operator_at_once_next_after_20_everyone_after_40():
    made = wet(sites=(site(contacts=(MARA, RUTH, PIA)),))
    assert late(made) == ["17:00 mara", "17:00 owen", "17:20 ruth", "17:40 pia"]


def test_it_passes_quiet_hours():
    everyone = {name: {"quiet": TimeSpan(start=time(12), end=time(11))} for name in (MARA, OWEN, RUTH)}
    assert late(wet(people=crew(**everyone))) == ["17:00 mara", "17:00 owen", "17:20 ruth"]


@pytest.mark.parametrize("answer", ["risk_accepted", "moved"], ids=["leave it", "indoors"])
def test_an_answer_ends_it(answer):
    made = wet()
    told = {"duty": KEY} if answer == "risk_accepted" else {"site": "north", "place": "shop"}
    made.log("2026-11-02 17:10", answer, by=MARA, **told)
    assert late(made, "2026-11-03 12:00") == ["17:00 mara", "17:00 owen"]
    assert all("closed" not in notice.subject for notice in made.notices)  # no closing mails


def test_a_promise_is_quiet_until_it_lapses_then_escalates():
    made = wet()
    made.log("2026-11-02 17:10", "promised", duty=KEY, by_at=made.at("2026-11-02 19:00"))
    assert late(made) == ["17:00 mara", "17:00 owen", "19:00 mara", "19:00 owen", "19:20 ruth"]
    assert "Owen promised it by 19:00; no word since." in made.to(MARA, STILL_WET)[-1].text


def test_who_cannot_is_not_asked_again_and_somebody_else_is():
    made = wet()
    made.log("2026-11-02 14:00", "declined", duty=KEY)
    assert late(made) == ["14:00 mara", "14:20 ruth"]
    assert made.to(MARA, STILL_WET)[0].subject.startswith("Somebody else must protect Sprayer 1 by 17:00")
    assert made.to(OWEN) == []


def test_everyone_is_told_of_a_refusal_only_after_the_deadline():
    made = wet(sites=(site(contacts=(MARA, RUTH, PIA)),))
    made.log("2026-11-02 14:00", "declined", by=MARA, duty=KEY)
    assert late(made) == ["14:00 ruth", "14:00 owen", "14:20 pia"]


@pytest.mark.parametrize("what", ["could", "pockets"])
def test_could_nights_and_pockets_wake_nobody_further(what):
    made = wet(COULD if what == "could" else Cold(chance=0.9, low_c=-4, ice=time(2), early=time(0), pockets=0.7))
    if what == "pockets":
        made.log("2026-10-31 12:00", "blown_out", sides=("front", "rear"))
    assert late(made) == ["17:00 mara", "17:00 owen"]
    assert "nobody else is told tonight" in made.to(MARA, STILL_WET)[0].text


def test_blown_out_before_a_night_that_only_could_freeze_is_not_still_wet():
    made = wet(Cold(chance=0.9, low_c=-2, ice=time(2), early=time(0), pockets=0.3))
    made.log("2026-11-02 15:00", "blown_out", sides=("front", "rear"))
    assert late(made) == []
    made.run("2026-11-03 07:00")
    assert made.to(MARA, NoticeKind.MORNING_AFTER) == []


def test_the_same_silence_the_next_night_wakes_nobody_further():
    made = wet()
    made.night("2026-11-03", FREEZES)
    assert late(made, "2026-11-03 23:30") == ["17:00 mara", "17:00 owen", "17:20 ruth", "17:00 mara", "17:00 owen"]


def test_left_on_purpose_the_next_night_wakes_nobody_further():
    made = wet()
    made.night("2026-11-03", FREEZES)
    made.log("2026-11-02 16:00", "risk_accepted", by=MARA, duty=KEY)
    assert late(made, "2026-11-03 23:30") == ["17:00 mara", "17:00 owen"]


def test_a_refused_address_counts_as_unanswered():
    made = wet()
    made.run("17:00")
    made.refused.add(MARA)
    assert late(made) == ["17:00 mara", "17:00 owen", "17:00 ruth"]


def test_a_new_address_in_the_roster_is_tried_again():
    made = wet()
    made.night("2026-11-03", FREEZES)
    made.run("17:00")
    made.refused.add(MARA)
    made.run("2026-11-03 06:00")
    (one,) = made.fleets
    made.fleets = (replace(one, people=crew(mara={"email": "mara@new.example"})),)
    made.run("2026-11-03 07:00")
    assert made.to(MARA)[-1].to == "mara@new.example"


def test_an_absent_contact_is_replaced_by_the_deputy_or_the_next():
    away = Absence(first_on=date(2026, 11, 1), last_on=date(2026, 11, 5), deputy=PIA)
    assert late(wet(people=crew(mara={"absences": (away,)}))) == ["17:00 pia", "17:00 owen", "17:20 ruth"]
    away = Absence(first_on=date(2026, 11, 1), last_on=date(2026, 11, 5))
    assert late(wet(people=crew(mara={"absences": (away,)}))) == ["17:00 ruth", "17:00 owen"]


def test_who_is_off_at_the_weekend_comes_last():
    made = wet(people=crew(mara={"works_weekends": False}), start="2026-11-07 05:00")
    made.night("2026-11-07", FREEZES)
    assert late(made) == ["17:00 ruth", "17:00 owen", "17:20 mara"]


def test_somebody_always_hears_of_it():
    made = wet(people=crew(mara={"email": None}, ruth={"works_weekends": False}), start="2026-11-07 05:00")
    made.night("2026-11-07", FREEZES)
    assert late(made) == ["17:00 ruth", "17:00 owen"]


def test_two_machines_late_at_once_are_one_message_a_person():
    made = wet(FREEZES, machine(1), machine(2))
    assert late(made) == ["17:00 mara", "17:00 owen", "17:20 ruth"]
    assert made.to(MARA, STILL_WET)[0].machines == ("sprayer-1", "sprayer-2")


def test_a_night_that_gets_worse_at_night_is_told_at_once_and_only_so():
    made = wet(Cold())
    made.night(TONIGHT, FREEZES, known_at="2026-11-02 22:00")
    made.run("22:30")
    assert made.lines() == ["11-02 22:00 still_wet mara", "11-02 22:00 still_wet owen", "11-02 22:20 still_wet ruth"]
    assert made.notices[0].text.startswith("This was not expected before")


def test_after_dark_the_way_out_comes_first():
    made = wet(Cold())
    made.night(TONIGHT, FREEZES, known_at="2026-11-02 22:00")
    made.run("22:30")
    steps = [line for line in made.notices[0].text.splitlines() if line[:2] == "1."]
    assert steps[0].startswith("1. Cannot, or not safe alone in the dark? Leave it")


def test_it_refers_to_the_first_message():
    made = wet()
    made.run("18:00")
    assert {notice.refers_to for notice in made.notices if notice.kind is STILL_WET} == {f"day|mara|{TONIGHT}"}
