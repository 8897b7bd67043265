"""Counter readings and written hours, and where a counter cannot be right: it went back, or ran faster than time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from carewatch.logbook.entries import Channel, Entry, HoursRead, Sprayed
from carewatch.logbook.order import effective_at
from carewatch.logbook.pieces import Piece, spell

ROUNDING_H = 1e-6
BACKWARDS_H = 0.05  # one step of the ISO 11783-11 lifetime hour counter (DDI 215)
FASTER_H = 1.0  # chosen: times of readings are rounded and remembered; only more than this is impossible
BY_HAND = frozenset({Channel.COMMAND, Channel.PAGE, Channel.MAIL})


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A counter value [h] and the entry it came with."""

    entry: Entry
    at: datetime
    counter_h: float
    counter: str | None = None
    from_zero: bool = False
    is_estimate: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterBreak:
    """A reading that does not follow from the one before [h]: it went back, or ran `elapsed_h` hours too fast.

    `entry` is the id of the later reading, `who` the person id behind it; the total is kept either way.
    """

    entry: str
    at: datetime
    who: str
    side: str | None
    was_h: float
    now_h: float
    elapsed_h: float

    @property
    def is_back(self) -> bool:
        """Whether the counter went back: another controller, or it was set anew."""
        return self.now_h < self.was_h


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """Spraying somebody wrote down: end, hours [h] (None: not said), opened sides (None: not said)."""

    at: datetime
    hours: float | None
    sides: tuple[str, ...] | None
    product: str
    is_by_hand: bool

    def is_of(self, side: str | None) -> bool:
        """Whether it may have run this side; None asks for the machine."""
        return side is None or self.sides is None or side in self.sides


def written_in(entries: Sequence[Entry]) -> list[Written]:
    """Sprayings among sorted entries."""
    return [
        Written(
            at=effective_at(entry),
            hours=entry.detail.hours,
            sides=entry.detail.sides,
            product=entry.detail.product,
            is_by_hand=entry.channel in BY_HAND,
        )
        for entry in entries
        if isinstance(entry.detail, Sprayed)
    ]


Key = tuple[str | None, str | None]
"""Which counter: its name (None: the one people read), its side (None: one for all)."""


def readings_in(entries: Sequence[Entry]) -> Mapping[Key, list[Reading]]:
    """The readings of each counter, from sorted entries."""
    found: dict[Key, list[Reading]] = {}
    for entry in entries:
        match entry.detail:
            case HoursRead(counter_h=value, side=side, counter=name, from_zero=from_zero, is_estimate=is_estimate):
                reading = Reading(
                    entry=entry,
                    at=effective_at(entry),
                    counter_h=value,
                    counter=name,
                    from_zero=from_zero,
                    is_estimate=is_estimate,
                )
                found.setdefault((name, side), []).append(reading)
            case Sprayed(counter_h=value) if value is not None:
                reading = Reading(entry=entry, at=effective_at(entry), counter_h=value)
                found.setdefault((None, None), []).append(reading)
            case _:
                pass
    return found


def counters_of(side: str, readings: Mapping[Key, list[Reading]]) -> Iterator[list[Reading]]:
    """The counters that tell of one side: its own, and the one for all up to the first reading of its own."""
    for name in dict.fromkeys(name for name, _ in readings):
        mine, of_all = readings.get((name, side), []), readings.get((name, None), [])
        for series in (mine, [one for one in of_all if not mine or one.at < mine[0].at]):
            if series:
                yield series


def pieces_of(readings: Sequence[Reading]) -> Iterator[Piece]:
    """What one counter proves. The first reading of a lifetime counter is what the machine had run before."""
    first = readings[0]
    if first.from_zero:
        yield from _task_pieces(readings)
        return
    yield Piece(started_at=None, ended_at=first.at, hours=first.counter_h, is_estimate=first.is_estimate)
    for earlier, later in pairwise(readings):
        most_h = _elapsed_h(earlier, later) + FASTER_H
        hours = min(max(0.0, later.counter_h - earlier.counter_h), most_h)
        yield Piece(started_at=earlier.at, ended_at=later.at, hours=hours, is_estimate=later.is_estimate)


def _task_pieces(readings: Sequence[Reading]) -> Iterator[Piece]:
    """Each reading was taken when work stopped, so its hours lie right before it."""
    reached_h = 0.0
    for reading in readings:
        if reading.counter_h > reached_h:
            yield spell(reading.at, reading.counter_h - reached_h, is_estimate=reading.is_estimate)
            reached_h = reading.counter_h


def breaks_in(readings: Mapping[Key, list[Reading]]) -> tuple[CounterBreak, ...]:
    """Readings of lifetime counters that cannot follow from the one before, in order of time."""
    found = [
        _break(earlier, later, side)
        for (_, side), series in readings.items()
        for earlier, later in pairwise(series)
        if not later.from_zero and not _can_follow(earlier, later)
    ]
    return tuple(sorted(found, key=lambda one: (one.at, one.entry)))


def _can_follow(earlier: Reading, later: Reading) -> bool:
    advance_h = later.counter_h - earlier.counter_h
    return -BACKWARDS_H - ROUNDING_H <= advance_h <= _elapsed_h(earlier, later) + FASTER_H


def _break(earlier: Reading, later: Reading, side: str | None) -> CounterBreak:
    return CounterBreak(
        entry=later.entry.id,
        at=later.at,
        who=later.entry.on_behalf_of or later.entry.by,
        side=side,
        was_h=earlier.counter_h,
        now_h=later.counter_h,
        elapsed_h=_elapsed_h(earlier, later),
    )


def _elapsed_h(earlier: Reading, later: Reading) -> float:
    return (later.at - earlier.at) / timedelta(hours=1)
