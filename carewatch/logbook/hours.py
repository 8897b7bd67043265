"""Spray hours per side from counter readings and written hours, and use that nobody wrote down."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from carewatch.logbook.entries import Channel, Entry, EntryKind, HoursRead, Sprayed
from carewatch.logbook.order import effective_at
from carewatch.roster.model import Fleet, Machine

UNEXPLAINED_H = 0.5  # chosen: counters and people round; less than this is not taken as use nobody wrote down
READ_AFTER = timedelta(hours=UNEXPLAINED_H)  # so much use cannot lie within the last half hour alone
BACKWARDS_H = 0.05  # one step of the ISO 11783-11 lifetime hour counter (DDI 215)
_BY_HAND = frozenset({Channel.COMMAND, Channel.PAGE, Channel.MAIL})


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A counter value [h] and the entry it came with."""

    entry: Entry
    at: datetime
    counter_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SprayHours:
    """Hours of each side; `restarts`: entry ids at which a counter went backwards (the total is kept)."""

    by_side: Mapping[str, float]
    restarts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """Spraying somebody wrote down: end, hours [h] (None: not said), opened sides (None: not said)."""

    at: datetime
    hours: float | None
    sides: tuple[str, ...] | None
    is_by_hand: bool

    def is_of(self, side: str | None) -> bool:
        """Whether it may have run this side; None asks for the machine."""
        return side is None or self.sides is None or side in self.sides

    @property
    def started_at(self) -> datetime:
        """When it began, as far as hours were given."""
        return self.at - timedelta(hours=self.hours or 0.0)


def spray_hours(machine: Machine, fleet: Fleet, entries: Sequence[Entry]) -> SprayHours:
    """Spray hours per side [h] from sorted entries.

    Notes
    -----
    Between two readings the counter's advance and the written hours tell of the same work: the larger counts, they are
    never added. The first reading is what the machine had run before. Written hours that reach back before a reading
    are covered by it, or by the next one. Hand and file on one day: the larger of the two.
    """
    written = _written(entries)
    restarts: list[str] = []
    hours = {}
    for side in machine.side_keys:
        readings = _readings(entries, side) or _readings(entries, None)
        restarts += [later.entry.id for earlier, later in pairwise(readings) if _went_back(earlier, later)]
        mine = sorted((one for one in written if one.is_of(side)), key=lambda one: one.started_at)
        hours[side] = _total_h(readings, mine, fleet.tz)
    return SprayHours(by_side=hours, restarts=tuple(dict.fromkeys(restarts)))


def _readings(entries: Sequence[Entry], side: str | None) -> list[Reading]:
    found = []
    for entry in entries:
        detail = entry.detail
        if isinstance(detail, HoursRead):
            counter_h = detail.counter_h if detail.side == side else None
        elif isinstance(detail, Sprayed):
            counter_h = detail.counter_h if side is None else None
        else:
            continue
        if counter_h is not None:
            found.append(Reading(entry=entry, at=effective_at(entry), counter_h=counter_h))
    return found


def _written(entries: Sequence[Entry]) -> list[Written]:
    return [
        Written(
            at=effective_at(entry),
            hours=entry.detail.hours,
            sides=entry.detail.sides,
            is_by_hand=entry.channel in _BY_HAND,
        )
        for entry in entries
        if isinstance(entry.detail, Sprayed)
    ]


def _went_back(earlier: Reading, later: Reading) -> bool:
    return later.counter_h < earlier.counter_h - BACKWARDS_H


def _total_h(readings: Sequence[Reading], written: Sequence[Written], zone: ZoneInfo) -> float:
    total_h, place = 0.0, 0
    last: Reading | None = None
    for reading in readings:
        upto = place
        while upto < len(written) and written[upto].started_at < reading.at:
            upto += 1
        total_h += max(_said_h(written[place:upto], zone), _advance_h(last, reading))
        place, last = upto, reading
    return total_h + _said_h(written[place:], zone)


def _advance_h(last: Reading | None, reading: Reading) -> float:
    """Hours the counter went on [h]; a counter that went backwards starts anew and tells nothing of the time before."""
    return reading.counter_h if last is None else max(0.0, reading.counter_h - last.counter_h)


def _said_h(written: Sequence[Written], zone: ZoneInfo) -> float:
    """Written hours [h]; for each local day the larger of what hands and what files say."""
    days: dict[tuple[date, bool], float] = {}
    for one in written:
        key = (one.at.astimezone(zone).date(), one.is_by_hand)
        days[key] = days.get(key, 0.0) + (one.hours or 0.0)
    largest: dict[date, float] = {}
    for (day, _), hours in days.items():
        largest[day] = max(largest.get(day, 0.0), hours)
    return sum(largest.values())


# ---------------------------------------------------------------- use nobody wrote down


def unwritten_uses(machine: Machine, entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """A spraying for each counter that advanced further than the entries explain: product is inside.

    It carries the id of the reading and is dated half an hour before it: that much use cannot all be younger, and an
    answer that gives the reading together with the rinse means the spraying before the rinse.
    """
    written = _written(entries)
    ends = [one.at for one in written]
    uses: dict[str, Entry] = {}
    for side in (*machine.side_keys, None):
        for earlier, later in pairwise(_readings(entries, side)):
            between = written[bisect_right(ends, earlier.at) : bisect_right(ends, later.at)]
            if later.entry.kind is EntryKind.HOURS_READ and _is_unexplained(earlier, later, between, side):
                uses[later.entry.id] = _use_before(later, earlier)
    return tuple(uses.values())


def _is_unexplained(earlier: Reading, later: Reading, between: Sequence[Written], side: str | None) -> bool:
    mine = [one for one in between if one.is_of(side)]
    if any(one.hours is None for one in mine):
        return False
    return later.counter_h - earlier.counter_h - sum(one.hours or 0.0 for one in mine) > UNEXPLAINED_H


def _use_before(reading: Reading, earlier: Reading) -> Entry:
    used_at = max(reading.at - READ_AFTER, earlier.at)
    return Entry(
        id=reading.entry.id,
        machine=reading.entry.machine,
        kind=EntryKind.SPRAYED,
        happened_at=used_at,
        recorded_at=reading.entry.recorded_at,
        by=reading.entry.by,
        channel=reading.entry.channel,
        detail=Sprayed(),
    )
