"""Shifts of spraying, and which sides still hold product."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import exp

from carewatch.fluids.mixing import left_fraction
from carewatch.logbook.entries import Entry, Rinsed, Sprayed
from carewatch.logbook.order import effective_at
from carewatch.roster.model import Machine

SHIFT_GAP = timedelta(hours=4)
RINSED_LEFT_FRACTION = 0.10  # dilute the rest at least 1:10 (German plant-protection services)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """The latest run of sprayings without a gap of four hours."""

    started_at: datetime | None = None
    ended_at: datetime | None = None
    product: str | None = None
    opened_sides: tuple[str, ...] = ()


def latest_shift(entries: Sequence[Entry]) -> Shift:
    """The latest shift from sorted entries; an entry that gives hours started that long before."""
    shift = Shift()
    for entry in entries:
        if not isinstance(entry.detail, Sprayed):
            continue
        ended_at = effective_at(entry)
        started_at = ended_at - timedelta(hours=entry.detail.hours or 0.0)
        goes_on = shift.ended_at is not None and not is_next_shift(shift.ended_at, started_at)
        shift = Shift(
            started_at=shift.started_at if goes_on else started_at,
            ended_at=ended_at,
            product=entry.detail.product,
            opened_sides=entry.detail.sides or (),
        )
    return shift


def is_next_shift(ended_at: datetime, started_at: datetime) -> bool:
    """Whether spraying that begins at `started_at` belongs to a new shift."""
    return started_at - ended_at >= SHIFT_GAP


def is_rinse_enough(detail: Rinsed, machine: Machine) -> bool:
    """Whether the water given was enough to count as rinsed; litres not given are believed.

    Passes given: equal fill-and-empty passes; not given: water running through, exp(-W/H). Nobody can rinse with more
    than the rinse tank holds, so a whole one is enough.
    """
    if detail.litres is None or 0.0 < machine.rinse_tank_l <= detail.litres:
        return True
    if detail.litres <= 0.0:
        return False
    if detail.passes is not None and detail.passes >= 1:
        left = left_fraction(poured_l=detail.litres, held_l=machine.held_l, passes=detail.passes)
    else:
        left = exp(-detail.litres / machine.held_l) if machine.held_l > 0.0 else 0.0
    return left <= RINSED_LEFT_FRACTION
