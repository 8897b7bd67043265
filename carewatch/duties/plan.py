"""What must be done, as it stands now: one pure function over facts."""

from __future__ import annotations

from datetime import datetime

from carewatch.duties.dry_connectors import dry_connectors_duties
from carewatch.duties.duty import Duty, DutyKind
from carewatch.duties.facts import Facts
from carewatch.duties.inspect import inspect_duties
from carewatch.duties.protect import protect_duties
from carewatch.duties.read_hours import read_hours_duties
from carewatch.duties.rinse import rinse_duties
from carewatch.duties.say import say_duties
from carewatch.duties.thaw import thaw_duties

OF_THE_NIGHT = frozenset({DutyKind.PROTECT, DutyKind.THAW})


def duties_now(facts: Facts, now: datetime) -> tuple[Duty, ...]:
    """Every duty that is new or can still change, with its state at `now`; running it twice gives the same."""
    protects = protect_duties(facts, now)
    return (
        *protects,
        *thaw_duties(facts, protects, now),
        *rinse_duties(facts, protects, now),
        *say_duties(facts, now),
        *read_hours_duties(facts, now),
        *inspect_duties(facts, now),
        *dry_connectors_duties(facts, now),
    )


def changed(duties: tuple[Duty, ...], facts: Facts) -> tuple[Duty, ...]:
    """Those of `duties` that differ from the ledger; the reasons of a night, new with every forecast, do not count."""
    return tuple(duty for duty in duties if _essence(duty) != _essence(facts.duties.get(duty.key)))


def _essence(duty: Duty | None) -> object:
    if duty is None:
        return None
    told = () if duty.kind in OF_THE_NIGHT else duty.because
    return (duty.state, duty.due_at, duty.assigned_to, duty.promised_until, told)
