"""The duties to flush after a shift, to say what happened, and to thaw."""

from __future__ import annotations

from datetime import date, time

from carewatch.duties.daylight import sunset_at
from carewatch.duties.duty import DutyKind, DutyState
from tests.notices.farm import FREEZES, Cold, Side, farm, machine, site

RINSE, SAY, THAW = DutyKind.RINSE, DutyKind.SAY, DutyKind.THAW


def of_kind(made, kind: DutyKind) -> list:
    return [duty for duty in made.ledger.values() if duty.kind is kind]


def opened(made, kind: DutyKind) -> str:
    return f"{made.duty(kind).opened_at.astimezone(made.fleets[0].tz):%d %H:%M}"


# ---------------------------------------------------------------- rinse


def test_a_rinse_opens_twenty_minutes_before_the_planned_end():
    made = farm()
    made.log("2026-11-02 09:00", "sprayed")
    made.log("2026-11-02 18:00", "sprayed")
    made.run("21:00")
    assert opened(made, RINSE) == "02 19:40"


def test_without_a_planned_shift_it_opens_ten_minutes_after_the_last_activity():
    made = farm(machine(shift_end=None))
    made.log("2026-11-02 15:00", "sprayed")
    made.run("21:00")
    assert opened(made, RINSE) == "02 15:10"


def test_a_shift_that_ended_hours_before_its_plan_counts_from_the_gap():
    made = farm()
    made.log("2026-11-02 11:00", "sprayed")
    made.run("21:00")
    assert opened(made, RINSE) == "02 15:00"


def test_a_rinsed_machine_gets_no_duty():
    made = farm()
    made.log("2026-11-02 17:00", "sprayed")
    made.log("2026-11-02 17:30", "rinsed", sides=("front", "rear"))
    made.run("21:00")
    assert not of_kind(made, RINSE)


def test_one_rinsed_side_is_not_rinsed_and_the_other_is_named():
    made = farm()
    made.log("2026-11-02 19:30", "sprayed")
    made.log("2026-11-02 19:50", "rinsed", sides=("front",))
    made.run("21:00")
    assert made.duty(RINSE).state is DutyState.OPEN
    assert made.duty(RINSE).because == ("Half flushed: the rear side still holds product.",)


def test_a_rinse_is_void_once_it_sprays_again():
    made = farm()
    made.log("2026-11-02 19:30", "sprayed")
    made.log("2026-11-02 19:50", "rinsed", sides=("front", "rear"))
    made.run("20:00")
    assert made.duty(RINSE).state is DutyState.DONE
    made.log("2026-11-02 20:30", "sprayed")
    made.run("21:00")
    assert made.duty(RINSE).state is DutyState.OPEN


def test_the_duty_belongs_to_the_shift_not_to_the_calendar_day():
    made = farm(machine(shift_end=time(2, 30)))
    made.log("2026-11-02 21:00", "sprayed")
    made.log("2026-11-03 00:30", "sprayed")
    made.log("2026-11-03 02:15", "sprayed")
    made.run("2026-11-03 09:00")
    assert [str(duty.night) for duty in of_kind(made, RINSE)] == ["2026-11-02"]
    assert opened(made, RINSE) == "03 02:10"


def test_a_new_shift_lapses_the_old_duty():
    made = farm()
    made.log("2026-11-02 19:30", "sprayed")
    made.log("2026-11-03 19:30", "sprayed")
    made.run("2026-11-03 21:00")
    assert [duty.state for duty in of_kind(made, RINSE)] == [DutyState.LAPSED, DutyState.OPEN]


def test_a_late_entry_that_moves_the_start_of_the_shift_makes_no_second_duty():
    made = farm()
    made.log("2026-11-02 19:30", "sprayed")
    made.run("20:00")
    made.log("2026-11-02 17:00", "sprayed", late_h=4)
    made.run("2026-11-02 22:30")
    assert len(of_kind(made, RINSE)) == 1


def test_flush_and_protection_are_asked_for_together_when_the_ice_comes_early():
    made = farm()
    made.night("2026-11-02", Cold(chance=0.9, low_c=-6, ice=time(20), early=time(18, 45)))
    made.log("2026-11-02 14:00", "sprayed")
    made.run("21:00")
    assert opened(made, RINSE) == "02 16:00"  # due 18:00, two hours before


# ---------------------------------------------------------------- say


def test_a_working_day_without_a_word_is_a_question():
    made = farm()
    made.log("2026-10-31 17:00", "sprayed")
    made.log("2026-10-31 17:30", "rinsed", sides=("front", "rear"))
    made.run("21:00")
    assert opened(made, SAY) == "02 19:40"
    assert made.duty(SAY).because == ("No word today: did it spray?",)


def test_a_machine_without_a_planned_shift_is_asked_about_before_work_ends():
    made = farm(machine(shift_end=None))
    made.log("2026-10-31 17:00", "sprayed")
    made.log("2026-10-31 17:30", "rinsed", sides=("front", "rear"))
    made.run("21:00")
    assert opened(made, SAY) == "02 19:40"


def test_any_word_that_day_is_no_question():
    made = farm()
    made.log("2026-10-31 17:00", "sprayed")
    made.log("2026-11-02 12:00", "not_used")
    made.run("21:00")
    assert not of_kind(made, SAY)


