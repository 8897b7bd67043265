"""Where a machine stood and stands: said by somebody, used up by use, and heat only as long as it is confirmed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from carewatch.logbook.entries import AirMeasured, Entry, Filled, HeatChanged, Moved, Sprayed
from carewatch.logbook.order import CLOCK_DOUBT, effective_at
from carewatch.logbook.state import ASSUMED, Whereabouts
from carewatch.roster.model import Machine, Place, PlaceKind, Roster, Site

BEGINNING = datetime(1970, 1, 1, tzinfo=UTC)  # a date before any entry: where it stood before anybody said so
WARM_C = 5.0  # chosen: a reading this warm in a heated shop confirms the heat
FOR_EVER = datetime.max.replace(tzinfo=UTC)
COLD_C = 2.0  # chosen: a reading this cold says that the heat is off, whatever was said before


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spot:
    """A site and a place of it that the roster knows; no place: somewhere outdoors at the site."""

    site: str
    place: str | None
    kind: PlaceKind
    colder_c: float
    heat_confirmed_for_h: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatWord:
    """What the entry `known_by` of one machine says of the heat of the shop it stood in; it holds for all in there."""

    machine: str
    site: str
    place: str | None
    at: datetime
    is_on: bool
    known_by: str


def stays(
    machine: Machine, roster: Roster, entries: Sequence[Entry], *, at: datetime, heat: Sequence[HeatWord] = ()
) -> tuple[Whereabouts, ...]:
    """Whereabouts over time, oldest first, from sorted entries (unwritten uses included); the last one is at `at`.

    Notes
    -----
    Before anybody said where it stands: its home, assumed, with no heat confirmed. After use: outdoors, at the worse
    of home and the last site it was said to work at (the larger `colder_c`; on a tie the work site), until somebody
    says; the other one stays in `or_at`. A use within the clock doubt of another person's word counts as after it.
    `heat`: what the entries of other machines say of the heat of their shops. A shop whose heat was reported off stays
    unheated, also for who comes in later, until somebody says that it is on or reads a warm thermometer there.
    """
    walk = _walked(machine, roster, entries, heat)
    walk.let_heat_run_out(at)
    return tuple(walk.stays)


def heat_words(machine: Machine, roster: Roster, entries: Sequence[Entry]) -> tuple[HeatWord, ...]:
    """What a machine's sorted entries (unwritten uses included) say of the heat of the shops it stood in."""
    return tuple(_walked(machine, roster, entries, ()).said)


def _walked(machine: Machine, roster: Roster, entries: Sequence[Entry], heat: Sequence[HeatWord]) -> _Walk:
    walk = _Walk(machine, roster, heat)
    for entry in _uses_last_where_in_doubt(entries):
        walk.take(entry)
    walk.hear_until(FOR_EVER)
    return walk


def _uses_last_where_in_doubt(entries: Sequence[Entry]) -> list[Entry]:
    told = [entry for entry in entries if isinstance(entry.detail, Moved | HeatChanged | AirMeasured)]
    uses = [entry for entry in entries if isinstance(entry.detail, Sprayed | Filled)]
    moves = [entry for entry in told if isinstance(entry.detail, Moved)]
    keyed = [(effective_at(entry), 1, place, entry) for place, entry in enumerate(told)]
    place = 0
    for number, entry in enumerate(uses):
        counts_at = used_at = effective_at(entry)
        while place < len(moves) and effective_at(moves[place]) < used_at:
            place += 1
        for move in moves[place:]:
            if effective_at(move) > used_at + CLOCK_DOUBT:
                break
            if move.by != entry.by:
                counts_at = max(counts_at, effective_at(move))
        keyed.append((counts_at, 0 if counts_at == used_at else 2, number, entry))
    return [entry for _, _, _, entry in sorted(keyed, key=lambda row: row[:3])]


