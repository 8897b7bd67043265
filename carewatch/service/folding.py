"""What the logbook says of each machine, folded again only when an entry came or time alone changes the answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from carewatch.duties.facts import at_local, local_day
from carewatch.logbook.entries import Entry
from carewatch.logbook.fold import fold, wet_if_used
from carewatch.logbook.order import CLOCK_DOUBT
from carewatch.logbook.state import Fill, MachineState
from carewatch.logbook.voids import standing
from carewatch.roster.model import Fleet, Machine, PlaceKind, Roster, Site

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
    if_used: dict[str, tuple[tuple[int, datetime], MachineState]] = field(default_factory=dict)


def machines_now(
    folds: Folds, roster: Roster, logbook: Mapping[str, tuple[Entry, ...]], *, now: datetime
) -> list[MachineNow]:
    """Every machine of the roster as the logbook knows it at `now`."""
    return [_machine_now(folds, roster, machine, logbook.get(machine.id, ()), now=now) for machine in roster.machines]


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
