"""How often a machine was left with product in its valves until the next shift: shown beside its wear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from carewatch.logbook.entries import Entry, Rinsed, Sprayed
from carewatch.logbook.order import effective_at
from carewatch.logbook.shift import is_next_shift, is_rinse_enough
from carewatch.roster.model import Machine


@dataclass(frozen=True, slots=True, kw_only=True)
class Rinses:
    """Shifts another one followed, and of these the ones after which no side was flushed, or one of several only.

    The latest shift is not among them: it may still be flushed.
    """

    shifts: int = 0
    missed: int = 0
    half: int = 0


def rinses_of(machine: Machine, entries: Sequence[Entry]) -> Rinses:
    """Count over sorted entries; the rinse of a shift counts until the next shift begins."""
    every = len(machine.side_keys)
    left_wet: list[int] = []
    wet: frozenset[str] = frozenset()
    ended_at: datetime | None = None
    for entry in entries:
        if isinstance(entry.detail, Sprayed):
            started_at = effective_at(entry) - timedelta(hours=entry.detail.hours or 0.0)
            if ended_at is not None and is_next_shift(ended_at, started_at):
                left_wet.append(len(wet))
            wet, ended_at = frozenset(machine.side_keys), effective_at(entry)
        elif isinstance(entry.detail, Rinsed) and is_rinse_enough(entry.detail, machine):
            wet -= frozenset(entry.detail.sides)
    missed = sum(count == every for count in left_wet)
    half = sum(0 < count < every for count in left_wet)
    return Rinses(shifts=len(left_wet), missed=missed, half=half)
