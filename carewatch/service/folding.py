"""What the logbook says of each machine, folded again only when an entry came or time alone changes the answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from carewatch.duties.facts import at_local, local_day
from carewatch.logbook.entries import Entry, EntryKind
from carewatch.logbook.fold import fold, wet_if_used
from carewatch.logbook.order import CLOCK_DOUBT
from carewatch.logbook.state import Fill, MachineState
from carewatch.logbook.voids import standing
from carewatch.roster.model import Fleet, Machine, PlaceKind, Roster, Site

Spot = tuple[str, str | None]  # site and place
FOR_EVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineNow:
    """A machine, its entries known by now, those that stand after corrections, and what they say."""

    machine: Machine
    roster: Roster
    book: tuple[Entry, ...]
    stands: tuple[Entry, ...]
    state: MachineState

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


@dataclass(slots=True, kw_only=True)
class Folds:
    """Folded states by machine, with the instant until which waiting alone changes nothing; losing it loses nothing."""

    now: dict[str, tuple[datetime, datetime, MachineNow]] = field(default_factory=dict)
    with_heat: dict[str, tuple[object, datetime, datetime, MachineState]] = field(default_factory=dict)
    if_used: dict[str, tuple[tuple[int, datetime], MachineState]] = field(default_factory=dict)


def machines_now(
    folds: Folds, roster: Roster, logbook: Mapping[str, tuple[Entry, ...]], *, now: datetime
) -> list[MachineNow]:
    """Every machine of the roster as the logbook knows it at `now`; the heat of a shop is that of all in it."""
    alone = [_machine_now(folds, roster, machine, logbook.get(machine.id, ()), now=now) for machine in roster.machines]
    words = [word for one in alone for word in _words_about_heat(one)]
    return [_with_heat(folds, one, words, now=now) for one in alone]


def _words_about_heat(one: MachineNow) -> list[tuple[Spot, Entry]]:
    """What was said of one machine about the heat, and in which spot it stood then."""
    told = (entry for entry in one.stands if entry.kind is EntryKind.HEAT_CHANGED)
    return [(spot, entry) for entry in told if (spot := _spot_at(one, entry.happened_at))[1] is not None]


def _spot_at(one: MachineNow, moment: datetime) -> Spot:
    stays = [stay for stay in one.state.stays if stay.since <= moment]
    return (stays[-1].site, stays[-1].place) if stays else ("", None)


def _with_heat(folds: Folds, one: MachineNow, words: list[tuple[Spot, Entry]], *, now: datetime) -> MachineNow:
    """The machine with what was said of its neighbours in the same shop: a power cut is theirs as well."""
    shared = tuple(
        replace(entry, id=f"{entry.id}@{one.machine.id}", machine=one.machine.id)
        for spot, entry in words
        if entry.machine != one.machine.id and _spot_at(one, entry.happened_at) == spot
    )
    if not shared:
        return one
    inputs = (len(one.book), tuple(entry.id for entry in shared))
    known = folds.with_heat.get(one.machine.id)
    if known is None or known[0] != inputs or not known[1] <= now < known[2]:
        state = fold(one.machine, one.roster, (*one.book, *shared), at=now)
        until = _good_until(replace(one, state=state), now)
        known = folds.with_heat[one.machine.id] = (inputs, now, until, state)
    return replace(one, state=replace(known[3], at=now, last_word_at=one.state.last_word_at))


def _machine_now(
    folds: Folds, roster: Roster, machine: Machine, entries: tuple[Entry, ...], *, now: datetime
) -> MachineNow:
    book = tuple(entry for entry in entries if entry.recorded_at <= now)
    known = folds.now.get(machine.id)
    if known is not None and known[0] <= now < known[1] and len(known[2].book) == len(book):
        return replace(known[2], state=replace(known[2].state, at=now))
    state = fold(machine, roster, book, at=now)
    stands = standing(book, machine, roster).stands
    found = MachineNow(machine=machine, roster=roster, book=book, stands=stands, state=state)
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
    inputs = (len(one.book), used_at)
    known = folds.if_used.get(one.machine.id)
    if known is None or known[0] != inputs:
        state = wet_if_used(one.machine, one.roster, one.book, at=used_at, used_at=used_at)
        known = folds.if_used[one.machine.id] = (inputs, state)
    return known[1]
