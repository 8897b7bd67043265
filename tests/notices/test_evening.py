"""The evening message: one per operator, before leaving the field, flushing and protecting in one order."""

from __future__ import annotations

from datetime import time

from carewatch.duties.duty import DutyKind, DutyState
from tests.notices.farm import (
    COULD,
    FREEZES,
    MARA,
    MILD,
    OWEN,
    PIA,
    Cold,
    Farm,
    NoticeKind,
    TimeSpan,
    crew,
    farm,
    machine,
    replace,
)

EVENING = NoticeKind.EVENING
TONIGHT = "2026-11-02"


def working(*machines, until: str = "19:15", **changes) -> Farm:
    """A machine that is protected in the morning and sprays from nine on."""
    made = farm(*machines, **changes)
    for one in machines or (machine(),):
        made.log("2026-11-01 17:00", "moved", one.id, site="north", place="shop")
        made.log("2026-11-02 09:00", "sprayed", one.id, by=one.operators[0])
        made.log("2026-11-02 12:30", "sprayed", one.id, by=one.operators[0])
        made.log("2026-11-02 16:00", "sprayed", one.id, by=one.operators[0])
        made.log(f"2026-11-02 {until}", "sprayed", one.id, by=one.operators[0])
    return made


def evenings(made: Farm, until: str, who: str = OWEN) -> list[str]:
    made.run(until)
    return [made.told_line(notice) for notice in made.to(who)]


def test_one_message_says_flush_and_protect_in_one_order():
    made = working()
    made.night(TONIGHT, FREEZES)
    assert evenings(made, "20:00") == ["11-02 19:40 evening owen"]
    (mail,) = made.to(OWEN)
    assert {key.split("|")[0] for key in mail.duties} == {"rinse", "protect"}
    flush, then = mail.text.index("1. Clean water"), mail.text.index("2. Then the first that is possible")
    assert flush < then


def test_one_message_for_all_machines_of_an_operator():
    made = working(machine(1), machine(2))
    made.night(TONIGHT, FREEZES)
    assert evenings(made, "20:00") == ["11-02 19:40 evening owen"]
    assert made.to(OWEN)[0].machines == ("sprayer-1", "sprayer-2")


def test_a_message_for_each_operator():
    made = working(machine(1), machine(2, operators=(PIA,)))
    made.run("20:00")
    assert [made.told_line(notice) for notice in made.notices] == [
        "11-02 19:40 evening owen", "11-02 19:40 evening pia"
    ]  # fmt: skip


def test_whoever_sprayed_last_is_told():
    made = working(machine(operators=(OWEN, PIA)))
    made.log("2026-11-02 19:30", "sprayed", by=PIA)
    made.run("20:00")
    assert [notice.person for notice in made.notices] == [PIA]


def test_a_machine_nobody_reachable_drives_is_told_to_the_contact():
    made = working(people=crew(owen={"email": None}))
    made.run("20:00")
    assert [notice.person for notice in made.notices] == [MARA]


def test_somebody_without_mail_is_told_by_somebody_else():
    made = working(people=crew(owen={"email": None, "told_by": PIA}))
    made.run("20:00")
    assert [notice.person for notice in made.notices] == [PIA]


def test_no_second_message_at_six_in_the_morning():
    made = working()
    assert evenings(made, "2026-11-03 09:00") == ["11-02 19:40 evening owen"]


def test_a_shift_past_midnight_is_told_at_its_end_and_not_again_at_six():
    made = farm(machine(shift_end=time(2, 30)))
    for when in ("02 21:00", "03 00:30", "03 02:00"):
        made.log(f"2026-11-{when}", "sprayed")
    assert evenings(made, "2026-11-03 18:00") == ["11-03 02:10 evening owen"]


def test_after_midnight_the_manager_still_sees_it_at_six():
    made = farm(machine(shift_end=time(2, 30)))
    made.log("2026-11-02 23:00", "sprayed")
    made.log("2026-11-03 02:00", "sprayed")
    made.run("2026-11-03 12:00")
    assert [made.told_line(notice) for notice in made.to(MARA)] == ["11-03 06:30 day mara"]


def test_it_passes_quiet_hours_until_two_hours_after_the_last_activity():
    quiet = crew(owen={"quiet": TimeSpan(start=time(18), end=time(6))})
    assert evenings(working(people=quiet), "23:00") == ["11-02 19:40 evening owen"]
    stopped_early = working(people=quiet, until="16:30")
    assert evenings(stopped_early, "23:00") == []


def test_an_answer_stops_everything():
    made = working()
    made.log("2026-11-02 19:35", "rinsed", sides=("front", "rear"))
    assert evenings(made, "2026-11-03 12:00") == []


def test_it_sprayed_again_after_the_answer_it_is_asked_again():
    made = working()
    made.log("2026-11-02 20:10", "rinsed", sides=("front", "rear"))
    made.log("2026-11-02 21:00", "sprayed")
    assert evenings(made, "23:00") == ["11-02 19:40 evening owen", "11-02 21:00 evening owen"]


