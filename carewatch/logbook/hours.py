"""Spray hours per side: how many, how they weigh, since the last inspection, and at what pace."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import MappingProxyType
from zoneinfo import ZoneInfo

from carewatch.logbook import coverage
from carewatch.logbook.counters import (
    CounterBreak,
    Key,
    Reading,
    Written,
    breaks_in,
    counters_of,
    pieces_of,
    readings_in,
    written_in,
)
from carewatch.logbook.entries import Entry
from carewatch.logbook.pieces import Piece, added_up, fewest_hours, spell
from carewatch.logbook.wear import Job, wear_factor, weight_of
from carewatch.roster.model import Fleet, Machine

PACE_DAYS = 28  # chosen: four weeks tell how a machine is used now; a spell of rain does not
SHORTEST_PACE_DAYS = 7  # chosen: the first day of records must not stand for every day


@dataclass(frozen=True, slots=True, kw_only=True)
class SprayHours:
    """Hours of each side [h].

    `by_side`: hours with liquid flowing, as counted. `weighted_by_side`: the same with abrasive products weighing more.
    `since_inspection`: weighted, since `inspected_at` (None: no inspection is in the logbook, everything counts).
    `a_day`: weighted hours a day of the busiest side in the four weeks before `known_until`, the newest evidence.
    `last_read_at`: newest reading of any counter. `has_estimates`: some hours are time in working position.
    """

    by_side: Mapping[str, float]
    weighted_by_side: Mapping[str, float]
    since_inspection: Mapping[str, float]
    inspected_at: datetime | None
    known_until: datetime | None
    a_day: float
    last_read_at: datetime | None
    has_estimates: bool
    breaks: tuple[CounterBreak, ...]

    @property
    def restarts(self) -> tuple[str, ...]:
        """Ids of the entries at which a counter went backwards."""
        return tuple(dict.fromkeys(one.entry for one in self.breaks if one.is_back))

    @property
    def most_since_inspection(self) -> float:
        """Weighted hours since the last inspection of the side that ran most [h]."""
        return max(self.since_inspection.values(), default=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursThen:
    """Hours of one side by a moment as counted, and weighted since then [h]."""

    ran_h: float
    since_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """What was chosen for one side, each piece with its weight."""

    pieces: tuple[tuple[Piece, float], ...]

    def hours(self) -> float:
        return sum(piece.hours for piece, _ in self.pieces)

    def weighted(self) -> float:
        return sum(piece.hours * weight for piece, weight in self.pieces)

    def then(self, moment: datetime) -> HoursThen:
        since_h = sum(piece.hours * piece.share_after(moment) for piece, _ in self.pieces)
        return HoursThen(ran_h=self.hours() - since_h, since_h=self.after(moment))

    def after(self, moment: datetime) -> float:
        return sum(piece.hours * weight * piece.share_after(moment) for piece, weight in self.pieces)


def spray_hours(
    machine: Machine, fleet: Fleet, entries: Sequence[Entry], *, sure: Sequence[Entry] | None = None
) -> SprayHours:
    """Spray hours per side from sorted entries.

    Parameters
    ----------
    machine, fleet : Machine, Fleet
        The machine and its fleet, which says how products wear and in which zone its days lie.
    entries : sequence of Entry
        In order of time, the doubted ones among them.
    sure : sequence of Entry, optional
        Those nobody doubts; only an inspection among these counts (None: all).

    Returns
    -------
    SprayHours

    Notes
    -----
    Counters, task files and written hours of the same time are never added: the fewest hours that agree with all of
    them count (`pieces.fewest_hours`). The first reading of a lifetime counter is what the machine had run before. A
    counter that goes back starts anew, one that runs faster than time is cut to it; both are flagged. Hand and file on
    one day: the larger of the two. Hours of one reading to the next lie evenly between them.
    """
    readings, written = readings_in(entries), written_in(entries)
    sides = {side: _side(side, readings, written, fleet) for side in machine.side_keys}
    chosen = [piece for side in sides.values() for piece, _ in side.pieces]
    known_until = max((piece.ended_at for piece in chosen), default=None)
    inspected_at = coverage.inspected_at(machine, entries if sure is None else sure)
    return SprayHours(
        by_side=_frozen({key: side.hours() for key, side in sides.items()}),
        weighted_by_side=_frozen({key: side.weighted() for key, side in sides.items()}),
        since_inspection=_frozen(
            {key: side.weighted() if inspected_at is None else side.after(inspected_at) for key, side in sides.items()}
        ),
        inspected_at=inspected_at,
        known_until=known_until,
        a_day=max((_a_day(side, known_until) for side in sides.values()), default=0.0),
        last_read_at=max((reading.at for series in readings.values() for reading in series), default=None),
        has_estimates=any(piece.is_estimate for piece in chosen),
        breaks=breaks_in(readings),
    )


def hours_at(
    machine: Machine, fleet: Fleet, entries: Sequence[Entry], moments: Iterable[datetime]
) -> Mapping[datetime, Mapping[str, HoursThen]]:
    """For each moment and side the hours it had run by then, and those since; from sorted entries."""
    wanted = tuple(dict.fromkeys(moments))
    if not wanted:
        return {}
    readings, written = readings_in(entries), written_in(entries)
    sides = {side: _side(side, readings, written, fleet) for side in machine.side_keys}
    return {moment: {key: side.then(moment) for key, side in sides.items()} for moment in wanted}


def _side(side: str, readings: Mapping[Key, list[Reading]], written: Sequence[Written], fleet: Fleet) -> _Side:
    mine = [one for one in written if one.is_of(side)]
    spells: list[Piece] = []
    pieces: list[Piece] = []
    for series in counters_of(side, readings):
        (spells if series[0].from_zero else pieces).extend(pieces_of(series))
    pieces += _by_day(mine, spells, fleet.tz)
    jobs = [Job(at=one.at, hours=one.hours, factor=wear_factor(one.product, fleet.wear)) for one in mine]
    ends = [job.at for job in jobs]
    chosen = fewest_hours(pieces)
    return _Side(pieces=tuple((piece, weight_of(piece, _within(piece, jobs, ends))) for piece in chosen))


def _within(piece: Piece, jobs: Sequence[Job], ends: Sequence[datetime]) -> Sequence[Job]:
    if piece.started_at is None:
        return ()  # what it had run before: nobody knows with what
    return jobs[bisect_right(ends, piece.started_at) : bisect_right(ends, piece.ended_at)]


def _by_day(written: Sequence[Written], tasks: Sequence[Piece], zone: ZoneInfo) -> list[Piece]:
    """Spells of hands and of files; for each local day the larger of what hands and what files say."""
    days: dict[date, tuple[list[Piece], list[Piece]]] = {}
    for task in tasks:
        days.setdefault(task.ended_at.astimezone(zone).date(), ([], []))[1].append(task)
    for one in written:
        if one.hours:
            by_hand, by_file = days.setdefault(one.at.astimezone(zone).date(), ([], []))
            (by_hand if one.is_by_hand else by_file).append(spell(one.at, one.hours))
    found: list[Piece] = []
    for by_hand, by_file in days.values():
        files = fewest_hours(by_file)
        hands = sum(piece.hours for piece in by_hand)
        found += added_up(by_hand) if hands > sum(piece.hours for piece in files) else files
    return found


def _a_day(side: _Side, known_until: datetime | None) -> float:
    """Weighted hours a day in the last weeks that are known, or since the records begin."""
    starts = [piece.started_at for piece, _ in side.pieces if piece.started_at is not None]
    if known_until is None or not starts:
        return 0.0
    begun = max(min(starts), known_until - timedelta(days=PACE_DAYS))
    days = max((known_until - begun) / timedelta(days=1), float(SHORTEST_PACE_DAYS))
    return side.after(begun) / days


def _frozen(values: dict[str, float]) -> Mapping[str, float]:
    return MappingProxyType(values)
