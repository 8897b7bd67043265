"""An invented farm whose evenings can be told in a few lines: roster, cold nights, what people do, what they are told.

Contents come from the real fold; the nights are made by hand. A machine that is wet and outdoors has the night's
chance; indoors, or filled with something that does not freeze in it, it has none; pockets have their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local
from carewatch.freeze.outlook import Certainty, ForecastOrigin, Outlook, Severity, Urgency
from carewatch.logbook.bodies import bodies_of
from carewatch.logbook.entries import Channel, Entry, EntryKind
from carewatch.logbook.fold import fold
from carewatch.logbook.kinds import DETAIL_TYPES
from carewatch.logbook.state import Fill, MachineState
from carewatch.notices.desk import Told, Ways
from carewatch.notices.notice import Notice, NoticeKind, SentNotice
from carewatch.notices.plan import Plan, plan
from carewatch.roster.model import (
    Absence,
    Fleet,
    Machine,
    Person,
    Place,
    PlaceKind,
    Role,
    Roster,
    Side,
    Site,
    TimeSpan,
    UnitSystem,
)
from carewatch.weather.forecast import NightWeather, SiteWeather
from carewatch.weather.nights import night_on, nights_from

ZONE = "America/Chicago"
MARA, OWEN, PIA, RUTH = "mara", "owen", "pia", "ruth"
NIGHTS = 5
FLAGGED = 0.10


def person(id: str, *roles: Role, **changes) -> Person:  # noqa: A002
    values = {"name": id.capitalize(), "fleet": "millrace", "roles": frozenset(roles), "email": f"{id}@farm.example"}
    return Person(id=id, **(values | changes))


def crew(**changes: dict) -> tuple[Person, ...]:
    """Mara manages, Owen and Pia drive, Ruth owns; keywords change one of them: `crew(mara={"email": None})`."""
    roles = {MARA: Role.MANAGER, OWEN: Role.OPERATOR, PIA: Role.OPERATOR, RUTH: Role.OWNER}
    return tuple(person(name, role, **changes.get(name, {})) for name, role in roles.items())


def site(id: str = "north", **changes) -> Site:  # noqa: A002
    places = (
        Place(id="yard", name=f"{id} yard", kind=PlaceKind.OUTDOORS),
        Place(id="shed", name=f"{id} shed", kind=PlaceKind.UNHEATED_SHED),
        Place(id="shop", name=f"{id} shop", kind=PlaceKind.HEATED_SHOP, heat_confirmed_for_h=72.0),
    )
    values = {
        "name": f"{id.capitalize()} place", "lat_deg": 41.6, "lon_deg": -93.6, "elevation_m": 290.0, "zone": ZONE,
        "places": places, "contacts": (MARA, RUTH),
    }  # fmt: skip
    return Site(id=id, **(values | changes))


def machine(number: int = 1, **changes) -> Machine:
    values = {
        "id": f"sprayer-{number}", "name": f"Sprayer {number}", "fleet": "millrace", "home_site": "north",
        "home_place": "yard", "operators": (OWEN,), "boom_width_m": 36.0, "sections": (12, 12, 24, 12, 12),
        "sides": (Side(key="front", label="front"), Side(key="rear", label="rear")),
        "plumbing": ("boom_pipe", "hoses", "pump", "meter", "tank", "rinse_tank"), "held_l": 130.0,
        "held_is_measured": True, "tank_l": 4000.0, "rinse_tank_l": 450.0, "nozzle_size": "04",
        "nozzle_pressure_kpa": 300.0, "shift_end": time(20, 0),
    }  # fmt: skip
    return Machine(**(values | changes))


def fleet(machines: Iterable[Machine] | None = None, **changes) -> Fleet:
    values = {"name": "Millrace", "zone": ZONE, "sites": (site(),), "people": crew()}
    return Fleet(id="millrace", machines=tuple(machines or (machine(),)), **(values | changes))


@dataclass(frozen=True, kw_only=True)
class Cold:
    """One night for a wet machine outdoors; `ice` and `early` are local times (before noon: of the next day)."""

    chance: float | None = 0.0
    low_c: float = 5.0
    margin_c: float = 2.0
    ice: time | None = None
    early: time | None = None
    pockets: float = 0.0
    in_shed: float | None = None
    is_usable: bool = True
    is_frozen_already: bool = False
    because: tuple[str, ...] = ()


MILD = Cold()
FREEZES = Cold(chance=0.9, low_c=-2.5, margin_c=2.8, ice=time(2), early=time(0))
HARD = Cold(chance=0.99, low_c=-5.0, margin_c=6.0, ice=time(23), early=time(21, 30))
COULD = Cold(chance=0.2, low_c=1.5, margin_c=-1.7, early=time(5))
UNKNOWN = Cold(chance=None, is_usable=False)


@dataclass(kw_only=True)
class Farm:
    """The driver: `at` local time things are told, `run` moves the clock and applies the plan's own result."""

    fleets: tuple[Fleet, ...]
    now: datetime
    ways: Ways = field(default_factory=lambda: Ways(by_mail=True))
    entries: list[Entry] = field(default_factory=list)
    weather: list[tuple[datetime, date, str | None, Cold]] = field(default_factory=list)
    usual: Cold = MILD
    ledger: dict[str, Duty] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    refused: set[str] = field(default_factory=set)
    expired: list[SentNotice] = field(default_factory=list)
    act: Callable[[Farm, Notice], None] | None = None
    forecast: ForecastOrigin | None = None
    sky: tuple[float, float] | None = None
    official: tuple[str, ...] = ()
    _folded: dict = field(default_factory=dict)

    @property
    def roster(self) -> Roster:
        return Roster(fleets=self.fleets)

    # ------------------------------------------------------------ what happens

    def night(self, on: str, cold: Cold, *, known_at: str | None = None, site: str | None = None) -> None:
        """The forecast of one night, as known from a moment on (default: always)."""
        at = self.at(known_at) if known_at else datetime.min.replace(tzinfo=UTC)
        self.weather.append((at, date.fromisoformat(on), site, cold))

    def nights(self, first: str, count: int, cold: Cold) -> None:
        for ahead in range(count):
            self.night(str(date.fromisoformat(first) + timedelta(days=ahead)), cold)

    def log(self, when: str, kind: str, machine: str = "sprayer-1", by: str = OWEN, late_h: float = 0, **told) -> Entry:
        happened_at = self.at(when)
        return self.log_at(happened_at, kind, machine, by, recorded_at=happened_at + timedelta(hours=late_h), **told)

    def log_at(self, at: datetime, kind: str, machine: str, by: str, recorded_at: datetime | None = None, **told):
        entry = Entry(
            id=f"e{len(self.entries) + 1}", machine=machine, kind=EntryKind(kind), happened_at=at,
            recorded_at=recorded_at or at, by=by, channel=Channel.PAGE, detail=DETAIL_TYPES[EntryKind(kind)](**told),
        )  # fmt: skip
        self.entries.append(entry)
        return entry

    def at(self, local: str) -> datetime:
        """An instant from `2026-11-03 19:40` in the first fleet's zone, or from `19:40` of today."""
        day, _, clock = local.rpartition(" ")
        on = date.fromisoformat(day) if day else self.now.astimezone(self.fleets[0].tz).date()
        return at_local(on, time.fromisoformat(clock), self.fleets[0].tz)

    # ------------------------------------------------------------ what follows

    def run(self, until: str | datetime, *, every: timedelta | None = None) -> list[Notice]:
        """Move to a moment, included; jumps to whatever comes next, or ticks. Gives what was written on the way."""
        end_at = self.at(until) if isinstance(until, str) else until
        before = len(self.notices)
        while True:
            due_at = self.look().next_due_at
            next_at = self.now + every if every else min(due_at, *self._events(), end_at)
            if next_at > end_at or self.now >= end_at:
                break
            self.now = next_at
        return self.notices[before:]

    def look(self) -> Plan:
        """One run of the plan at this moment, applied; a second one must find nothing to add."""
        made = self.plan()
        self.ledger |= {duty.key: duty for duty in made.duties}
        known = {notice.key for notice in self.notices}
        new = [notice for notice in made.notices if notice.key not in known]
        self.notices += new
        if any(notice.kind is NoticeKind.CATCH_UP for notice in new):
            self.expired.clear()
        for notice in new if self.act else ():
            self.act(self, notice)
        return made

    def plan(self) -> Plan:
        return plan(self.facts(), self.told(), self.now)

    def facts(self) -> Facts:
        machines = tuple(self._machine_facts(one, each) for each in self.fleets for one in each.machines)
        weather = {one.id: self._site_weather(one) for each in self.fleets for one in each.sites} if self.sky else {}
        return Facts(roster=self.roster, machines=machines, weather=weather, duties=dict(self.ledger))

    def told(self) -> Told:
        sent = tuple(as_sent(notice, is_refused=notice.person in self.refused) for notice in self.notices)
        return Told(sent=sent, expired=tuple(self.expired), ways=self.ways)

    def duty(self, kind: DutyKind, night: str | None = None, machine: str = "sprayer-1") -> Duty:
        """The newest duty of a kind."""
        found = [duty for duty in self.ledger.values() if duty.kind is kind and duty.machine == machine]
        return [duty for duty in found if night is None or str(duty.night) == night][-1]

    def to(self, who: str, *kinds: NoticeKind) -> list[Notice]:
        return [notice for notice in self.notices if notice.person == who and (not kinds or notice.kind in kinds)]

    def told_line(self, notice: Notice) -> str:
        local = notice.created_at.astimezone(self.fleets[0].tz)
        return f"{local:%m-%d %H:%M} {notice.kind} {notice.person}"

    def lines(self) -> list[str]:
        """What was written, in order: `11-03 06:30 day mara`."""
        return [self.told_line(notice) for notice in self.notices]

    # ------------------------------------------------------------ facts

    def _events(self) -> Iterable[datetime]:
        moments = [entry.recorded_at for entry in self.entries] + [at for at, *_ in self.weather]
        return [at for at in moments if at > self.now] or [datetime.max.replace(tzinfo=UTC)]

    def _cold(self, on: date, site_id: str) -> Cold:
        found = [
            cold for at, night, where, cold in self.weather
            if at <= self.now and night == on and where in (None, site_id)
        ]  # fmt: skip
        return found[-1] if found else self.usual

    def _machine_facts(self, one: Machine, owner: Fleet) -> MachineFacts:
        book = [entry for entry in self.entries if entry.machine == one.id and entry.recorded_at <= self.now]
        key = (one.id, len(book))
        state = self._folded.get(key)
        if state is None or state.stands.heat_known_until or state.stands.kind is PlaceKind.HEATED_SHOP:
            state = self._folded[key] = fold(one, self.roster, book, at=self.now)
        where = self.roster.site(state.stands.site)
        nights = [night.on for night in nights_from(self.now, where.tz, count=NIGHTS)]
        return MachineFacts(
            fleet=owner,
            machine=one,
            site=where,
            state=state,
            entries=tuple(book),
            outlooks=tuple(self._outlook(one, where, state, on) for on in nights),
            outlooks_if_used=tuple(self._outlook(one, where, state, on, is_used=True) for on in nights[:2]),
            bodies=bodies_of(one, self.roster, book, at=self.now),
        )

    def _outlook(self, one: Machine, where: Site, state: MachineState, on: date, *, is_used: bool = False) -> Outlook:
        cold = self._cold(on, where.id)
        chance, harms = cold.chance, True
        if chance is not None and not is_used:
            chance = _chance(cold, state, where, on)
            harms = chance >= FLAGGED
        ice_at, early_at = (_at_night(on, moment, where) if harms else None for moment in (cold.ice, cold.early))
        urgency = Urgency.UNKNOWN if chance is None else Urgency.EXPECTED if harms else Urgency.NONE
        return Outlook(
            machine=one.id, site=where.id, night=on, is_assessed=cold.is_usable, urgency=urgency,
            severity=Severity.UNKNOWN if chance is None else Severity.MODERATE,
            certainty=Certainty.UNKNOWN if chance is None else Certainty.LIKELY,
            chance=chance, margin_c=None if chance is None else cold.margin_c if harms else -6.0,
            coldest_air_c=None if chance is None else cold.low_c, coldest_part_c=cold.low_c - 1.0,
            worst_part="valve.front", ice_fraction=0.5 if harms and chance else 0.0, first_ice_at=ice_at,
            first_ice_early_at=early_at, is_frozen_already=cold.is_frozen_already and harms, salts_out_c=None,
            contents=state.contents, parts=(), because=cold.because, forecast=self.forecast,
        )  # fmt: skip

    def _site_weather(self, where: Site) -> SiteWeather:
        cloud, wind = self.sky
        start_at = self.now.replace(minute=0, second=0, microsecond=0)
        hours = np.zeros(72)
        nights = tuple(
            NightWeather(
                night=night, is_usable=True, min_c=0.0, coldest_at=start_at + timedelta(hours=12), colder_c=0.0,
                lead_h=12.0, spread_c=None, members_min_c=None, because=(),
            )
            for night in nights_from(self.now, where.tz, count=NIGHTS)
        )  # fmt: skip
        return SiteWeather(
            site=where.id, forecast=None, second=None, start_at=start_at, air_c=hours, dew_c=hours,
            wind_mps=hours + wind, cloud_fraction=hours + cloud, rain_mm=hours, nights=nights, official=self.official,
        )  # fmt: skip


