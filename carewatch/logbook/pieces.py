"""Pieces of evidence that a machine ran: the fewest hours that agree with all of them at once."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """At least `hours` [h] ran between two instants (`started_at` None: in all the time before `ended_at`).

    `is_estimate`: it counted time in working position, which may hold time without liquid flowing.
    """

    started_at: datetime | None
    ended_at: datetime
    hours: float
    is_estimate: bool = False

    def share_after(self, moment: datetime) -> float:
        """Share of it that lies after an instant, as if it ran evenly; what ran in all the time before has none."""
        if self.started_at is None or self.ended_at <= moment:
            return 0.0
        if self.started_at >= moment:
            return 1.0
        return (self.ended_at - moment) / (self.ended_at - self.started_at)


def fewest_hours(pieces: Iterable[Piece]) -> tuple[Piece, ...]:
    """The pieces that together prove the most hours without speaking twice of any time, in order of time.

    Notes
    -----
    Every piece says "at least so many hours in this span". The fewest hours that satisfy all of them equal the largest
    sum over spans that do not overlap (an interval system is totally unimodular, so both linear programs have the same
    whole optimum). Two counters, files and words about the same work are therefore never added, and whoever saw more
    counts. Weighted interval scheduling, O(n log n).
    """
    told = sorted((piece for piece in pieces if piece.hours > 0.0), key=lambda piece: piece.ended_at)
    ends = [piece.ended_at for piece in told]
    best = [0.0]
    before = []
    for place, piece in enumerate(told):
        earlier = 0 if piece.started_at is None else bisect_right(ends, piece.started_at, 0, place)
        before.append(earlier)
        best.append(max(best[place], best[earlier] + piece.hours))
    return tuple(_chosen(told, best, before))


def _chosen(told: Sequence[Piece], best: Sequence[float], before: Sequence[int]) -> list[Piece]:
    chosen, place = [], len(told)
    while place > 0:
        if best[place] > best[place - 1]:
            chosen.append(told[place - 1])
            place = before[place - 1]
        else:
            place -= 1
    return chosen[::-1]


def added_up(pieces: Iterable[Piece]) -> list[Piece]:
    """Spells one hand wrote down, those that overlap put together: a person says hours twice only for two jobs."""
    merged: list[Piece] = []
    for piece in sorted(pieces, key=lambda piece: (piece.started_at or piece.ended_at, piece.ended_at)):
        last = merged[-1] if merged else None
        if last is None or last.ended_at <= (piece.started_at or piece.ended_at):
            merged.append(piece)
            continue
        merged[-1] = Piece(
            started_at=last.started_at,
            ended_at=max(last.ended_at, piece.ended_at),
            hours=last.hours + piece.hours,
            is_estimate=last.is_estimate or piece.is_estimate,
        )
    return merged


def spell(ended_at: datetime, hours: float, *, is_estimate: bool = False) -> Piece:
    """Hours without a break that ended then."""
    return Piece(
        started_at=ended_at - timedelta(hours=hours), ended_at=ended_at, hours=hours, is_estimate=is_estimate
    )  # fmt: skip
