"""What the logbook says of each machine, folded again only when an entry came or time alone changes the answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from carewatch.duties.facts import at_local, local_day
from carewatch.logbook.bodies import Bodies, bodies_of
from carewatch.logbook.entries import Entry, Moved
from carewatch.logbook.fold import fold, heat_said, wet_if_used
from carewatch.logbook.order import CLOCK_DOUBT
from carewatch.logbook.state import Fill, MachineState
from carewatch.logbook.voids import standing
from carewatch.logbook.whereabouts import FOR_EVER, HeatWord
from carewatch.roster.model import Fleet, Machine, PlaceKind, Roster, Site

Spot = tuple[str, str | None]  # site and place


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineNow:
    """A machine, its entries known by now, those that stand after corrections, `heat` said by others, and the sum."""

    machine: Machine
    roster: Roster
    book: tuple[Entry, ...]
    stands: tuple[Entry, ...]
    heat: tuple[HeatWord, ...]
    state: MachineState
    bodies: Bodies

    @property
    def fleet(self) -> Fleet:
        """The fleet it belongs to."""
        return self.roster.fleet(self.machine.fleet)

    @property
    def site(self) -> Site:
        """The site it stands at."""
        return self.roster.site(self.state.stands.site)

    @property
    def is_as_wet_as_used(self) -> bool:
        """Full of something that freezes at 0 °C, and outdoors: spraying today could not make it any worse."""
        is_outdoors = self.state.stands.kind is PlaceKind.OUTDOORS
        contents = self.state.contents.values()
        return is_outdoors and all(one.fill is Fill.FULL and one.freezes_at_c >= 0.0 for one in contents)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Said:
    """What a book of so many entries says of the heat, and the places the machine was said to stand in."""

    entries: int
    words: tuple[HeatWord, ...]
    spots: tuple[Spot, ...]


@dataclass(slots=True, kw_only=True)
class Folds:
    """Folded states by machine, with the instant until which waiting alone changes nothing; losing it loses nothing."""

    said: dict[str, _Said] = field(default_factory=dict)
    now: dict[str, tuple[datetime, datetime, MachineNow]] = field(default_factory=dict)
    if_used: dict[str, tuple[tuple[object, ...], MachineState]] = field(default_factory=dict)


def machines_now(
    folds: Folds, roster: Roster, logbook: Mapping[str, tuple[Entry, ...]], *, now: datetime
) -> list[MachineNow]:
    """Every machine of the roster as the logbook knows it at `now`; the heat of a shop is that of all in it."""
    books = [
        (machine, tuple(entry for entry in logbook.get(machine.id, ()) if entry.recorded_at <= now))
        for machine in roster.machines
    ]
    said = [_said(folds, roster, machine, book, now=now) for machine, book in books]
    by_spot: dict[Spot, list[HeatWord]] = {}
    for word in (word for one in said for word in one.words):
        by_spot.setdefault((word.site, word.place), []).append(word)
    return [
        _machine_now(folds, roster, machine, book, _of_neighbours(machine, one.spots, by_spot), now=now)
        for (machine, book), one in zip(books, said, strict=True)
    ]


def _said(folds: Folds, roster: Roster, machine: Machine, book: tuple[Entry, ...], *, now: datetime) -> _Said:
    known = folds.said.get(machine.id)
    if known is None or known.entries != len(book):
        moves = [entry.detail for entry in book if isinstance(entry.detail, Moved)]
        spots = dict.fromkeys([(machine.home_site, machine.home_place), *((move.site, move.place) for move in moves)])
        words = heat_said(machine, roster, book, at=now)
        known = folds.said[machine.id] = _Said(entries=len(book), words=words, spots=tuple(spots))
    return known


def _of_neighbours(
    machine: Machine, spots: tuple[Spot, ...], by_spot: Mapping[Spot, list[HeatWord]]
) -> tuple[HeatWord, ...]:
    return tuple(word for spot in spots for word in by_spot.get(spot, ()) if word.machine != machine.id)


def _machine_now(
    folds: Folds,
    roster: Roster,
    machine: Machine,
    book: tuple[Entry, ...],
    heat: tuple[HeatWord, ...],
    *,
    now: datetime,
) -> MachineNow:
    known = folds.now.get(machine.id)
    if known is not None and known[0] <= now < known[1]:
        before = known[2]
        if len(before.book) == len(book) and before.heat == heat:
            return replace(before, state=replace(before.state, at=now))
    state = fold(machine, roster, book, at=now, heat=heat)
    stands = standing(book, machine, roster).stands
    bodies = bodies_of(machine, roster, book, at=now)
    found = MachineNow(
        machine=machine, roster=roster, book=book, stands=stands, heat=heat, state=state, bodies=bodies
    )  # fmt: skip
    folds.now[machine.id] = (now, _good_until(found, now), found)
    return found


def _good_until(found: MachineNow, now: datetime) -> datetime:
    """When time alone changes the answer: heat that is no longer known, an entry whose moment has not come."""
    if any(entry.happened_at + CLOCK_DOUBT > now for entry in found.book):
        return now
    heated_until = found.state.stands.heat_known_until
    return heated_until if heated_until is not None and heated_until > now else FOR_EVER


def used_today(folds: Folds, one: MachineNow, *, now: datetime) -> MachineState:
    """As if it sprayed until work ends next: the same answer all day long."""
    today = local_day(now, one.fleet.tz)
    used_at = at_local(today, one.fleet.work_ends_at, one.fleet.tz)
    if used_at <= now:
        used_at = at_local(today + timedelta(days=1), one.fleet.work_ends_at, one.fleet.tz)
    inputs = (len(one.book), one.heat, used_at)
    known = folds.if_used.get(one.machine.id)
    if known is None or known[0] != inputs:
        state = wet_if_used(one.machine, one.roster, one.book, at=used_at, used_at=used_at, heat=one.heat)
        known = folds.if_used[one.machine.id] = (inputs, state)
    return known[1]
