"""What does not fit in an entry about nozzle bodies: by itself, and against the machine and its fleet's catalogue."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from carewatch.logbook.care import CareDetail, Inspected, PartReplaced, Restocked, RevisionFitted, Symptom
from carewatch.logbook.coverage import positions_in, section_of
from carewatch.logbook.findings import OF_THE_BODY, Finding, SymptomKind
from carewatch.roster.model import Fleet, Machine
from carewatch.roster.parts import PartKind

KINDS = tuple(kind.value for kind in PartKind)


class Misfit(NamedTuple):
    """One thing that does not fit. `known`: what could be written instead; else `fix` says what to do."""

    field: str
    value: object
    problem: str
    known: Sequence[str] = ()
    fix: str = ""


def empty_details(detail: object) -> Iterator[Misfit]:
    """Entries that tell nothing at all."""
    match detail:
        case Symptom(what=SymptomKind.OTHER, text="") | Symptom(what=SymptomKind.MACHINE_MESSAGE, text=""):
            yield Misfit("text", "", "is missing.", fix="Say what was seen, or which message the machine showed.")
        case PartReplaced(part=None, text="") | Restocked(part=None, text=""):
            yield Misfit("part", "", "is missing.", fix="Write an id of the parts list, or a kind such as seal.")
        case RevisionFitted(revision=None, text=""):
            yield Misfit("revision", "", "is missing.", fix="Write an id of the fleet's revisions.")
        case Restocked(part=str(), quantity=None):
            yield Misfit("quantity", "", "is missing.", fix="Write how many were put there, or lie there (is_count).")
        case _:
            return


def misfits(detail: object, machine: Machine, fleet: Fleet) -> Iterator[Misfit]:
    """Places the machine does not have, parts and revisions the fleet does not know, sides that must be said."""
    if not isinstance(detail, CareDetail):
        return
    sides, positions = getattr(detail, "sides", None), getattr(detail, "positions", None)
    if isinstance(detail, Inspected):
        for number, finding in enumerate(detail.findings):
            yield from _of_finding(f"findings.{number}", finding, detail, machine)
    for side in sides or ():
        if side not in machine.side_keys:
            yield Misfit("sides", side, f"is no valve side of {machine.id}.", machine.side_keys)
    for position in positions or ():
        yield from _position("positions", position, machine)
    for section in getattr(detail, "sections", None) or ():
        if section > len(machine.sections):
            known = tuple(str(number) for number in range(1, len(machine.sections) + 1))
            yield Misfit("sections", section, f"is no section of {machine.id}.", known)
    yield from _of_catalogue(detail, fleet)


def _position(field: str, position: int, machine: Machine) -> Iterator[Misfit]:
    if position > machine.positions:
        yield Misfit(field, position, f"is no position of {machine.id}.", (f"1 to {machine.positions}",))


def _of_finding(field: str, finding: Finding, detail: Inspected, machine: Machine) -> Iterator[Misfit]:
    if finding.position > machine.positions:
        yield from _position(field, finding.position, machine)
        return
    if finding.side is not None and finding.side not in machine.side_keys:
        yield Misfit(field, finding.side, f"is no valve side of {machine.id}.", machine.side_keys)
    elif finding.side is None and finding.what not in OF_THE_BODY and len(machine.sides) > 1:
        fix = f"Write {finding.position} {machine.side_keys[0]} {finding.what.value}, or another side."
        yield Misfit(field, finding.what.value, "belongs to one valve side.", fix=fix)
    elif detail.sides is not None and finding.side is not None and finding.side not in detail.sides:
        problem = f"lies on a side that was not looked at ({', '.join(detail.sides)})."
        yield Misfit(field, finding.side, problem, fix="Add the side to sides, or correct the finding.")
    named = [*(detail.positions or ())]
    named += [one for section in detail.sections or () for one in _positions_in(machine, section)]
    if (detail.positions or detail.sections) and finding.position not in named:
        problem = f"was not among what was looked at: it lies in section {section_of(machine, finding.position)}."
        yield Misfit(field, finding.position, problem, fix="Correct the position, or add its section.")


def _positions_in(machine: Machine, section: int) -> range:
    return positions_in(machine, section) if section <= len(machine.sections) else range(0)


def _of_catalogue(detail: object, fleet: Fleet) -> Iterator[Misfit]:
    parts = [part.id for part in fleet.parts]
    match detail:
        case PartReplaced(part=str() as part) if part not in parts and part not in KINDS:
            yield Misfit("part", part, f"is no part of {fleet.id} and no kind of part.", (*parts, *KINDS))
        case Restocked(part=str() as part) if part not in parts:
            problem = f"is not in the parts list of {fleet.id}."
            yield Misfit("part", part, problem, parts, fix="Add a [[part]] to the fleet file first.")
        case RevisionFitted(revision=str() as revision):
            known = [one.id for one in fleet.revisions]
            if revision not in known:
                problem = f"is no revision of {fleet.id}."
                yield Misfit("revision", revision, problem, known, fix="Add a [[revision]] to the fleet file first.")
        case _:
            return