class _Walk:
    """Walks through the entries and lays one stay after the other."""

    def __init__(self, machine: Machine, roster: Roster, heat: Sequence[HeatWord]) -> None:
        self.machine = machine
        self.roster = roster
        self.unheard = sorted(heat, key=lambda word: (word.at, not word.is_on, word.known_by), reverse=True)
        self.said: list[HeatWord] = []
        self.without_heat: set[tuple[str, str | None]] = set()
        self.spots: dict[tuple[str, str | None], _Spot] = {}
        self.home = self.spot_at(machine.home_site, machine.home_place)
        self.worked = self.home
        self.is_used_since = False
        self.spot = self.home
        self.stays = [_stay(self.home, since=BEGINNING, known_by=ASSUMED, is_assumed=True)]

    def take(self, entry: Entry) -> None:
        self.hear_until(effective_at(entry))
        at = max(effective_at(entry), self.stays[-1].since)  # a use in doubt counts as after the move
        self.let_heat_run_out(at)
        match entry.detail:
            case Moved(site=site_id, place=place_id):
                self.moved(site_id, place_id, entry, at)
            case HeatChanged(is_on=is_on):
                self.say(is_on=is_on, entry=entry, at=at)
            case AirMeasured(air_c=air_c) if air_c >= WARM_C or air_c <= COLD_C:
                self.say(is_on=air_c >= WARM_C, entry=entry, at=at)
            case Sprayed() | Filled():
                self.used(entry, at)
            case _:
                pass

    def moved(self, site_id: str, place_id: str | None, entry: Entry, at: datetime) -> None:
        try:
            self.spot = self.spot_at(site_id, place_id)
        except KeyError:
            return  # a site the roster no longer has tells nothing; what was known before stands
        self.is_used_since = False
        if self.spot.kind is PlaceKind.OUTDOORS:
            self.worked = self.spot
        stay = _stay(self.spot, since=at, known_by=entry.id, is_assumed=False)
        is_heated = self.spot.kind is PlaceKind.HEATED_SHOP and (site_id, place_id) not in self.without_heat
        self.lay(_with_heat(stay, self.spot, at) if is_heated else stay)

    def spot_at(self, site_id: str, place_id: str | None) -> _Spot:
        """The spot of these ids, looked up once; KeyError if the roster has none."""
        found = self.spots.get((site_id, place_id))
        if found is None:
            site = self.roster.site(site_id)
            found = _spot(site, None if place_id is None else site.place(place_id))
            self.spots[site_id, place_id] = found
        return found

    def open_spot(self, spot: _Spot) -> _Spot:
        """The place itself if it is outdoors, else anywhere outdoors at its site."""
        return spot if spot.kind is PlaceKind.OUTDOORS else self.spot_at(spot.site, None)

    def say(self, *, is_on: bool, entry: Entry, at: datetime) -> None:
        """Take an own word about the heat, if it stands in a shop that has one."""
        if self.spot.kind is PlaceKind.HEATED_SHOP:
            word = HeatWord(
                machine=self.machine.id, site=self.spot.site, place=self.spot.place, at=at, is_on=is_on,
                known_by=entry.id,
            )  # fmt: skip
            self.said.append(word)
            self.hear(word)

    def hear_until(self, at: datetime) -> None:
        """Take what the others said up to `at`."""
        while self.unheard and self.unheard[-1].at <= at:
            self.hear(self.unheard.pop())

    def hear(self, word: HeatWord) -> None:
        """Take a word about the heat of any shop; it lays a new stay if this machine stands in it."""
        where = (word.site, word.place)
        (self.without_heat.discard if word.is_on else self.without_heat.add)(where)
        if (self.spot.site, self.spot.place) != where or self.spot.kind is not PlaceKind.HEATED_SHOP:
            return
        at = max(word.at, self.stays[-1].since)
        self.let_heat_run_out(at)
        base = _stay(self.spot, since=at, known_by=word.known_by, is_assumed=self.stays[-1].is_assumed)
        self.lay(_with_heat(base, self.spot, at) if word.is_on else base)

    def used(self, entry: Entry, at: datetime) -> None:
        if self.is_used_since:
            return  # used again: nothing new about where it is
        self.is_used_since = True
        home, work = self.open_spot(self.home), self.open_spot(self.worked)
        self.spot = home if home.colder_c > work.colder_c else work
        other = work if self.spot is home else home
        or_at = (other.site,) if other.site != self.spot.site else ()
        stay = _stay(self.spot, since=at, known_by=entry.id, is_assumed=True)
        last = self.stays[-1]
        if last.is_assumed and (last.site, last.place, last.kind) == (stay.site, stay.place, stay.kind):
            return  # assumed there already
        self.lay(replace(stay, or_at=or_at) if or_at else stay)

    def let_heat_run_out(self, at: datetime) -> None:
        """A shop nobody confirmed in time becomes a shed at that moment."""
        last = self.stays[-1]
        if last.heat_known_until is not None and last.heat_known_until <= at:
            shed = replace(last, kind=PlaceKind.UNHEATED_SHED, since=last.heat_known_until, heat_known_until=None)
            self.lay(shed)

    def lay(self, stay: Whereabouts) -> None:
        if self.stays[-1].since == stay.since:
            self.stays.pop()
        self.stays.append(stay)


def _spot(site: Site, place: Place | None) -> _Spot:
    if place is None:
        open_c = (one.colder_c for one in site.places if one.kind in (PlaceKind.OUTDOORS, PlaceKind.OPEN_ROOF))
        return _Spot(
            site=site.id, place=None, kind=PlaceKind.OUTDOORS, colder_c=max([site.colder_c, *open_c])
        )  # fmt: skip
    return _Spot(
        site=site.id,
        place=place.id,
        kind=place.kind,
        colder_c=max(site.colder_c, place.colder_c),
        heat_confirmed_for_h=place.heat_confirmed_for_h,
    )


def _stay(spot: _Spot, *, since: datetime, known_by: str, is_assumed: bool) -> Whereabouts:
    """A stay in which no heat is counted."""
    return Whereabouts(
        site=spot.site,
        place=spot.place,
        kind=PlaceKind.UNHEATED_SHED if spot.kind is PlaceKind.HEATED_SHOP else spot.kind,
        colder_c=spot.colder_c,
        since=since,
        known_by=known_by,
        is_assumed=is_assumed,
    )


def _with_heat(stay: Whereabouts, spot: _Spot, at: datetime) -> Whereabouts:
    return replace(
        stay, kind=PlaceKind.HEATED_SHOP, heat_known_until=at + timedelta(hours=spot.heat_confirmed_for_h)
    )  # fmt: skip
