"""When the duty to protect opens, by when it is due, and what closes it."""

from __future__ import annotations

from datetime import time, timedelta

import pytest

from carewatch.duties.duty import DutyKind, DutyState
from carewatch.duties.protect import THAWS_WITHIN
from tests.notices.farm import COULD, FREEZES, MILD, UNKNOWN, Cold, farm, machine, site

PROTECT = DutyKind.PROTECT
NIGHT = "2026-11-02"


def wet_farm(*machines, cold: Cold = FREEZES, **changes):
    """A machine that sprayed on Sunday and was flushed with water; tonight as given."""
    made = farm(*machines, **changes)
    for one in machines or (machine(),):
        made.log("2026-11-01 17:00", "sprayed", one.id)
        made.log("2026-11-01 17:30", "rinsed", one.id, sides=one.side_keys)
    made.night(NIGHT, cold)
    return made


def state_at(made, when: str, night: str | None = NIGHT) -> DutyState:
    made.run(when)
    return made.duty(PROTECT, night).state


@pytest.mark.parametrize(
    ("chance", "opens"),
    [(0.0, False), (0.0999, False), (0.10, True), (0.6, True)],
    ids=["none", "below", "at", "above"],
)
def test_it_opens_from_the_threshold_on(chance, opens):
    made = wet_farm(cold=Cold(chance=chance, low_c=-1.0))
    made.look()
    assert bool([duty for duty in made.ledger.values() if duty.kind is PROTECT]) is opens


def test_an_unusable_forecast_opens_it_but_never_closes_it():
    made = wet_farm(cold=Cold(chance=0.6, low_c=-1.0, is_usable=False))
    made.night(NIGHT, Cold(chance=0.0, is_usable=False), known_at="2026-11-02 12:00")
    made.night(NIGHT, UNKNOWN, known_at="2026-11-02 14:00")
    assert [state_at(made, when) for when in ("09:00", "13:00", "15:00")] == [DutyState.OPEN] * 3


def test_what_was_closed_is_not_opened_by_losing_the_forecast():
    made = wet_farm()
    made.night(NIGHT, UNKNOWN, known_at="2026-11-02 14:00")
    made.log("2026-11-02 12:00", "moved", site="north", place="shop")
    assert [state_at(made, when) for when in ("13:00", "19:00")] == [DutyState.DONE] * 2


# ---------------------------------------------------------------- the deadline

BRIGHT = {"shift_end": None}


def due(made) -> str:
    made.look()
    return f"{made.duty(PROTECT).due_at.astimezone(made.fleets[0].tz):%d %H:%M}"


def test_deadline_is_early_ice_minus_the_working_time_in_half_hours():
    # Sunset in November is 17:00 there: shown with ice before it. 16:10 - 45 min = 15:25, down to 15:00.
    assert due(wet_farm(cold=Cold(chance=0.9, low_c=-3, ice=time(18), early=time(16, 10)))) == "02 15:00"


def test_deadline_counts_the_machines_own_working_time():
    slow = machine(protect_min=120)
    assert due(wet_farm(slow, cold=Cold(chance=0.9, low_c=-3, ice=time(18), early=time(16, 10)))) == "02 14:00"


def test_deadline_is_before_dark_if_that_leaves_two_hours():
    assert due(wet_farm()) == "02 17:00"  # sunset 17:02 at 41.6 N, 93.6 W (equation of time and declination by astral)
    assert due(wet_farm(start="2026-11-02 16:00")) == "02 20:00"  # too little daylight left: the end of work


def test_deadline_leaves_time_for_the_work_after_a_shift_that_goes_on():
    made = wet_farm()
    made.log("2026-11-02 09:00", "sprayed")
    made.run("10:00")
    assert due(made) == "02 21:00"  # shift until 20:00, flush 15 min, protect 45 min


def test_deadline_of_a_shift_past_midnight_is_after_midnight():
    night_shift = machine(shift_end=time(1, 30))
    made = wet_farm(night_shift, cold=Cold(chance=0.9, low_c=-3, ice=time(6), early=time(5)))
    made.log("2026-11-02 16:30", "sprayed")
    made.log("2026-11-02 20:00", "sprayed")
    made.run("22:00")
    assert due(made) == "03 02:30"


def test_deadline_never_waits_for_the_shift_when_the_ice_does_not():
    made = wet_farm(cold=Cold(chance=0.9, low_c=-5, ice=time(21), early=time(19)))
    made.log("2026-11-02 09:00", "sprayed")
    made.run("10:00")
    assert due(made) == "02 18:00"


def test_nobody_is_late_before_an_hour_after_the_day_mail():
    made = wet_farm(cold=Cold(chance=0.9, low_c=-5, ice=time(12), early=time(12)))
    assert due(made) == "02 11:00"
    early_bird = wet_farm(cold=Cold(chance=0.9, low_c=-5, ice=time(12), early=time(12)), day_mail_at=time(10, 30))
    assert due(early_bird) == "02 11:30"


