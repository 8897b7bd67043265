"""Where the revisions of a fleet are known to be fitted: a part put in later may be of another make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from carewatch.logbook.care import PartReplaced, RevisionFitted
from carewatch.logbook.coverage import Spot, all_spots, spots_of
from carewatch.logbook.entries import Entry
from carewatch.logbook.order import is_surely_after
from carewatch.logbook.renewals import part_named, renewed
from carewatch.roster.model import Fleet, Machine
from carewatch.roster.parts import OF_THE_BODY, PartKind, Revision


def revisions_fitted(
    machine: Machine, fleet: Fleet, sure: Sequence[Entry], every: Sequence[Entry]
) -> dict[str, frozenset[Spot]]:  # fmt: skip
    wanted = [revision for revision in fleet.revisions if revision.is_for(machine.id)]
    return {revision.id: _fitted(revision, machine, fleet, sure, every) for revision in wanted}


def _fitted(
    revision: Revision, machine: Machine, fleet: Fleet, sure: Sequence[Entry], every: Sequence[Entry]
) -> frozenset[Spot]:
    """Where a revision is known to be in: fitted after everything that may have put another one there."""
    put = [(entry, spots) for entry in sure if (spots := _puts_in(entry, revision, machine, fleet))]
    taken = [(entry, spots) for entry in every if (spots := _takes_out(entry, revision, machine, fleet))]
    found = set()
    for spot in revision_spots(revision, machine):
        outs = [entry for entry, spots in taken if spot in spots]
        ins = [entry for entry, spots in put if spot in spots]
        if any(all(is_surely_after(entry, out) for out in outs) for entry in ins):
            found.add(spot)
    return frozenset(found)


def revision_spots(revision: Revision, machine: Machine) -> frozenset[Spot]:
    """The valves a revision concerns; of what there is one of at a position, those of the first side stand for it."""
    if revision.of in OF_THE_BODY:
        return frozenset(spot for spot in all_spots(machine) if spot[1] == machine.side_keys[0])
    return frozenset(spot for spot in all_spots(machine) if not revision.sides or spot[1] in revision.sides)


def _puts_in(entry: Entry, revision: Revision, machine: Machine, fleet: Fleet) -> frozenset[Spot]:
    match entry.detail:
        case RevisionFitted(revision=word) if word == revision.id:
            return _as_concerns(entry.detail, revision, machine)
        case PartReplaced(part=word):
            part = part_named(word, fleet)
            if part is not None and revision.id in part.comes_with:
                return renewed(entry.detail, machine, fleet)[1]
        case _:
            pass
    return frozenset()


def _takes_out(entry: Entry, revision: Revision, machine: Machine, fleet: Fleet) -> frozenset[Spot]:
    match entry.detail:
        case RevisionFitted(revision=word) if word is not None and word != revision.id:
            other = next((one for one in fleet.revisions if one.id == word), None)
            if other is not None and other.of is revision.of:
                return _as_concerns(entry.detail, revision, machine)
        case PartReplaced(part=word):
            kinds, spots = renewed(entry.detail, machine, fleet)
            part = part_named(word, fleet)
            is_same = part is not None and revision.id in part.comes_with
            is_touched = revision.of in kinds or (PartKind.BODY in kinds and revision.of is not PartKind.HARNESS)
            return spots if is_touched and not is_same else frozenset()
        case _:
            pass
    return frozenset()


def _as_concerns(detail: RevisionFitted, revision: Revision, machine: Machine) -> frozenset[Spot]:
    return spots_of(replace(detail, sides=None) if revision.of in OF_THE_BODY else detail, machine)
