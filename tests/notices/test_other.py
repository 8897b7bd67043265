"""The morning after, cancelling, no forecast, catch-up."""

from __future__ import annotations

from datetime import time

from tests.notices.farm import (
    COULD,
    FREEZES,
    MARA,
    MILD,
    OWEN,
    RUTH,
    UNKNOWN,
    Cold,
    Farm,
    NoticeKind,
    TimeSpan,
    as_sent,
    crew,
    farm,
    machine,
)

TONIGHT = "2026-11-02"
MORNING, CANCELLED, NO_FORECAST = NoticeKind.MORNING_AFTER, NoticeKind.CANCELLED, NoticeKind.NO_FORECAST


def wet(cold: Cold = FREEZES, *machines, **changes) -> Farm:
    made = farm(*machines, **changes)
    for one in machines or (machine(),):
        made.log("2026-10-20 17:00", "sprayed", one.id)
        made.log("2026-10-20 17:30", "rinsed", one.id, sides=("front", "rear"))
    made.night(TONIGHT, cold)
    return made


def written(made: Farm, kind: NoticeKind, until: str) -> list[str]:
    made.run(until)
    return [f"{made.told_line(one)[6:11]} {one.person}" for one in made.notices if one.kind is kind]


# ---------------------------------------------------------------- the morning after


def test_the_morning_after_is_told_an_hour_before_work_once():
    assert written(wet(), MORNING, "2026-11-03 20:00") == ["06:00 mara", "06:00 owen"]


def test_all_machines_that_may_be_frozen_are_one_mail_a_person():
    made = wet(FREEZES, machine(1), machine(2), machine(3))
    assert written(made, MORNING, "2026-11-03 20:00") == ["06:00 mara", "06:00 owen"]
    assert len(made.to(OWEN, MORNING)[0].machines) == 3


def test_left_on_purpose_it_is_still_not_started():
    made = wet()
    made.log("2026-11-02 16:00", "risk_accepted", by=MARA, duty=f"protect|sprayer-1|{TONIGHT}")
    assert written(made, MORNING, "2026-11-03 20:00") == ["06:00 mara", "06:00 owen"]


def test_protected_it_is_not_spoken_of():
    made = wet()
    made.log("2026-11-02 16:00", "moved", by=MARA, site="north", place="shop")
    assert written(made, MORNING, "2026-11-03 20:00") == []


def test_quiet_hours_that_end_before_work_are_kept():
    made = wet(people=crew(owen={"quiet": TimeSpan(start=time(21), end=time(6, 30))}))
    assert written(made, MORNING, "2026-11-03 20:00") == ["06:00 mara", "06:30 owen"]


def test_quiet_hours_that_end_when_work_starts_are_kept_and_nobody_is_forgotten():
    made = wet(people=crew(mara={"quiet": TimeSpan(start=time(21), end=time(7))}))
    assert written(made, MORNING, "2026-11-03 20:00") == ["06:00 owen", "07:00 mara"]


def test_quiet_hours_that_end_after_work_starts_are_passed():
    made = wet(people=crew(owen={"quiet": TimeSpan(start=time(21), end=time(9))}))
    assert written(made, MORNING, "2026-11-03 20:00") == ["06:00 mara", "06:00 owen"]


def test_the_morning_after_refers_to_the_message_of_that_night():
    made = wet()
    made.run("2026-11-03 07:00")
    assert made.to(MARA, MORNING)[0].refers_to == f"day|mara|{TONIGHT}"


# ---------------------------------------------------------------- cancelled


def test_cancelling_refers_to_the_first_and_goes_only_to_those_told():
    made = wet()
    made.night(TONIGHT, MILD, known_at="2026-11-02 12:00")
    assert written(made, CANCELLED, "20:00") == ["12:00 mara"]
    (mail,) = made.to(MARA, CANCELLED)
    assert mail.refers_to == f"day|mara|{TONIGHT}"
    assert '"Freezes tonight: protect Sprayer 1 by 17:00"' in mail.text


def test_whoever_acted_gets_no_cancelling():
    made = wet()
    made.log("2026-11-02 11:00", "moved", by=MARA, site="north", place="shop")
    made.night(TONIGHT, MILD, known_at="2026-11-02 12:00")
    assert written(made, CANCELLED, "20:00") == []


