"""The day mail and what may follow it on the same day."""

from __future__ import annotations

from datetime import time

import pytest

from carewatch.logbook.entries import EntryKind
from tests.notices.farm import (
    COULD,
    FREEZES,
    HARD,
    MARA,
    MILD,
    RUTH,
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

DAY, WORSE = NoticeKind.DAY, NoticeKind.WORSE
TONIGHT = "2026-11-02"


def idle(*numbers: int, **changes) -> Farm:
    """Machines that were flushed with water three days ago and stand in the yard."""
    machines = [machine(number) for number in numbers or (1,)]
    made = farm(*machines, **changes)
    for one in machines:
        made.log("2026-10-29 17:00", "sprayed", one.id)
        made.log("2026-10-29 17:30", "rinsed", one.id, sides=("front", "rear"))
        made.log("2026-10-30 17:00", "season_ended", one.id, by=MARA)
    return made


def day_lines(made: Farm, until: str) -> list[str]:
    made.run(until)
    return [made.told_line(notice) for notice in made.to(MARA, DAY, WORSE)]


def test_nothing_to_do_is_no_mail():
    assert day_lines(idle(), "2026-11-05 05:00") == []


def test_a_freezing_night_is_told_at_the_fleets_hour():
    made = idle(day_mail_at=time(5, 45))
    made.night(TONIGHT, FREEZES)
    assert day_lines(made, "20:00") == ["11-02 05:45 day mara"]


def test_a_night_that_only_could_freeze_is_no_mail_in_the_morning():
    made = idle()
    made.night(TONIGHT, COULD)
    assert day_lines(made, "12:00") == []


def test_could_is_told_beside_what_freezes():
    made = farm(machine(1), machine(2, home_site="river"), sites=(site(), site("river")))
    made.log("2026-10-29 17:00", "sprayed", "sprayer-1")
    made.log("2026-10-29 17:00", "sprayed", "sprayer-2")
    made.night(TONIGHT, FREEZES, site="north")
    made.night(TONIGHT, COULD, site="river")
    made.run("07:00")
    assert made.notices[0].subject == "Freezes tonight: protect Sprayer 1 by 17:00 (Sprayer 2 could)"


def test_at_most_one_a_day():
    made = idle(1, 2, 3)
    made.nights(TONIGHT, 5, FREEZES)
    made.run("2026-11-07 05:00")
    days = [notice.created_at.date() for notice in made.to(MARA, DAY)]
    assert len(days) == len(set(days)) == 5  # nobody acts: each new night is told


def test_the_same_advice_is_not_repeated_in_a_spell_while_people_act():
    made = idle()
    made.nights(TONIGHT, 3, FREEZES)
    for day in (2, 3, 4):
        made.log(f"2026-11-0{day} 18:00", "risk_accepted", by=MARA, duty=f"protect|sprayer-1|2026-11-0{day}")
    assert day_lines(made, "2026-11-05 05:00") == ["11-02 06:30 day mara"]


def test_a_long_spell_is_told_again_every_third_day():
    made = idle()
    made.nights(TONIGHT, 7, FREEZES)
    for day in range(2, 9):
        made.log(f"2026-11-0{day} 12:00", "risk_accepted", by=MARA, duty=f"protect|sprayer-1|2026-11-0{day}")
    assert day_lines(made, "2026-11-08 20:00") == [
        "11-02 06:30 day mara", "11-05 06:30 day mara", "11-08 06:30 day mara"
    ]  # fmt: skip


def test_what_nobody_handled_is_told_again():
    made = idle()
    made.nights(TONIGHT, 2, FREEZES)
    assert day_lines(made, "2026-11-03 12:00") == ["11-02 06:30 day mara", "11-03 06:30 day mara"]


def test_a_mild_night_between_ends_the_spell():
    made = idle()
    made.night("2026-11-02", FREEZES)
    made.night("2026-11-04", FREEZES)
    made.log("2026-11-02 12:00", "risk_accepted", by=MARA, duty="protect|sprayer-1|2026-11-02")
    assert day_lines(made, "2026-11-04 12:00") == ["11-02 06:30 day mara", "11-04 06:30 day mara"]


def test_one_degree_colder_is_no_news():
    made = idle()
    made.night(TONIGHT, FREEZES)
    made.night(TONIGHT, Cold(chance=0.95, low_c=-3.5, ice=time(1, 30), early=time(23, 30)), known_at="2026-11-02 11:00")
    assert day_lines(made, "16:00") == ["11-02 06:30 day mara"]


@pytest.mark.parametrize(("early", "news"), [(time(17, 0), True), (time(17, 20), False)], ids=["60 min", "30 min"])
def test_a_deadline_an_hour_earlier_is_news_half_an_hour_is_not(early, news):
    made = idle()
    made.night(TONIGHT, FREEZES)  # by 17:00
    made.night(TONIGHT, Cold(chance=0.9, low_c=-3, ice=time(20), early=early), known_at="2026-11-02 11:00")
    assert day_lines(made, "15:30") == ["11-02 06:30 day mara", *(["11-02 11:00 worse mara"] if news else [])]


def test_a_new_machine_is_news():
    made = farm(machine(1), machine(2, home_site="river"), sites=(site(), site("river")))
    for number in (1, 2):
        made.log("2026-10-29 17:00", "sprayed", f"sprayer-{number}")
    made.night(TONIGHT, FREEZES, site="north")
    made.night(TONIGHT, FREEZES, site="river", known_at="2026-11-02 13:00")
    assert day_lines(made, "16:00") == ["11-02 06:30 day mara", "11-02 13:00 worse mara"]
    assert made.to(MARA)[1].subject.startswith("Now freezes tonight: protect ")


def test_from_could_to_freezes_is_news():
    made = idle(1)
    made.night(TONIGHT, COULD)
    made.night(TONIGHT, FREEZES, known_at="2026-11-02 13:00")
    assert day_lines(made, "16:00") == ["11-02 13:00 day mara"]  # the first of the day, hence the day mail


def test_a_flush_is_no_news_to_the_manager():
    made = farm()
    made.log("2026-11-01 19:00", "sprayed")
    made.night(TONIGHT, FREEZES)
    made.log("2026-11-02 09:00", "rinsed", sides=("front", "rear"))
    assert day_lines(made, "16:00") == ["11-02 06:30 day mara"]


def test_its_own_use_that_day_is_no_news():
    made = idle()
    made.night(TONIGHT, Cold(chance=0.9, low_c=-2, ice=time(3), early=time(1)))
    made.log("2026-11-02 06:00", "moved", site="north", place="shop", by=MARA)
    made.log("2026-11-02 11:00", "sprayed")
    made.run("19:00")
    assert made.to(MARA) == []


def test_wet_if_it_sprays_today_is_told_once_in_three_days():
    made = farm()
    made.log("2026-10-31 17:00", "sprayed")
    made.log("2026-10-31 18:00", "rinsed", sides=("front", "rear"))
    made.log("2026-11-01 17:00", "moved", site="north", place="shop", by=MARA)
    made.nights(TONIGHT, 2, FREEZES)
    assert day_lines(made, "2026-11-03 12:00") == ["11-02 06:30 day mara"]
    text = made.to(MARA, DAY)[0].text
    assert "IF USED" in text
    assert "If it sprays today" in text


def test_worse_and_day_never_leave_together():
    made = idle()
    made.night(TONIGHT, FREEZES, known_at="2026-11-02 14:00")
    assert day_lines(made, "16:00") == ["11-02 14:00 day mara"]


def test_worse_comes_at_most_once_an_hour():
    machines = [machine(number, home_site=f"s{number}") for number in (1, 2, 3)]
    made = farm(*machines, sites=tuple(site(f"s{number}") for number in (1, 2, 3)))
    for number in (1, 2, 3):
        made.log("2026-10-29 17:00", "sprayed", f"sprayer-{number}")
    made.night(TONIGHT, FREEZES, site="s1")
    made.night(TONIGHT, FREEZES, site="s2", known_at="2026-11-02 10:00")
    made.night(TONIGHT, FREEZES, site="s3", known_at="2026-11-02 10:20")
    assert day_lines(made, "15:00") == ["11-02 06:30 day mara", "11-02 10:00 worse mara", "11-02 11:00 worse mara"]


def test_flagged_again_after_a_cancelling_is_news():
    made = idle()
    made.night(TONIGHT, FREEZES)
    made.night(TONIGHT, MILD, known_at="2026-11-02 10:00")
    made.night(TONIGHT, FREEZES, known_at="2026-11-02 13:00")
    made.run("16:00")
    assert [made.told_line(notice) for notice in made.to(MARA)] == [
        "11-02 06:30 day mara", "11-02 10:00 cancelled mara", "11-02 13:00 worse mara"
    ]  # fmt: skip


def test_quiet_hours_delay_the_day_mail():
    made = idle(people=crew(mara={"quiet": TimeSpan(start=time(21), end=time(8))}))
    made.night(TONIGHT, FREEZES)
    assert day_lines(made, "12:00") == ["11-02 08:00 day mara"]


def test_not_flushed_last_evening_is_told_once():
    made = farm()
    made.log("2026-11-01 19:00", "sprayed")
    made.run("2026-11-04 12:00")
    assert [notice.subject for notice in made.to(MARA)] == [
        "Not flushed after work: Sprayer 1 - flush before the first fill"
    ]


def test_half_flushed_last_evening_names_the_missing_side():
    made = farm(start="2026-11-01 05:00")
    made.log("2026-11-01 19:00", "sprayed")
    made.log("2026-11-01 20:30", "rinsed", sides=("front",))
    made.run("2026-11-02 08:00")
    assert "Half flushed: the rear side still holds product." in made.to(MARA, DAY)[0].text


def test_not_flushed_and_frozen_is_thawed_first():
    made = farm(start="2026-11-01 05:00")
    made.log("2026-11-01 19:00", "sprayed")
    made.night("2026-11-01", FREEZES)
    made.run("2026-11-02 08:00")
    assert made.to(MARA, DAY)[-1].subject == "Not flushed after work: Sprayer 1 - thaw and look, then flush"


def test_ten_machines_at_one_site_are_one_mail_with_ten_lines():
    made = idle(*range(1, 11))
    made.night(TONIGHT, FREEZES)
    made.run("07:00")
    (mail,) = made.to(MARA)
    assert sum(line.startswith("FREEZES") for line in mail.text.splitlines()) == 10
    assert len(mail.machines) == 10


def test_every_contact_is_told_when_product_sits_in_it_and_damage_is_near():
    made = farm()
    made.log("2026-11-01 19:00", "sprayed")
    made.night(TONIGHT, HARD)
    made.run("07:00")
    assert {notice.person for notice in made.notices if notice.kind is DAY} == {MARA, RUTH}


def test_what_was_not_assessed_is_named_and_treated_as_wet():
    made = farm(machine(1), machine(2, home_site="river"), sites=(site(), site("river")))
    for number in (1, 2):
        made.log("2026-10-29 17:00", "sprayed", f"sprayer-{number}")
    made.night(TONIGHT, FREEZES, site="north")
    made.night(TONIGHT, UNKNOWN, site="river")
    made.run("07:00")
    assert "Not assessed: Sprayer 2 - treat as wet and freezing." in made.to(MARA, DAY)[0].text


def test_who_promised_is_told():
    made = idle(1, 2)
    made.night(TONIGHT, FREEZES)
    made.run("05:30")
    made.log("2026-11-02 06:00", "promised", "sprayer-2", duty=f"protect|sprayer-2|{TONIGHT}", by_at=made.at("19:00"))
    made.run("07:00")
    assert "Promised: Sprayer 2 (Owen, by 19:00)." in made.to(MARA, DAY)[0].text


def test_season_ended_machines_are_still_protected():
    made = idle()
    assert any(entry.kind is EntryKind.SEASON_ENDED for entry in made.entries)
    made.night(TONIGHT, FREEZES)
    assert day_lines(made, "07:00")
