"""Parts that were renewed at nozzle bodies: what, where, and how many hours it had run and has run since."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from carewatch.logbook.care import PartReplaced
from carewatch.logbook.coverage import Spot, spots_of
from carewatch.logbook.entries import Entry
from carewatch.logbook.hours import HoursThen, hours_at
from carewatch.logbook.order import effective_at
from carewatch.roster.model import Fleet, Machine
from carewatch.roster.parts import OF_THE_BODY, Part, PartKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """A part that was renewed. `part`: as written; `kinds`: what that renews. `counter_h`: as read then [h].

    `hours`: by side what the logbook knows: hours by then, weighted hours since.
    """

    entry: str
    at: datetime
    who: str
    part: str
    kinds: frozenset[PartKind]
    spots: frozenset[Spot]
    counter_h: float | None
    cost: float | None
    hours: Mapping[str, HoursThen]


def renewals_of(
    machine: Machine, fleet: Fleet, sure: Sequence[Entry], every: Sequence[Entry]
) -> tuple[Renewal, ...]:  # fmt: skip
    told = [(entry, entry.detail) for entry in sure if isinstance(entry.detail, PartReplaced)]
    hours = hours_at(machine, fleet, every, (effective_at(entry) for entry, _ in told))
    return tuple(_renewal(entry, detail, machine, fleet, hours) for entry, detail in told)


def _renewal(
    entry: Entry,
    detail: PartReplaced,
    machine: Machine,
    fleet: Fleet,
    hours: Mapping[datetime, Mapping[str, HoursThen]],
) -> Renewal:
    kinds, spots = renewed(detail, machine, fleet)
    return Renewal(
        entry=entry.id,
        at=effective_at(entry),
        who=entry.on_behalf_of or entry.by,
        part=detail.part or detail.text,
        kinds=kinds,
        spots=spots,
        counter_h=detail.counter_h,
        cost=detail.cost,
        hours=hours[effective_at(entry)],
    )


def renewed(detail: PartReplaced, machine: Machine, fleet: Fleet) -> tuple[frozenset[PartKind], frozenset[Spot]]:
    """Kinds and valves a renewal concerns; without a position nobody knows where (but a harness runs along all)."""
    part = part_named(detail.part, fleet)
    kinds = kinds_of(detail.part, fleet)
    if detail.positions is None and kinds != {PartKind.HARNESS}:
        return kinds, frozenset()
    whole = replace(detail, sides=None) if kinds & OF_THE_BODY else detail
    spots = spots_of(whole, machine)
    if part is not None and part.sides and not kinds & OF_THE_BODY:
        spots = frozenset(spot for spot in spots if spot[1] in part.sides)
    return kinds, spots


def part_named(word: str | None, fleet: Fleet) -> Part | None:
    """The part of the fleet's list with this id."""
    return next((part for part in fleet.parts if part.id == word), None)


def kinds_of(word: str | None, fleet: Fleet) -> frozenset[PartKind]:
    """What a part renews: an id of the fleet's list, or the word of a kind; nothing where it is neither."""
    part = part_named(word, fleet)
    if part is not None:
        return part.replaces
    return frozenset(kind for kind in PartKind if kind.value == word)