def test_a_promise_is_cancelled_too():
    made = wet()
    made.log("2026-11-02 11:00", "promised", duty=f"protect|sprayer-1|{TONIGHT}", by_at=made.at("19:00"))
    made.night(TONIGHT, MILD, known_at="2026-11-02 12:00")
    assert written(made, CANCELLED, "20:00") == ["12:00 mara"]


def test_nobody_told_nobody_is_cancelled():
    made = wet(COULD)
    made.night(TONIGHT, MILD, known_at="2026-11-02 12:00")
    assert written(made, CANCELLED, "20:00") == []


def test_everyone_woken_hears_that_it_is_over():
    made = wet()
    made.night(TONIGHT, MILD, known_at="2026-11-02 18:00")
    assert written(made, CANCELLED, "20:00") == ["18:00 mara", "18:00 owen", "18:00 ruth"]


def test_cancelling_waits_for_the_end_of_quiet_hours():
    made = wet(people=crew(mara={"quiet": TimeSpan(start=time(11), end=time(13))}))
    made.night(TONIGHT, MILD, known_at="2026-11-02 12:00")
    assert written(made, CANCELLED, "20:00") == ["13:00 mara"]


def test_cancelling_several_machines_is_one_mail():
    made = wet(FREEZES, machine(1), machine(2))
    made.night(TONIGHT, MILD, known_at="2026-11-02 12:00")
    assert written(made, CANCELLED, "20:00") == ["12:00 mara"]


def test_a_flush_still_due_is_said_when_protecting_is_cancelled():
    made = farm()
    made.log("2026-11-02 16:00", "sprayed")
    made.night(TONIGHT, FREEZES)
    made.night(TONIGHT, MILD, known_at="2026-11-02 20:00")
    made.run("20:10")
    assert "Still to do: flush Sprayer 1 before the first fill." in made.to(OWEN, CANCELLED)[0].text


# ---------------------------------------------------------------- no forecast


def test_no_forecast_is_a_notice_three_hours_before_the_evening():
    assert written(wet(UNKNOWN), NO_FORECAST, "2026-11-03 05:00") == ["17:00 mara"]


def test_a_forecast_lost_later_is_told_when_it_is_lost():
    made = wet(MILD)
    made.night(TONIGHT, UNKNOWN, known_at="2026-11-02 18:30")
    assert written(made, NO_FORECAST, "2026-11-03 05:00") == ["18:30 mara"]


def test_one_that_comes_in_time_makes_no_notice():
    made = wet(UNKNOWN)
    made.night(TONIGHT, MILD, known_at="2026-11-02 16:00")
    assert written(made, NO_FORECAST, "2026-11-03 05:00") == []


def test_a_machine_in_a_shop_that_stays_warm_needs_no_forecast():
    made = wet(UNKNOWN)
    made.log("2026-11-02 09:00", "moved", by=MARA, site="north", place="shop")
    assert written(made, NO_FORECAST, "2026-11-03 05:00") == []


# ---------------------------------------------------------------- catch-up


def test_what_was_missed_comes_as_one_mail_a_person_once():
    made = wet()
    made.nights("2026-11-03", 1, FREEZES)
    made.run("2026-11-03 05:00")
    lost = [notice for notice in made.notices if notice.person in (MARA, RUTH)]
    made.notices = [notice for notice in made.notices if notice not in lost]
    made.expired = [as_sent(notice) for notice in lost]
    made.run("2026-11-03 05:30")
    caught = [notice for notice in made.notices if notice.kind is NoticeKind.CATCH_UP]
    assert [notice.person for notice in caught] == [MARA, RUTH]
    assert caught[0].subject == "2 messages could not reach you in time"
    assert "Freezes tonight: protect Sprayer 1 by 17:00" in caught[0].text


def test_catch_up_waits_for_the_end_of_quiet_hours():
    made = wet(MILD, people=crew(mara={"quiet": TimeSpan(start=time(21), end=time(7))}))
    made.run("05:00")
    made.expired = [as_sent(notice) for notice in _any_notice()]
    made.run("06:55")
    assert made.notices == []
    made.run("07:00")
    assert [notice.kind for notice in made.notices] == [NoticeKind.CATCH_UP]


def _any_notice():
    made = wet()
    made.run("06:30")
    return made.to(MARA)
