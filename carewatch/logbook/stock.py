"""Spares on the shelf of a machine: put there, counted, taken by repairs. In doubt there is less."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from carewatch.logbook.care import PartReplaced, Restocked
from carewatch.logbook.entries import Entry
from carewatch.logbook.order import effective_at, is_surely_after
from carewatch.roster.model import Machine
from carewatch.roster.parts import OF_THE_BODY, Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """How many of a part lie on the shelf (0 or more). `counted_at`: when somebody last counted them all.

    `is_overdrawn`: more were taken than ever put there, so the book and the shelf differ: count them.
    """

    on_hand: int
    counted_at: datetime | None = None
    is_overdrawn: bool = False


def stock_of(
    machine: Machine, parts: Sequence[Part], sure: Sequence[Entry], every: Sequence[Entry]
) -> dict[str, Stock]:
    """Stock by part id; a part nobody ever put there or counted is not in it: not known.

    `sure`: entries nobody doubts; `every`: those somebody without the right to took back as well. What was put there
    counts only if it is sure, what was taken counts in any case; a count by somebody else within the clock doubt of a
    repair is taken as before it.
    """
    return {
        part.id: stock
        for part in parts
        if (stock := _stock(part, machine, _puts(part, sure), _puts(part, every), every)) is not None
    }


Put = tuple[Entry, Restocked]


def _puts(part: Part, entries: Sequence[Entry]) -> list[Put]:
    return [(entry, told) for entry in entries if isinstance(told := entry.detail, Restocked) and told.part == part.id]


def _stock(
    part: Part, machine: Machine, sure: Sequence[Put], told: Sequence[Put], every: Sequence[Entry]
) -> Stock | None:  # fmt: skip
    """The fewest of what each count that may be the last one leaves; without any, of what was put there."""
    if not sure:
        return None
    takes = [(entry, taken_by(entry, part, machine)) for entry in every if _takes(entry, part)]
    added = [(entry, one.quantity or 0) for entry, one in sure if not one.is_count]
    sure_counts = [entry for entry, one in sure if one.is_count]
    may_be_last = [
        (entry, one.quantity or 0)
        for entry, one in told
        if one.is_count and not any(is_surely_after(other, entry) for other in sure_counts)
    ]
    left = [
        counted
        + sum(put for entry, put in added if is_surely_after(entry, count))
        - sum(taken for entry, taken in takes if not is_surely_after(count, entry))
        for count, counted in may_be_last
    ]
    if not sure_counts:
        left.append(sum(put for _, put in added) - sum(taken for _, taken in takes))
    counted_at = max((effective_at(entry) for entry in sure_counts), default=None)
    return Stock(on_hand=max(0, min(left)), counted_at=counted_at, is_overdrawn=min(left) < 0)


def _takes(entry: Entry, part: Part) -> bool:
    return isinstance(entry.detail, PartReplaced) and entry.detail.part == part.id and entry.detail.from_stock


def taken_by(entry: Entry, part: Part, machine: Machine) -> int:
    """How many a repair took: as it says, else one for each place it names, at least one."""
    detail = entry.detail
    if not isinstance(detail, PartReplaced):
        return 0
    if detail.quantity is not None:
        return detail.quantity
    sides = [side for side in detail.sides or machine.side_keys if part.fits(side)]
    per_position = 1 if part.replaces & OF_THE_BODY else max(1, len(sides))
    return max(1, len(detail.positions or ()) * per_position)
