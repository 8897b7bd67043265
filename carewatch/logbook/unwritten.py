"""Use that nobody wrote down but a counter tells of: product is inside."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from carewatch.logbook.counters import Key, Reading, Written, readings_in, written_in
from carewatch.logbook.entries import Entry, EntryKind, Sprayed
from carewatch.roster.model import Machine

UNEXPLAINED_H = 0.5  # chosen: counters and people round; less than this is not taken as use nobody wrote down
TASK_UNEXPLAINED_H = 0.05  # chosen: a task's own counter begins at 0 and is read by a program; three minutes are use
READ_AFTER = timedelta(hours=UNEXPLAINED_H)  # so much use cannot lie within the last half hour alone


def unwritten_uses(machine: Machine, entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """A spraying for each counter that advanced further than the entries explain: product is inside.

    It carries the id of the reading and is dated half an hour before it (or when its task began): that much use cannot
    all be younger, and an answer that gives the reading together with the rinse means the spraying before the rinse.
    A lifetime counter is also explained by what a task's counter tells of the same hours, which is a use of its own.
    """
    readings = readings_in(entries)
    if not readings:
        return ()
    written = written_in(entries)
    tasks = _tasks(readings)
    explained = sorted([*written, *tasks.values()], key=lambda one: one.at)
    uses: dict[str, Entry] = {}
    for (_, side), series in readings.items():
        if side is not None and side not in machine.side_keys:
            continue
        for reading, began_at, advance_h in _advances(series):
            told = written if reading.from_zero else explained
            least_h = TASK_UNEXPLAINED_H if reading.from_zero else UNEXPLAINED_H
            between = _between(told, began_at, reading.at, side)
            if reading.entry.kind is EntryKind.HOURS_READ and _is_unexplained(advance_h, between, least_h):
                uses[reading.entry.id] = _use_before(reading, began_at)
    return tuple(uses.values())


def _tasks(readings: Mapping[Key, list[Reading]]) -> dict[tuple[Key, datetime], Written]:
    """What counters that began at 0 with their task say, as if somebody had written it down."""
    return {
        (key, reading.at): Written(
            at=reading.at,
            hours=advance_h,
            sides=None if key[1] is None else (key[1],),
            product="",
            is_by_hand=False,
        )
        for key, series in readings.items()
        for reading, _, advance_h in _advances(series)
        if reading.from_zero
    }


def _advances(series: Sequence[Reading]) -> Iterator[tuple[Reading, datetime, float]]:
    """Each advance of a counter: its later reading, when it began at the earliest, hours [h]."""
    first = series[0]
    if first.from_zero:
        yield first, first.at - timedelta(hours=first.counter_h), first.counter_h
    for earlier, later in pairwise(series):
        yield later, earlier.at, later.counter_h - earlier.counter_h


def _between(told: Sequence[Written], began_at: datetime, ended_at: datetime, side: str | None) -> list[Written]:
    ends = [one.at for one in told]
    return [one for one in told[bisect_right(ends, began_at) : bisect_right(ends, ended_at)] if one.is_of(side)]


def _is_unexplained(advance_h: float, between: Sequence[Written], least_h: float) -> bool:
    if any(one.hours is None for one in between):
        return False
    return advance_h - sum(one.hours or 0.0 for one in between) > least_h


def _use_before(reading: Reading, began_at: datetime) -> Entry:
    return Entry(
        id=reading.entry.id,
        machine=reading.entry.machine,
        kind=EntryKind.SPRAYED,
        happened_at=max(reading.at - READ_AFTER, began_at),
        recorded_at=reading.entry.recorded_at,
        by=reading.entry.by,
        channel=reading.entry.channel,
        detail=Sprayed(),
    )
