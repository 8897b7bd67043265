"""What one wetted part holds, step by step: carries out the actions of effects.py on candidates of liquids."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from carewatch.fluids.freezing import freezes_at_c
from carewatch.fluids.liquid import UNKNOWN, Liquid, LiquidKind
from carewatch.logbook.entries import Entry
from carewatch.logbook.order import effective_at
from carewatch.logbook.state import ASSUMED, Contents, Fill

_FILL_RANK = {Fill.DRY: 0, Fill.POCKETS: 1, Fill.FULL: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One liquid a part may hold, and the entry that says so.

    `is_computed`: a diluted antifreeze nobody measured. `is_rest`: left in a boom end since an earlier spraying.
    """

    liquid: Liquid
    known_by: str = ASSUMED
    who: str | None = None
    since: datetime | None = None
    entered_at: datetime | None = None
    is_computed: bool = False
    is_rest: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """The antifreeze that went through a part last; `is_mixed`: it met another sort, no scale reads that."""

    known_by: str
    drum: Liquid
    is_mixed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What a part holds in the middle of the fold: candidates, how full, and what was measured since the last run."""

    holds: tuple[Held, ...]
    fill: Fill = Fill.FULL
    run: Run | None = None
    readings: tuple[Held, ...] = ()

    @property
    def candidates(self) -> tuple[Held, ...]:
        """Readings instead of computed strengths once there are any; everything else stays in doubt."""
        if not self.readings:
            return self.holds
        return tuple(held for held in self.holds if not held.is_computed) + self.readings

    @property
    def freezes_at_c(self) -> float:
        """The highest first-ice point of the candidates [°C]."""
        return max(freezes_at_c(held.liquid) for held in self.candidates)

    @property
    def is_protected(self) -> bool:
        """Whether antifreeze is in it or air went through it."""
        return self.fill is not Fill.FULL or any(is_antifreeze(held.liquid) for held in self.candidates)


AT_THE_START = Part(holds=(Held(liquid=UNKNOWN),))


def is_antifreeze(liquid: Liquid) -> bool:
    """Whether a liquid was meant to protect."""
    return liquid.kind is LiquidKind.ANTIFREEZE


def held_since(entry: Entry, liquid: Liquid) -> Held:
    """A liquid that an entry brought in."""
    at = effective_at(entry)
    return Held(liquid=liquid, known_by=entry.id, who=entry.by, since=at, entered_at=at)  # fmt: skip


def taken_by(new: Held) -> Part:
    """The new liquid instead of whatever was there."""
    return Part(holds=(new,))


def joined_by(part: Part, new: Held) -> Part:
    """Full of the new or the old liquid; earlier readings no longer say what is in it now."""
    others, same = [], new
    for held in settled(part):
        if held.liquid is new.liquid or held.liquid == new.liquid:
            same = _lain_since(same, held.entered_at)
        else:
            others.append(held)
    return Part(holds=(*others, same))


def taken_but_ends(part: Part, new: Held, *, is_next_shift: bool) -> Part:
    """The new liquid, and for one more shift the known older one in the boom ends.

    Boom ends still held 10 to 15 % of the old liquid when the nozzles showed 1 to 2 % (rinsing trials quoted by the
    Ontario ministry's application specialist). That a further shift of spraying exchanges them is chosen; a start
    nobody knows is gone with the first spraying through named sides.
    """
    rests = (
        replace(held, is_rest=True)
        for held in settled(part)
        if held.known_by != ASSUMED and held.liquid != new.liquid and not (held.is_rest and is_next_shift)
    )
    return Part(holds=(*rests, new))


def emptied(part: Part, entry: Entry) -> Part:
    """Pockets of what it held; a part known to be dry stays dry."""
    if part.fill is Fill.DRY:
        return part
    said = {"known_by": entry.id, "who": entry.by, "since": effective_at(entry)}
    return replace(
        part,
        fill=Fill.POCKETS,
        holds=tuple(replace(held, **said) for held in part.holds),  # type: ignore[arg-type]
        readings=tuple(replace(held, **said) for held in part.readings),  # type: ignore[arg-type]
    )


def settled(part: Part) -> tuple[Held, ...]:
    """The candidates as they stand, no longer open to a reading."""
    return tuple(replace(held, is_computed=False) if held.is_computed else held for held in part.candidates)


def merged(one: Part, other: Part) -> Part:
    """Either of two stories may be true: all candidates of both, the fuller of both."""
    if one == other:
        return one
    fill = max(one.fill, other.fill, key=_FILL_RANK.__getitem__)
    return Part(
        holds=distinct((*settled(one), *settled(other))), fill=fill, run=one.run if one.run == other.run else None
    )  # fmt: skip


def distinct(holds: Iterable[Held]) -> tuple[Held, ...]:
    """One candidate per liquid: latest word, earliest entry into the part."""
    found: dict[Liquid, Held] = {}
    for held in holds:
        older = found.get(held.liquid)
        found[held.liquid] = held if older is None else _same_liquid(older, held)
    return tuple(found.values())


def _same_liquid(one: Held, other: Held) -> Held:
    later, earlier = (one, other) if _recency(one) > _recency(other) else (other, one)
    return replace(
        _lain_since(later, earlier.entered_at),
        is_rest=one.is_rest and other.is_rest,
        is_computed=one.is_computed and other.is_computed,
    )


def _lain_since(held: Held, entered_at: datetime | None) -> Held:
    """The same liquid, some of which was there before: the longer it lay, the colder it may be."""
    if held.entered_at is None or (entered_at is not None and entered_at >= held.entered_at):
        return held
    return replace(held, entered_at=entered_at)


def _recency(held: Held) -> tuple[bool, float, str]:
    return (held.since is not None, held.since.timestamp() if held.since else 0.0, held.known_by)


def _earliest(moments: Iterable[datetime | None]) -> datetime | None:
    """The earliest moment; None (nobody knows) is earlier than any."""
    known = list(moments)
    return None if None in known else min(moment for moment in known if moment is not None)


def contents_of(name: str, part: Part) -> Contents:
    """The part as other rooms see it: the worst candidate decides, on a tie the latest word."""
    points_c = [(freezes_at_c(held.liquid), held) for held in part.candidates]
    worst_c = max(point_c for point_c, _ in points_c)
    worst = [held for point_c, held in points_c if point_c == worst_c]
    decides = max(worst, key=_recency)
    return Contents(
        part=name,
        liquid=decides.liquid,
        candidates=tuple(sorted((held.liquid for _, held in points_c), key=repr)),
        fill=part.fill,
        freezes_at_c=worst_c,
        known_by=decides.known_by,
        who=decides.who,
        since=decides.since,
        entered_at=_earliest(held.entered_at for held in worst),
    )
