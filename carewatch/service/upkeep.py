"""What nozzle bodies need: one machine for who stands before it, and a technician's round."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from carewatch.duties.facts import MachineFacts
from carewatch.duties.upkeep.round import FleetRound, Upkeep, technician_round, upkeep_of
from carewatch.errors import BadInput
from carewatch.roster.document import nearest
from carewatch.service.folding import machines_now
from carewatch.service.gather import current_roster, gather, logbook_of
from carewatch.service.workplace import Workplace
from carewatch.store import entries


def upkeep_now(work: Workplace, machine_id: str, *, now: datetime) -> Upkeep:
    """One machine by its logbook alone; BadInput if the roster has none of that id."""
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
        if roster is None:
            raise BadInput("There is no roster yet. Run `carewatch check`.")
        logbook = logbook_of(work.remembered, rx, count=entries.count(rx))
        found = machines_now(work.remembered.folds, roster, logbook, now=now)
    each = next((one for one in found if one.machine.id == machine_id), None)
    if each is None:
        raise BadInput(_unknown(machine_id, (machine.id for machine in roster.machines), "machine"))
    one = MachineFacts(
        fleet=each.fleet,
        machine=each.machine,
        site=each.site,
        state=each.state,
        entries=each.stands,
        outlooks=(),
        outlooks_if_used=(),
        bodies=each.bodies,
    )
    return upkeep_of(one, None, now)


def round_now(work: Workplace, person_id: str, *, now: datetime) -> tuple[FleetRound, ...]:
    """The round of one technician over the fleets that agreed; BadInput for who is nobody, or no technician."""
    gathered = gather(work, now=now)
    if gathered is None:
        raise BadInput("There is no roster yet. Run `carewatch check`.")
    person = gathered.facts.roster.find_person(person_id)
    if person is None:
        raise BadInput(_unknown(person_id, (one.id for one in gathered.facts.roster.people), "person"))
    return technician_round(gathered.facts, person, now)


def _unknown(word: str, known: Iterable[str], kind: str) -> str:
    words = list(known)
    guess = nearest(word, words)
    advice = f"Did you mean {guess}?" if guess else f"Known are: {', '.join(words)}."
    return f"There is no {kind} {word} in the roster. {advice}"
