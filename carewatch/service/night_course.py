"""One night of one machine hour by hour, worked out again for whoever looks at it."""

from __future__ import annotations

from datetime import date, datetime

from carewatch.duties.facts import MachineFacts
from carewatch.freeze.assess import course_of_night
from carewatch.freeze.course import Course
from carewatch.service.assessing import case_of
from carewatch.service.folding import machines_now
from carewatch.service.forecasts import weather_of
from carewatch.service.gather import current_roster, logbook_of
from carewatch.service.workplace import Workplace
from carewatch.store import entries


def night_course(work: Workplace, one: MachineFacts, night: date, *, now: datetime) -> Course | None:
    """The course for the part with the largest margin; None where there is nothing to show."""
    outlook = one.outlook(night)
    if outlook is None or outlook.worst_part is None:
        return None
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
        if roster is None:
            return None
        weather = weather_of(work, rx, (roster.site(outlook.site),), now=now)
        book = logbook_of(work.remembered, rx, count=entries.count(rx))
        known = {found.machine.id: found for found in machines_now(work.remembered.folds, roster, book, now=now)}
        machine = known[one.machine.id]
        learned = work.remembered.learned or {}
        case = case_of(machine, machine.state, weather, learned)
    return course_of_night(case, outlook.worst_part, night, kernel=work.kernel)