def test_sundays_out_of_season_and_laid_up_machines_are_not_asked_about():
    made = farm(start="2026-11-01 05:00")  # a Sunday
    made.log("2026-10-31 17:00", "sprayed")
    made.run("21:00")
    assert not of_kind(made, SAY)
    for kind in ("laid_up", "season_ended"):
        made = farm()
        made.log("2026-10-31 17:00", "sprayed")
        made.log("2026-11-01 17:00", kind, by="mara")
        made.run("21:00")
        assert not of_kind(made, SAY), kind
    made = farm()
    made.log("2026-10-20 17:00", "sprayed")
    made.run("21:00")
    assert not of_kind(made, SAY)


def test_a_question_is_done_by_a_word_and_lapses_by_the_next_day():
    made = farm()
    made.log("2026-10-31 17:00", "sprayed")
    made.log("2026-11-02 20:30", "not_used")
    made.run("21:00")
    assert made.duty(SAY).state is DutyState.DONE
    made.run("2026-11-05 05:00")
    assert made.duty(SAY).state is DutyState.LAPSED


def test_pockets_are_asked_about_again_after_three_nights_if_it_gets_cold():
    made = farm()
    made.log("2026-10-20 12:00", "sprayed")
    made.log("2026-10-30 12:00", "blown_out", sides=("front", "rear"))
    made.night("2026-11-02", FREEZES)
    made.run("21:00")
    assert made.duty(SAY).because == ("Blown out or drained some nights ago: is it still so?",)


# ---------------------------------------------------------------- thaw


def wet_night():
    made = farm()
    made.log("2026-11-01 17:00", "sprayed")
    made.log("2026-11-01 17:30", "rinsed", sides=("front", "rear"))
    made.night("2026-11-02", FREEZES)
    return made


def test_a_flagged_wet_night_makes_a_thaw_duty_due_before_work():
    made = wet_night()
    made.run("2026-11-03 06:30")
    assert made.duty(THAW).due_at == made.at("2026-11-03 07:00")


def test_a_protected_machine_needs_no_thawing():
    made = wet_night()
    made.log("2026-11-02 16:00", "moved", site="north", place="shop")
    made.run("2026-11-03 09:00")
    assert not of_kind(made, THAW)


def test_a_night_that_turned_mild_needs_no_thawing():
    made = wet_night()
    made.night("2026-11-02", Cold(chance=0.01, low_c=3), known_at="2026-11-02 23:00")
    made.run("2026-11-03 09:00")
    assert not of_kind(made, THAW)


def test_thawed_before_anybody_asked_counts():
    made = wet_night()
    made.night("2026-11-02", Cold(chance=0.9, low_c=-2), known_at="2026-11-02 12:00")
    made.log("2026-11-03 05:30", "thawed", found_ice=False)
    made.run("2026-11-03 09:00")
    assert not of_kind(made, THAW)


def test_thawed_closes_it_and_use_lapses_it():
    made = wet_night()
    made.log("2026-11-03 08:00", "thawed", found_ice=True)
    made.run("2026-11-03 09:00")
    assert made.duty(THAW).state is DutyState.DONE
    made = wet_night()
    made.log("2026-11-03 10:00", "sprayed")
    made.run("2026-11-03 11:00")
    assert made.duty(THAW).state is DutyState.LAPSED


def test_forgotten_for_a_week_it_lapses():
    made = wet_night()
    made.run("2026-11-12 09:00")
    assert made.duty(THAW).state is DutyState.LAPSED


def test_found_frozen_during_the_day_it_is_due_at_once():
    made = farm(start="2026-11-02 10:00")
    made.usual = Cold(chance=0.99, low_c=-9, is_frozen_already=True)
    made.look()
    assert made.duty(THAW).due_at == made.at("2026-11-02 10:00")
    assert [notice.kind for notice in made.notices] == ["morning_after", "morning_after"]


# ---------------------------------------------------------------- edges


def test_heat_reported_on_is_evidence_heat_off_is_none():
    for is_on, state in ((True, DutyState.DONE), (False, DutyState.OPEN)):
        made = farm()
        made.log("2026-10-28 17:00", "sprayed")
        made.log("2026-10-28 18:00", "moved", site="north", place="shop")  # confirmed for 72 h: a shed by now
        made.night("2026-11-02", FREEZES)
        made.run("08:00")
        assert made.duty(DutyKind.PROTECT).state is DutyState.OPEN
        made.log("2026-11-02 09:00", "heat_changed", is_on=is_on)
        made.run("10:00")
        assert made.duty(DutyKind.PROTECT).state is state


def test_a_machine_with_one_side_speaks_of_its_valves():
    made = farm(machine(sides=(Side(key="front", label="front"),)))
    made.log("2026-11-02 19:30", "sprayed")
    made.run("20:00")
    assert made.duty(RINSE).because == ("Product sits in the valves.",)


def test_what_a_retired_machine_was_asked_is_cancelled():
    made = farm()
    made.log("2026-11-02 19:30", "sprayed")
    made.run("20:00")
    made.log("2026-11-02 20:10", "retired", by="mara")
    made.run("21:00")
    assert made.duty(RINSE).state is DutyState.CANCELLED


def test_found_frozen_in_the_night_it_is_due_when_work_starts():
    for start, due in (("2026-11-02 05:00", "2026-11-02 07:00"), ("2026-11-02 22:00", "2026-11-03 07:00")):
        made = farm(start=start)
        made.usual = Cold(chance=0.99, low_c=-9, is_frozen_already=True)
        made.look()
        assert made.duty(THAW).due_at == made.at(due)


def test_where_the_sun_does_not_set_work_hours_count():
    assert sunset_at(site(lat_deg=70.0, lon_deg=25.0, zone="Europe/Oslo"), date(2026, 6, 21)) is None  # midnight sun