def _chance(cold: Cold, state: MachineState, where: Site, on: date) -> float:
    held = [contents for part, contents in state.contents.items() if part.startswith("valve.")]
    stands, night = state.stands, night_on(on, where.tz)
    is_warm = stands.heat_known_until is not None and stands.heat_known_until >= night.end_at
    if is_warm or all(contents.freezes_at_c < cold.low_c - 5.0 for contents in held):
        return 0.0
    if all(contents.fill is Fill.POCKETS for contents in held):
        return cold.pockets
    if stands.kind is PlaceKind.UNHEATED_SHED and cold.in_shed is not None:
        return cold.in_shed
    return cold.chance or 0.0


def _at_night(on: date, moment: time | None, where: Site) -> datetime | None:
    if moment is None:
        return None
    return at_local(on + timedelta(days=1) if moment < time(12) else on, moment, where.tz)


def as_sent(notice: Notice, *, is_refused: bool = False) -> SentNotice:
    """What the store remembers of a notice."""
    return SentNotice(
        key=notice.key, kind=notice.kind, person=notice.person, machines=notice.machines, duties=notice.duties,
        subject=notice.subject, created_at=notice.created_at, refers_to=notice.refers_to, facts=notice.facts,
        is_refused=is_refused, to=notice.to,
    )  # fmt: skip


def farm(*machines: Machine, start: str = "2026-11-02 05:00", **changes) -> Farm:
    """A farm with these machines; Monday, 2 November 2026, 5 am, unless said otherwise. Keywords of `fleet`."""
    own = {key: changes.pop(key) for key in ("ways", "usual", "act", "forecast", "sky", "official") if key in changes}
    one = fleet(machines, **changes)
    day, clock = start.split(" ")
    now = at_local(date.fromisoformat(day), time.fromisoformat(clock), one.tz)
    return Farm(fleets=(one,), now=now, **own)


__all__ = [
    "COULD", "FREEZES", "HARD", "MARA", "MILD", "OWEN", "PIA", "RUTH", "UNKNOWN", "Absence", "Cold", "DutyKind",
    "DutyState", "Farm", "NoticeKind", "Role", "Side", "TimeSpan", "UnitSystem", "Ways", "as_sent", "crew", "farm",
    "fleet", "machine", "person", "replace", "site",
]  # fmt: skip