def test_the_answer_to_a_question_gets_its_flush_numbers():
    made = farm()
    made.log("2026-10-31 17:00", "sprayed")
    made.log("2026-10-31 17:30", "rinsed", sides=("front", "rear"))
    made.log("2026-11-02 19:50", "sprayed")
    assert evenings(made, "22:00") == ["11-02 19:40 evening owen", "11-02 19:50 evening owen"]
    assert [notice.subject for notice in made.to(OWEN)] == [
        "Sprayer 1: did it spray today?", "Sprayer 1: flush both valve sides before you leave the field"
    ]  # fmt: skip


def test_half_flushed_names_the_missing_side_and_asks_only_for_that():
    made = working()
    made.log("2026-11-02 19:30", "rinsed", sides=("front",))
    made.run("20:00")
    (mail,) = made.to(OWEN)
    assert mail.subject == "Sprayer 1: flush the rear side too before you leave the field"
    assert "rear side about" in mail.text
    assert "front side about" not in mail.text
    assert "So open both" not in mail.text


def test_a_night_that_could_freeze_goes_to_the_operator_only():
    made = working()
    made.night(TONIGHT, COULD)
    made.run("20:00")
    assert [made.told_line(notice) for notice in made.notices] == ["11-02 19:40 evening owen"]
    assert made.notices[0].subject.endswith("then protect it: could freeze tonight")


def test_an_idle_wet_machine_is_told_two_hours_before_its_deadline():
    made = farm()
    made.log("2026-10-20 17:00", "sprayed")
    made.night(TONIGHT, FREEZES)
    assert evenings(made, "16:00") == ["11-02 15:00 evening owen"]
    assert made.to(OWEN)[0].subject == "Sprayer 1: protect by 17:00, freezes tonight"


def test_ice_that_comes_early_is_told_before_the_shift_ends():
    made = working(until="16:30")
    made.night(TONIGHT, Cold(chance=0.9, low_c=-6, ice=time(20), early=time(18, 45)))
    assert evenings(made, "17:00") == ["11-02 16:00 evening owen"]


def test_a_machine_at_work_is_not_asked_for_with_an_idle_one():
    made = working(machine(1))
    made.fleets = (replace(made.fleets[0], machines=(machine(1), machine(2))),)
    made.log("2026-10-20 17:00", "sprayed", "sprayer-2")
    made.night(TONIGHT, FREEZES)
    assert evenings(made, "16:55") == ["11-02 15:00 evening owen"]
    assert made.to(OWEN)[0].machines == ("sprayer-2",)
    made.run("20:00")
    assert made.to(OWEN)[-1].subject.startswith("Sprayer 1: flush both valve sides before you leave the field, then")


def test_flush_and_protection_that_fall_due_together_are_one_message():
    made = farm(machine(shift_end=None))
    made.night(TONIGHT, Cold(chance=0.9, low_c=-7, ice=time(21), early=time(20, 30)), known_at="2026-11-02 20:10")
    made.log("2026-11-02 20:00", "sprayed")
    made.run("20:15")
    assert made.lines() == ["11-02 20:10 still_wet mara", "11-02 20:10 evening owen"]
    assert {key.split("|")[0] for key in made.to(OWEN)[0].duties} == {"rinse", "protect"}


def test_protection_given_to_somebody_is_told_to_that_person_at_once():
    made = working()
    made.night(TONIGHT, FREEZES)
    made.run("13:30")
    made.log("2026-11-02 14:00", "assigned", by=MARA, duty=f"protect|sprayer-1|{TONIGHT}", to=PIA)
    made.run("20:00")
    assert [made.told_line(notice) for notice in made.notices] == [
        "11-02 14:00 evening pia", "11-02 19:40 evening owen"
    ]  # fmt: skip
    assert {key.split("|")[0] for key in made.to(OWEN)[0].duties} == {"rinse"}


def test_a_late_entry_that_moves_the_shift_brings_no_second_message():
    made = working()
    made.log("2026-11-02 07:00", "sprayed", late_h=13.5)
    assert evenings(made, "23:00") == ["11-02 19:40 evening owen"]


def test_cannot_flush_stops_nothing_but_is_kept():
    made = working()
    made.run("19:50")
    key = made.duty(DutyKind.RINSE).key
    made.log("2026-11-02 20:00", "risk_accepted", by=MARA, duty=key)
    made.run("2026-11-03 12:00")
    assert made.duty(DutyKind.RINSE).state is DutyState.ACCEPTED
    assert made.to(MARA) == []


def test_a_mild_evening_speaks_of_the_flush_only():
    made = working()
    made.night(TONIGHT, MILD)
    made.run("20:00")
    assert "protect" not in made.to(OWEN)[0].text.lower()
