"""Which positions and sides an entry speaks of, and when the whole machine was last inspected."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import lru_cache
from itertools import accumulate

from carewatch.logbook.care import ConnectorsChecked, Damaged, Inspected, PartReplaced, RevisionFitted, Symptom
from carewatch.logbook.entries import Entry, EntryKind, Opened, Remark
from carewatch.logbook.findings import Finding, may_heal
from carewatch.logbook.order import effective_at
from carewatch.roster.model import Machine

Spot = tuple[int, str]
"""One valve: position from the left, and side."""

PlacedDetail = ConnectorsChecked | Damaged | Symptom | Inspected | PartReplaced | RevisionFitted | Remark | Opened


def section_of(machine: Machine, position: int) -> int:
    """Section a position lies in, from the left; both count from 1."""
    return next(number for number, last in enumerate(accumulate(machine.sections), start=1) if position <= last)


def positions_in(machine: Machine, section: int) -> range:
    """Positions of a section."""
    before = sum(machine.sections[: section - 1])
    return range(before + 1, before + machine.sections[section - 1] + 1)


def all_spots(machine: Machine) -> frozenset[Spot]:
    """Every valve of a machine."""
    return _spots(range(1, machine.positions + 1), machine.side_keys)


def spots_of(detail: PlacedDetail, machine: Machine) -> frozenset[Spot]:
    """The valves an entry speaks of; where nothing is said, all of them. Places the machine has not are left out."""
    sides = _sides(detail, machine)
    sections: tuple[int, ...] | None = None
    match detail:
        case Opened(position=position):
            positions: tuple[int, ...] | None = (position,)
        case Remark(position=one):
            positions = None if one is None else (one,)
        case ConnectorsChecked() | PartReplaced():
            positions = detail.positions
        case _:
            positions, sections = detail.positions, detail.sections
    if positions is None and sections is None:
        if isinstance(detail, Inspected) and detail.findings:
            return frozenset().union(*(spots_of_finding(one, machine) for one in detail.findings))
        return _spots(range(1, machine.positions + 1), sides)
    named = [position for position in positions or () if 1 <= position <= machine.positions]
    for section in sections or ():
        if 1 <= section <= len(machine.sections):
            named += positions_in(machine, section)
    return _spots(named, sides)


def spots_of_finding(finding: Finding, machine: Machine) -> frozenset[Spot]:
    """The valves a finding may concern: its side, or every side of the position where it names none."""
    if not 1 <= finding.position <= machine.positions:
        return frozenset()
    sides = machine.side_keys if finding.side is None else (finding.side,)
    return _spots((finding.position,), sides)


def is_of_whole_machine(detail: object) -> bool:
    """Whether an inspection was one of everything: nothing said, or a sample of which no position needs a part."""
    if isinstance(detail, Remark):
        return detail.position is None and detail.side is None
    if not isinstance(detail, Inspected) or detail.sides is not None:
        return False
    if detail.sections is None and detail.positions is None and not detail.findings:
        return True
    return detail.is_sample and all(map(may_heal, detail.findings))


def inspected_at(machine: Machine, entries: Sequence[Entry]) -> datetime | None:
    """When the inspection was that the due date counts from: of the valve looked at longest ago; None: one never was.

    Parameters
    ----------
    machine : Machine
    entries : sequence of Entry
        Those nobody doubts, in any order.

    Notes
    -----
    Sections inspected on different days count from the first of these days.
    """
    whole: list[datetime] = []
    by_spot: dict[Spot, datetime] = {}
    for entry in entries:
        if entry.kind is not EntryKind.INSPECTED or not isinstance(entry.detail, Inspected | Remark):
            continue
        at = effective_at(entry)
        if is_of_whole_machine(entry.detail):
            whole.append(at)
            continue
        for spot in spots_of(entry.detail, machine):
            by_spot[spot] = max(at, by_spot.get(spot, at))
    latest = max(whole, default=None)
    seen = [_later(by_spot.get(spot), latest) for spot in all_spots(machine)]
    known = [at for at in seen if at is not None]
    return min(known, default=None) if len(known) == len(seen) else None


def _later(one: datetime | None, other: datetime | None) -> datetime | None:
    if one is None or other is None:
        return one or other
    return max(one, other)


def _sides(detail: PlacedDetail, machine: Machine) -> tuple[str, ...]:
    if isinstance(detail, Opened):
        return machine.side_keys
    told = ((detail.side,) if detail.side else None) if isinstance(detail, Remark) else detail.sides
    return machine.side_keys if told is None else tuple(side for side in told if side in machine.side_keys)


def _spots(positions: Iterable[int], sides: tuple[str, ...]) -> frozenset[Spot]:
    return _crossed(tuple(positions), sides)


@lru_cache(maxsize=512)
def _crossed(positions: tuple[int, ...], sides: tuple[str, ...]) -> frozenset[Spot]:
    return frozenset((position, side) for position in positions for side in sides)
