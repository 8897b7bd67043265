"""An entry comes in: it is kept, and the plan runs at once, so that no reminder slips out between answer and tick."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from carewatch.errors import BadInput
from carewatch.logbook.entries import Channel, Entry
from carewatch.logbook.reading import check_entry
from carewatch.roster.document import nearest
from carewatch.roster.model import Roster
from carewatch.service.gather import current_roster
from carewatch.service.usecase import Outcome, run_plan
from carewatch.service.workplace import Workplace
from carewatch.store import entries


def write_entry(work: Workplace, entry: Entry, *, now: datetime) -> tuple[bool, Outcome]:
    """Keep one entry and run the plan; False if the same entry was there. BadInput names what does not fit."""
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    if roster is None:
        raise BadInput("There is no roster yet. Run `carewatch check`, then start the service once.")
    _refuse_misfits(entry, roster)
    with work.database.transaction() as tx:
        is_new = entries.add(tx, entry)
    return is_new, run_plan(work, now=now)


def write_entries(work: Workplace, told: Sequence[Entry], *, now: datetime) -> tuple[tuple[Entry, ...], Outcome]:
    """Keep entries whose ids are made of what they say, all or none, and run the plan once; give the new ones."""
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    if roster is None:
        raise BadInput("There is no roster yet. Run `carewatch check`, then start the service once.")
    for entry in told:
        _refuse_misfits(entry, roster)
    with work.database.transaction() as tx:
        known = entries.known_ids(tx, [entry.id for entry in told])
        new = tuple({entry.id: entry for entry in told if entry.id not in known}.values())
        for entry in new:
            entries.add(tx, entry)
    return new, run_plan(work, now=now)


def _refuse_misfits(entry: Entry, roster: Roster) -> None:
    faults = check_entry(entry, roster)
    if faults:
        raise BadInput(" ".join(str(fault) for fault in faults))
    if entry.channel is Channel.BRIDGE:
        return  # a program wrote it, which is nobody of the roster
    known = [person.id for person in roster.people]
    for person in (entry.by, entry.on_behalf_of):
        if person is not None and person not in known:
            guess = nearest(person, known)
            advice = f"Did you mean {guess}?" if guess else f"Known are: {', '.join(known)}."
            raise BadInput(f"{person!r} is nobody in the roster. {advice}")