def test_deadline_is_never_before_it_was_opened():
    made = wet_farm(start="2026-11-02 23:10")
    assert due(made) == "02 23:10"


def test_deadline_is_in_the_zone_of_the_site():
    east = site("east", zone="America/New_York", lat_deg=41.6, lon_deg=-74.0)
    made = wet_farm(machine(home_site="east"), sites=(site(), east))
    made.look()
    assert f"{made.duty(PROTECT).due_at.astimezone(east.tz):%H:%M}" == "16:30"  # sunset 16:48 there


def test_deadline_follows_the_forecast_until_it_has_passed():
    made = wet_farm(cold=Cold(chance=0.9, low_c=-3, ice=time(17), early=time(16)))
    made.night(NIGHT, FREEZES, known_at="2026-11-02 10:00")
    made.night(NIGHT, Cold(chance=0.9, low_c=-3, ice=time(17), early=time(16)), known_at="2026-11-02 16:00")
    made.run("09:00")
    assert due(made) == "02 15:00"
    made.run("11:00")
    assert due(made) == "02 17:00"
    made.run("16:30")
    assert due(made) == "02 15:00"
    made.night(NIGHT, FREEZES, known_at="2026-11-02 17:30")
    made.run("18:00")
    assert due(made) == "02 15:00"


# ---------------------------------------------------------------- answers and evidence


def test_a_promise_is_no_evidence_and_lapses():
    made = wet_farm()
    made.log("2026-11-02 08:00", "promised", duty=f"protect|sprayer-1|{NIGHT}", by_at=made.at("2026-11-02 19:00"))
    assert state_at(made, "18:59") is DutyState.PROMISED
    assert state_at(made, "19:00") is DutyState.LAPSED


@pytest.mark.parametrize(
    ("kind", "told", "state"),
    [
        ("moved", {"site": "north", "place": "shop"}, DutyState.DONE),
        ("antifreeze_run", {"fluid": "propylene_glycol", "sides": ("front", "rear"), "strength_vol_pct": 50.0,
                            "litres": 600.0}, DutyState.DONE),
        ("blown_out", {"sides": ("front", "rear")}, DutyState.DONE),
        ("blown_out", {"sides": ("front",)}, DutyState.OPEN),
        ("rinsed", {"sides": ("front", "rear")}, DutyState.OPEN),
        ("moved", {"site": "north", "place": "yard"}, DutyState.OPEN),
        ("note", {"text": "all done, promised"}, DutyState.OPEN),
    ],
    ids=["indoors", "antifreeze", "air", "air in one side", "flushed only", "moved outdoors", "a note"],
)  # fmt: skip
def test_only_evidence_closes_it(kind, told, state):
    made = wet_farm()
    made.log("2026-11-02 12:00", kind, **told)
    if kind == "antifreeze_run":  # litres alone still count as water on the valves until the strength is measured
        for side in ("front", "rear"):
            for section in (1, 2, 3, 4, 5):
                made.log(
                    "2026-11-02 12:30", "strength_measured", section=section, side=side, scale="propylene_glycol",
                    first_ice_c=-20.0, water_reads_water=True,
                )  # fmt: skip
    assert state_at(made, "13:00") is state


def test_leave_it_stays_until_the_night_is_over():
    made = wet_farm()
    made.log("2026-11-02 12:00", "risk_accepted", by="mara", duty=f"protect|sprayer-1|{NIGHT}")
    assert state_at(made, "21:00") is DutyState.ACCEPTED
    assert state_at(made, "2026-11-03 13:00", night=NIGHT) is DutyState.ACCEPTED


def test_a_later_promise_takes_the_decision_back():
    made = wet_farm()
    made.log("2026-11-02 12:00", "risk_accepted", by="mara", duty=f"protect|sprayer-1|{NIGHT}")
    made.log("2026-11-02 13:00", "promised", duty=f"protect|sprayer-1|{NIGHT}", by_at=made.at("2026-11-02 19:00"))
    assert state_at(made, "14:00") is DutyState.PROMISED


def test_cannot_takes_back_ones_own_promise_only():
    made = wet_farm()
    key = f"protect|sprayer-1|{NIGHT}"
    made.log("2026-11-02 08:00", "promised", duty=key, by_at=made.at("2026-11-02 19:00"))
    made.log("2026-11-02 09:00", "declined", by="mara", duty=key)
    assert state_at(made, "10:00") is DutyState.PROMISED
    made.log("2026-11-02 11:00", "declined", duty=key)
    assert state_at(made, "11:30") is DutyState.OPEN


