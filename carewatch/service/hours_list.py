"""Spray hours of every machine as they stand: counted, weighed, since the last inspection, and when that is due."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from carewatch.duties.facts import MachineFacts, local_day
from carewatch.duties.inspect import InspectionDue, inspection_due
from carewatch.errors import BadInput
from carewatch.notices.hours_words import break_sentence, breaks_since, caveats
from carewatch.notices.words import Reader
from carewatch.roster.model import Roster
from carewatch.service.documents import instant
from carewatch.service.folding import machines_now
from carewatch.service.gather import current_roster, logbook_of
from carewatch.service.workplace import Workplace
from carewatch.store import entries


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursLine:
    """One machine; `flags`: what is odd about its counters and what should be known about the figures."""

    one: MachineFacts
    due: InspectionDue
    flags: tuple[str, ...]


def hours_now(work: Workplace, *, now: datetime) -> list[HoursLine]:
    """Every machine of the roster, in its order."""
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
        if roster is None:
            raise BadInput("There is no roster yet. Run `carewatch check`.")
        logbook = logbook_of(work.remembered, rx, count=entries.count(rx))
        found = machines_now(work.remembered.folds, roster, logbook, now=now)
    lines = []
    for each in found:
        one = MachineFacts(
            fleet=each.fleet,
            machine=each.machine,
            site=each.site,
            state=each.state,
            entries=(),
            outlooks=(),
            outlooks_if_used=(),
        )
        lines.append(HoursLine(one=one, due=inspection_due(one), flags=_flags(one, roster)))
    return lines


def _flags(one: MachineFacts, roster: Roster) -> tuple[str, ...]:
    reader = Reader(units=one.fleet.units, zone=one.site.tz)
    return (*(break_sentence(odd, one, roster, reader) for odd in breaks_since(one)), *caveats(one))


def hours_document(line: HoursLine, *, now: datetime) -> dict[str, Any]:
    """The line as JSON; hours with a tenth. `state`: ok, soon (announced), due."""
    one, due, hours = line.one, line.due, line.one.state.hours
    today = local_day(now, one.site.tz)
    return {
        "machine": one.machine.id,
        "sides": {
            side: {
                "hours": round(hours.by_side[side], 1),
                "weighted": round(hours.weighted_by_side[side], 1),
                "since_inspection": round(hours.since_inspection[side], 1),
            }
            for side in one.machine.side_keys
        },
        "inspected_at": instant(due.inspected_at),
        "inspect_every_h": due.every_h,
        "left_h": round(due.left_h, 1),
        "state": "due" if due.is_reached else "soon" if due.is_near else "ok",
        "due_about": due.about_on.isoformat() if due.about_on is not None and due.about_on >= today else None,
        "hours_a_day": round(hours.a_day, 2),
        "last_read_at": instant(hours.last_read_at),
        "has_estimates": hours.has_estimates,
        "counter_restarts": list(hours.restarts),
        "flags": list(line.flags),
    }
