"""How many mails a cold fortnight brings to people who do what is asked."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta

from carewatch.notices.notice import Notice
from tests.notices.farm import COULD, FREEZES, MARA, MILD, Farm, NoticeKind, Role, crew, farm, machine, person

FIRST = date(2026, 10, 12)  # a Monday
# An invented cold fortnight in October: two spells, nights on the edge, mild ones between.
NIGHTS = [MILD, COULD, FREEZES, FREEZES, FREEZES, COULD, MILD, MILD, FREEZES, FREEZES, COULD, FREEZES, FREEZES, MILD]


def answer(made: Farm, notice: Notice) -> None:
    """Operators do what the evening message asks within the hour: flush, then into the shop or air."""
    if notice.kind is not NoticeKind.EVENING:
        return
    at = made.now + timedelta(minutes=35)
    for key in notice.duties:
        kind, machine_id, _ = key.split("|")
        if kind == "rinse":
            made.log_at(at, "rinsed", machine_id, notice.person, sides=("front", "rear"))
        if kind == "protect":
            made.log_at(at + timedelta(minutes=20), "moved", machine_id, notice.person, site="north", place="shop")
        if kind == "say":
            made.log_at(at, "not_used", machine_id, notice.person)


def test_six_machines_in_a_cold_fortnight():
    """Manager at most one a day and about five a week; an operator one an evening."""
    drivers = [person(f"driver{number}", Role.OPERATOR) for number in range(1, 7)]
    machines = [machine(number, operators=(driver.id,)) for number, driver in enumerate(drivers, start=1)]
    made = farm(*machines, people=(*crew(), *drivers), start=f"{FIRST} 05:00", act=answer)
    for day, cold in enumerate(NIGHTS):
        on = FIRST + timedelta(days=day)
        made.night(str(on), cold)
        for number, one in enumerate(machines):
            if on.weekday() < 6 and (day + number) % 3:  # each works two days of three
                for hour in (9, 12, 15, 18):
                    made.log(f"{on} {hour:02}:15", "sprayed", one.id, by=one.operators[0])
    made.run(f"{FIRST + timedelta(days=14)} 05:00")

    days = Counter(notice.created_at.astimezone(made.fleets[0].tz).date() for notice in made.to(MARA))
    weeks = Counter((on - FIRST).days // 7 for on in days.elements())
    assert max(days.values()) == 1
    assert max(weeks.values()) <= 5, weeks
    for driver in drivers:
        evenings = Counter(notice.created_at.astimezone(made.fleets[0].tz).date() for notice in made.to(driver.id))
        assert max(evenings.values()) == 1, evenings
    assert not [notice for notice in made.notices if notice.kind in (NoticeKind.STILL_WET, NoticeKind.MORNING_AFTER)]


def test_an_idle_fleet_left_wet_on_purpose_is_not_nagged():
    """Fourteen freezing nights, six wet machines, the manager decides each day to leave them."""
    made = farm(*(machine(number) for number in range(1, 7)), start=f"{FIRST} 05:00")
    for number in range(1, 7):
        made.log(f"{FIRST - timedelta(days=20)} 17:00", "sprayed", f"sprayer-{number}")
    made.nights(str(FIRST), 14, FREEZES)
    for day in range(14):
        on = FIRST + timedelta(days=day)
        for number in range(1, 7):
            duty = f"protect|sprayer-{number}|{on}"
            made.log(f"{on} 07:00", "risk_accepted", f"sprayer-{number}", by=MARA, duty=duty)
    made.run(f"{FIRST + timedelta(days=13)} 20:00")
    kinds = Counter(notice.kind for notice in made.to(MARA))
    assert kinds[NoticeKind.DAY] == 5  # every third day
    assert kinds[NoticeKind.STILL_WET] == 0
    assert kinds[NoticeKind.MORNING_AFTER] == 2  # the check is asked for once a week while it just stands there
