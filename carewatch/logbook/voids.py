"""Which entries stand after corrections: voiding raises risk at once, but lowers it only from the right hands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from carewatch.logbook.entries import Entry, EntryKind, Voided
from carewatch.roster.model import Machine, Role, Roster

AUTHOR_MAY_VOID_FOR = timedelta(hours=1)
SINGLES_TRIED = 6  # chosen: beyond this many doubtful corrections only "all" and "none" are compared


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """`stands`: entries nobody corrected. `doubted`: voided by someone who may raise risk only."""

    stands: tuple[Entry, ...]
    doubted: tuple[Entry, ...]


def standing(entries: Sequence[Entry], machine: Machine, roster: Roster) -> Standing:
    """Honour the corrections among `entries`, which are themselves open to correction."""
    voided, doubted = _corrected(entries, machine, roster)
    left = tuple(entry for entry in entries if entry.id not in voided)
    return Standing(
        stands=tuple(entry for entry in left if entry.id not in doubted),
        doubted=tuple(entry for entry in left if entry.id in doubted),
    )


def stories(standing: Standing) -> tuple[frozenset[str], ...]:
    """Sets of doubted entry ids to leave out; whichever story looks worse counts."""
    every = frozenset(entry.id for entry in standing.doubted)
    if not every:
        return (frozenset(),)
    singles = [frozenset({one}) for one in sorted(every)] if 1 < len(every) <= SINGLES_TRIED else []
    return (frozenset(), every, *singles)


def _corrected(entries: Sequence[Entry], machine: Machine, roster: Roster) -> tuple[set[str], set[str]]:
    by_id = {entry.id: entry for entry in entries}
    corrections = [entry for entry in entries if entry.kind is EntryKind.VOIDED]
    voided: set[str] = set()
    doubted: set[str] = set()
    # Latest first: a correction that was itself corrected is known to be so before it is looked at.
    for correction in sorted(corrections, key=lambda entry: (entry.recorded_at, entry.id), reverse=True):
        if correction.id in voided or not isinstance(correction.detail, Voided):
            continue
        target = by_id.get(correction.detail.entry)
        if target is None or (target.recorded_at, target.id) > (correction.recorded_at, correction.id):
            continue
        is_sure = correction.id not in doubted and may_void(correction, target, machine, roster)
        (voided if is_sure else doubted).add(target.id)
    return voided, doubted - voided


def may_void(correction: Entry, target: Entry, machine: Machine, roster: Roster) -> bool:
    """Whether the correction may also lower risk: the author within an hour, or a manager of the fleet."""
    if is_manager(correction.by, machine, roster):
        return True
    return correction.by == target.by and correction.recorded_at - target.recorded_at <= AUTHOR_MAY_VOID_FOR


def is_manager(person_id: str, machine: Machine, roster: Roster) -> bool:
    """Whether somebody manages the machine's fleet."""
    managers = _managers(roster)
    return machine.fleet in managers.get(person_id, frozenset())


def _managers(roster: Roster) -> Mapping[str, frozenset[str]]:
    found: dict[str, frozenset[str]] = {}
    for fleet in roster.fleets:
        for person in fleet.people:
            if Role.MANAGER in person.roles:
                found[person.id] = found.get(person.id, frozenset()) | {fleet.id}
    return found
