"""The mail about an inspection: to the manager, once when it comes near and once when it is due, in hours of work."""

from __future__ import annotations

from datetime import time

from carewatch.logbook.entries import HoursRead
from carewatch.notices.reply import read_reply
from carewatch.notices.reply_deeds import Asked, Options
from tests.notices.farm import MARA, OWEN, RUTH, Farm, NoticeKind, TimeSpan, crew, farm, machine

INSPECTION = NoticeKind.INSPECTION


def near(*machines, **changes) -> Farm:
    """Inspected in September at 100 h; the first of November it is near."""
    made = farm(*machines, start="2026-09-01 05:00", **changes)
    for one in machines or (machine(),):
        made.log("2026-09-01 06:00", "inspected", one.id)
        made.log("2026-09-01 07:00", "hours_read", one.id, counter_h=100.0)
        made.log("2026-11-01 21:00", "hours_read", one.id, counter_h=800.0)
    return made


def told(made: Farm, until: str) -> list[str]:
    made.run(until)
    return [made.told_line(notice) for notice in made.notices if notice.kind is INSPECTION]


def test_the_manager_hears_of_it_with_the_mornings_post():
    assert told(near(), "2026-11-05 12:00") == ["11-02 06:30 inspection mara"]


def test_it_is_said_once_when_it_comes_near_and_once_when_it_is_due():
    made = near()
    for day in range(4, 27):
        made.log(f"2026-11-{day:02} 19:00", "hours_read", counter_h=800.0 + 5 * (day - 3))
    assert told(made, "2026-12-20 12:00") == ["11-02 06:30 inspection mara", "11-14 06:30 inspection mara"]
    assert [notice.subject for notice in made.to(MARA, INSPECTION)] == [
        "Inspection soon: Sprayer 1", "Inspection due: Sprayer 1"
    ]  # fmt: skip


def test_all_machines_of_a_manager_come_in_one_mail():
    made = near(machine(1), machine(2))
    assert told(made, "2026-11-05 12:00") == ["11-02 06:30 inspection mara"]
    assert made.to(MARA, INSPECTION)[0].machines == ("sprayer-1", "sprayer-2")


def test_it_wakes_nobody():
    people = crew(mara={"quiet": TimeSpan(start=time(20), end=time(9))})
    assert told(near(people=people), "2026-11-05 12:00") == ["11-02 09:00 inspection mara"]


def test_a_deputy_reads_it_where_the_manager_cannot_be_reached():
    assert told(near(people=crew(mara={"email": None})), "2026-11-05 12:00") == [f"11-02 06:30 inspection {RUTH}"]


def test_once_it_was_inspected_nothing_more_is_said():
    made = near()
    told(made, "2026-11-05 12:00")
    made.log("2026-11-05 13:00", "inspected")
    assert told(made, "2026-12-01 12:00") == ["11-02 06:30 inspection mara"]


def test_the_mail_says_which_page_or_command_takes_the_answer_and_that_a_reply_is_not_read():
    made = near()
    made.run("2026-11-05 12:00")
    text = made.to(MARA, INSPECTION)[0].text
    assert "carewatch log sprayer-1 inspected" in text
    assert "A reply to this message is not read." in text


def test_what_a_counter_did_that_cannot_be_is_told_with_its_side_and_what_counts():
    made = near()
    made.log("2026-11-02 05:30", "hours_read", counter_h=790.0, side="rear")
    made.log("2026-11-02 06:00", "hours_read", counter_h=7900.0, side="rear", by=MARA, is_estimate=True)
    made.run("2026-11-02 12:00")
    text = made.to(MARA, INSPECTION)[0].text
    assert "The counter of the rear side went from 790.0 to 7900.0 h within 0 h (2 Nov, read by Mara)" in text
    assert "that cannot be, 2 h of it count" in text
    assert "Some of it is time in working position, an estimate." in text


def test_abrasive_hours_are_told():
    made = near()
    made.log("2026-10-30 18:00", "sprayed", product="kaolin", hours=6.0)
    made.run("2026-11-02 12:00")
    assert "Hours with abrasive products count more" in made.to(MARA, INSPECTION)[0].text


# ---------------------------------------------------------------- the counter goes along with the evening message


def evening(**told) -> str:
    made = farm(start="2026-11-02 05:00")
    for key, value in told.items():
        made.log(key.replace("at_", "2026-").replace("_", "-") + " 12:00", "hours_read", counter_h=value)
    made.log("2026-11-02 19:30", "sprayed")
    made.run("20:00")
    (mail,) = made.to(OWEN)
    assert all(not key.startswith("read_hours|") for key in mail.duties)
    return mail.text


def test_the_evening_message_asks_for_the_counter_where_nobody_read_it_for_a_week():
    assert 'such as "1, 812 h": read last on 20 Oct.' in evening(at_10_20=512.0)
    assert "nobody has read it yet" in evening()


def test_a_fresh_reading_is_not_asked_again():
    assert "Add the spray-hour counter" not in evening(at_10_30=512.0)


def test_the_answer_the_evening_message_suggests_is_understood():
    made = farm(start="2026-11-02 05:00")
    asked = Asked(
        machine=machine(), site=made.fleets[0].sites[0], sites=made.fleets[0].sites, options=Options.EVENING,
        duties=("rinse|sprayer-1|x",),
    )  # fmt: skip
    read = read_reply("1, 812 h", asked=[asked], at=made.now)
    assert read.unclear == ""
    assert HoursRead(counter_h=812.0) in [deed.detail for deed in read.deeds]


def test_the_counter_alone_is_no_reason_to_write():
    made = farm(start="2026-11-02 05:00")
    made.log("2026-11-02 17:00", "sprayed")
    made.log("2026-11-02 17:30", "rinsed", sides=("front", "rear"))
    made.run("23:00")
    assert made.to(OWEN) == []
    assert any(duty.kind.value == "read_hours" for duty in made.ledger.values())
