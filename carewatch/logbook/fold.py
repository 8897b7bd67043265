"""From entries to what the logbook says of one machine at one moment. Pure; the order of arrival has no say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from types import MappingProxyType

from carewatch.logbook.antifreeze import liquid_or_unknown_strength
from carewatch.logbook.boom import Boom, boom_after, worse_boom
from carewatch.logbook.contents import contents_of, is_antifreeze
from carewatch.logbook.entries import Channel, Entry, EntryKind, Filled, Sprayed
from carewatch.logbook.hours import spray_hours
from carewatch.logbook.order import CLOCK_DOUBT, effective_at, in_order, known_entries
from carewatch.logbook.shift import Shift, latest_shift
from carewatch.logbook.state import ASSUMED, MachineState, Whereabouts
from carewatch.logbook.unwritten import unwritten_uses
from carewatch.logbook.voids import standing, stories
from carewatch.logbook.whereabouts import HeatWord, heat_words, stays
from carewatch.roster.model import LEAST_SHELTER_FIRST, Machine, Roster

IF_USED = "if-used"


def fold(
    machine: Machine,
    roster: Roster,
    entries: Iterable[Entry],
    *,
    at: datetime,
    known_until: datetime | None = None,
    heat: Sequence[HeatWord] = (),
) -> MachineState:
    """What the logbook says of a machine.

    Parameters
    ----------
    machine, roster : Machine, Roster
        The machine and all there is to look up: its fleet, sites, places and people.
    entries : iterable of Entry
        In any order, with repeats, of any machine.
    at : datetime
        The moment asked about (aware); what happened later is left out.
    known_until : datetime, optional
        Only entries recorded up to here are known; None: all.
    heat : sequence of HeatWord
        What the entries of other machines say of the heat of the shops they stand in.

    Returns
    -------
    MachineState
        Where entries leave a doubt (clocks, corrections by others, sides not said), the worse story.
    """
    known = known_entries(machine.id, entries, at=at, known_until=known_until)
    after_corrections = standing(known, machine, roster)
    every = in_order((*after_corrections.stands, *after_corrections.doubted))
    told = [
        _Story(machine, roster, [entry for entry in every if entry.id not in left_out], at, heat)
        for left_out in stories(after_corrections)
    ]
    return _state(machine, roster, told, every, at, sure=after_corrections.stands)


def heat_said(machine: Machine, roster: Roster, entries: Iterable[Entry], *, at: datetime) -> tuple[HeatWord, ...]:
    """What one machine's entries say of the heat of the shops it stood in; in doubt only that it is off."""
    known = known_entries(machine.id, entries, at=at, known_until=None)
    after_corrections = standing(known, machine, roster)
    every = in_order((*after_corrections.stands, *after_corrections.doubted))
    told = []
    for left_out in stories(after_corrections):
        kept = [entry for entry in every if entry.id not in left_out]
        told.append(heat_words(machine, roster, in_order((*kept, *unwritten_uses(machine, kept)))))
    sure = frozenset.intersection(*map(frozenset, told))
    said = dict.fromkeys(word for words in told for word in words)
    return tuple(word for word in said if word in sure or not word.is_on)


def wet_if_used(
    machine: Machine,
    roster: Roster,
    entries: Iterable[Entry],
    *,
    at: datetime,
    used_at: datetime,
    heat: Sequence[HeatWord] = (),
) -> MachineState:
    """The state it would be in if it sprayed until `used_at` and nothing was done after: all sides wet, outdoors."""
    use = Entry(
        id=f"{IF_USED}:{machine.id}",
        machine=machine.id,
        kind=EntryKind.SPRAYED,
        happened_at=used_at,
        recorded_at=used_at,
        by=IF_USED,
        channel=Channel.COMMAND,
        detail=Sprayed(sides=machine.side_keys),
    )
    known = [entry for entry in entries if entry.recorded_at <= at]
    return fold(machine, roster, [*known, use], at=max(at, used_at), heat=heat)


class _Story:
    """One reading of the logbook: what follows if exactly these entries are true."""

    def __init__(
        self, machine: Machine, roster: Roster, entries: Sequence[Entry], at: datetime, heat: Sequence[HeatWord]
    ) -> None:
        with_use = in_order((*entries, *unwritten_uses(machine, entries)))
        self.boom: Boom = boom_after(machine, with_use)
        self.stays: tuple[Whereabouts, ...] = stays(machine, roster, with_use, at=at, heat=heat)
        self.shift: Shift = latest_shift(with_use)
        self.flags: Mapping[EntryKind, bool] = _flags(with_use)


def _state(
    machine: Machine,
    roster: Roster,
    told: Sequence[_Story],
    entries: Sequence[Entry],
    at: datetime,
    *,
    sure: Sequence[Entry],
) -> MachineState:
    boom = told[0].boom if len(told) == 1 else worse_boom([story.boom for story in told])
    shift = max((story.shift for story in told), key=_shift_order)
    last_at = at + CLOCK_DOUBT
    return MachineState(
        machine=machine.id,
        at=at,
        contents=MappingProxyType({name: contents_of(name, part) for name, part in boom.parts.items()}),
        stays=min((story.stays for story in told), key=_shelter_order),
        unrinsed_sides=tuple(side for side in machine.side_keys if side in boom.unrinsed),
        last_product=shift.product,
        last_shift_started_at=shift.started_at,
        last_sprayed_at=shift.ended_at,
        last_opened_sides=shift.opened_sides,
        last_word_at=max((word_at for entry in entries if (word_at := effective_at(entry)) <= last_at), default=None),
        is_retired=all(story.flags[EntryKind.RETIRED] for story in told),
        is_laid_up=all(story.flags[EntryKind.LAID_UP] for story in told),
        season_ended=all(story.flags[EntryKind.SEASON_ENDED] for story in told),
        strengths=boom.strengths,
        hours=spray_hours(machine, roster.fleet(machine.fleet), entries, sure=sure),
    )


def _flags(entries: Sequence[Entry]) -> dict[EntryKind, bool]:
    """Retired, laid up, season ended: each until the machine is used again."""
    flags = dict.fromkeys((EntryKind.RETIRED, EntryKind.LAID_UP, EntryKind.SEASON_ENDED), False)
    for entry in entries:
        if entry.kind in flags:
            flags[entry.kind] = True
        elif isinstance(entry.detail, Sprayed) or (isinstance(entry.detail, Filled) and _is_for_use(entry.detail)):
            flags = dict.fromkeys(flags, False)
    return flags


def _is_for_use(detail: Filled) -> bool:
    """Whether water or product went into the tank; antifreeze poured in is part of putting it away."""
    liquid = liquid_or_unknown_strength(detail.liquid, None)
    return bool({"tank", "hopper"} & set(detail.where)) and not is_antifreeze(liquid)


def _shift_order(shift: Shift) -> float:
    return shift.ended_at.timestamp() if shift.ended_at is not None else float("-inf")


def _shelter_order(told: tuple[Whereabouts, ...]) -> tuple[int, float, str]:
    now = told[-1]
    return (LEAST_SHELTER_FIRST.index(now.kind), -now.colder_c, "" if now.known_by == ASSUMED else now.known_by)