def test_given_to_somebody_is_kept():
    made = wet_farm()
    made.log("2026-11-02 08:00", "assigned", by="mara", duty=f"protect|sprayer-1|{NIGHT}", to="pia")
    made.run("09:00")
    assert made.duty(PROTECT).assigned_to == "pia"


def test_mild_again_cancels_it_only_below_half_the_threshold():
    made = wet_farm()
    made.night(NIGHT, Cold(chance=0.06, low_c=1), known_at="2026-11-02 12:00")
    assert state_at(made, "12:30") is DutyState.OPEN
    made.night(NIGHT, Cold(chance=0.05, low_c=1), known_at="2026-11-02 13:00")
    assert state_at(made, "13:30") is DutyState.OPEN
    made.night(NIGHT, Cold(chance=0.04, low_c=1), known_at="2026-11-02 14:00")
    assert state_at(made, "14:30") is DutyState.CANCELLED
    made.night(NIGHT, Cold(chance=0.09, low_c=1), known_at="2026-11-02 15:00")
    assert state_at(made, "15:30") is DutyState.CANCELLED
    made.night(NIGHT, Cold(chance=0.10, low_c=1), known_at="2026-11-02 16:00")
    assert state_at(made, "16:30") is DutyState.OPEN


def test_a_flapping_forecast_does_not_flap_the_duty():
    made = wet_farm()
    for hour in range(8, 20):
        made.night(NIGHT, Cold(chance=0.11 if hour % 2 else 0.06, low_c=1), known_at=f"2026-11-02 {hour:02}:05")
    states = {state_at(made, f"{hour:02}:30") for hour in range(8, 20)}
    assert states == {DutyState.OPEN}


def test_use_after_protection_opens_it_again_and_old_promises_do_not_count():
    made = wet_farm()
    key = f"protect|sprayer-1|{NIGHT}"
    made.log("2026-11-02 08:00", "promised", duty=key, by_at=made.at("2026-11-02 23:00"))
    made.log("2026-11-02 09:00", "moved", site="north", place="shop")
    assert state_at(made, "10:00") is DutyState.DONE
    made.log("2026-11-02 15:00", "sprayed")
    assert state_at(made, "15:30") is DutyState.OPEN


def test_an_open_one_lapses_when_its_night_is_over():
    assert state_at(wet_farm(), "2026-11-03 12:00") is DutyState.LAPSED


def test_a_retired_machine_has_no_duties():
    made = wet_farm()
    made.run("09:00")
    made.log("2026-11-02 10:00", "retired", by="mara")
    made.run("2026-11-04 12:00")
    assert {duty.state for duty in made.ledger.values()} == {DutyState.CANCELLED}
    assert made.lines() == ["11-02 06:30 day mara"]


def test_tonight_is_the_coming_evening_from_four_on():
    made = wet_farm(cold=MILD, start="2026-11-02 03:30")
    made.night("2026-11-02", FREEZES)
    made.run("03:55")
    assert not made.ledger
    made.run("04:00")
    assert str(made.duty(PROTECT).night) == "2026-11-02"


def test_a_night_that_could_freeze_opens_it_too():
    assert state_at(wet_farm(cold=COULD), "09:00") is DutyState.OPEN


def test_the_threshold_is_the_fleets():
    assert state_at(wet_farm(cold=Cold(chance=0.04, low_c=0), threshold_tonight=0.03), "09:00") is DutyState.OPEN


def test_frozen_already_is_thawed_not_protected():
    made = wet_farm(cold=Cold(chance=0.99, low_c=-5, is_frozen_already=True))
    made.look()
    assert {duty.kind for duty in made.ledger.values()} == {DutyKind.THAW}


def test_frozen_and_silent_all_day_it_is_in_the_evenings_warning_again():
    made = wet_farm(cold=Cold(chance=0.99, low_c=-5, is_frozen_already=True))
    made.run("12:00")
    assert made.duty(DutyKind.THAW).state is DutyState.OPEN
    made.run("21:00")
    assert made.duty(PROTECT).state is DutyState.OPEN
    assert made.duty(PROTECT).due_at >= made.duty(DutyKind.THAW).opened_at + THAWS_WITHIN
    assert "still_wet" in {notice.kind.value for notice in made.notices}


def test_thawed_today_it_is_protected_again():
    made = wet_farm(cold=Cold(chance=0.99, low_c=-5, is_frozen_already=True))
    made.run("08:00")
    made.log("2026-11-02 09:00", "thawed", found_ice=True)
    made.run("10:00")
    assert made.duty(DutyKind.THAW).state is DutyState.DONE
    assert made.duty(PROTECT).state is DutyState.OPEN


def test_running_it_twice_changes_nothing():
    made = wet_farm()
    made.log("2026-11-02 09:00", "sprayed")
    for _ in range(40):
        made.look()
        again = made.plan()
        assert (again.duties, again.notices) == ((), ())
        assert again.next_due_at > made.now
        made.now += timedelta(minutes=37)
