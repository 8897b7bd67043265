"""The values of the roster: fleets, sites and their places, machines and their plumbing, people.

Everything here has passed the checks of reading.py; nothing here reads a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from enum import StrEnum
from types import MappingProxyType
from typing import TypeVar
from zoneinfo import ZoneInfo

from carewatch.roster.parts import Part, Revision

VALVE_PREFIX = "valve."
PLUMBING_PARTS = ("boom_pipe", "hoses", "pump", "meter", "hopper", "tank", "rinse_tank", "hand_wash_tank")


def valve_part(side: str) -> str:
    """Wetted-part key of the valves of one side: `valve.front`."""
    return VALVE_PREFIX + side


class PlaceKind(StrEnum):
    """The kind of spot a machine stands in."""

    OUTDOORS = "outdoors"
    OPEN_ROOF = "open_roof"
    UNHEATED_SHED = "unheated_shed"
    HEATED_SHOP = "heated_shop"


LEAST_SHELTER_FIRST = tuple(PlaceKind)


class Role(StrEnum):
    """What a person does for a fleet."""

    MANAGER = "manager"
    OPERATOR = "operator"
    OWNER = "owner"
    TECHNICIAN = "technician"


class UnitSystem(StrEnum):
    """The units and the clock a person reads."""

    METRIC = "metric"
    US = "us"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A spot at a site. `colder_c`: how much colder than the site's surroundings it gets on clear nights [°C, >= 0]."""

    id: str
    name: str
    kind: PlaceKind
    colder_c: float = 0.0
    heat_confirmed_for_h: float = 72.0  # chosen: after this long without a word a heated shop counts as a shed
    shop_c: float = 10.0  # chosen: temperature a heated shop is held at


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where machines stand. `contacts` are person ids in the order they are told."""

    id: str
    name: str
    lat_deg: float
    lon_deg: float
    elevation_m: float
    zone: str
    colder_c: float = 0.0
    places: tuple[Place, ...]
    contacts: tuple[str, ...]
    sources: tuple[str, ...] = ()  # forecast services in order; empty: chosen by coordinates

    @property
    def tz(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.zone)

    def place(self, place_id: str) -> Place:
        """The place with this id; KeyError if the site has none."""
        for place in self.places:
            if place.id == place_id:
                return place
        raise KeyError(place_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeSpan:
    """A span of the local day; may pass midnight."""

    start: time
    end: time

    def holds(self, moment: time) -> bool:
        """Whether a local time lies in [start, end)."""
        if self.start <= self.end:
            return self.start <= moment < self.end
        return moment >= self.start or moment < self.end


@dataclass(frozen=True, slots=True, kw_only=True)
class Absence:
    """Days on which somebody is away, both included; `deputy` is a person id."""

    first_on: date
    last_on: date
    deputy: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who is told and who answers.

    `told_by`: id of the person who passes messages on by word of mouth where there is no mail address.
    """

    id: str
    name: str
    fleet: str
    roles: frozenset[Role]
    email: str | None = None
    phone: str | None = None
    units: UnitSystem = UnitSystem.METRIC
    quiet: TimeSpan | None = None
    absences: tuple[Absence, ...] = ()
    works_weekends: bool = True
    told_by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One valve side of a machine; `label` is what its operators call it."""

    key: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartFigures:
    """A machine's own figures for one wetted part; None keeps the default geometry of freeze/parts.py."""

    diameter_mm: float | None = None
    area_m2: float | None = None
    liquid_kg: float | None = None
    wall_j_per_k: float | None = None
    wall_m2k_per_w: float | None = None
    emissivity: float | None = None
    sky_view: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A sprayer and its plumbing. `sections` holds the number of positions of each boom section, left to right.

    `winter_place` is a place of the home site, or `site/place`; `serial` the number on its plate. `iso_device`: serial
    number, name or designator of its device in task files (ISO 11783-10); `iso_sides`: side -> its element in there.
    """

    id: str
    name: str
    fleet: str
    home_site: str
    home_place: str
    operators: tuple[str, ...]
    boom_width_m: float
    sections: tuple[int, ...]
    sides: tuple[Side, ...]
    plumbing: tuple[str, ...]
    held_l: float
    held_is_measured: bool
    tank_l: float
    rinse_tank_l: float
    nozzle_size: str
    nozzle_pressure_kpa: float
    shift_end: time | None = None
    protect_min: int = 45
    last_use_on: date | None = None
    winter_place: str | None = None
    serial: str | None = None
    iso_device: str | None = None
    iso_sides: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    figures: Mapping[str, PartFigures] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def side_keys(self) -> tuple[str, ...]:
        """Keys of the valve sides."""
        return tuple(side.key for side in self.sides)

    @property
    def valve_parts(self) -> tuple[str, ...]:
        """Wetted parts that are valve sides."""
        return tuple(valve_part(side.key) for side in self.sides)

    @property
    def wetted_parts(self) -> tuple[str, ...]:
        """Every wetted part the machine has, valves first."""
        return self.valve_parts + self.plumbing

    @property
    def positions(self) -> int:
        """Number of nozzle bodies."""
        return sum(self.sections)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """An owner's sites, people and machines, with the hours and thresholds they chose.

    `seen_by`: ids of technicians of other fleets who may see this one. `currency`: that of the prices of `parts`.
    """

    id: str
    name: str
    zone: str
    units: UnitSystem = UnitSystem.METRIC
    day_mail_at: time = time(6, 30)
    night_at: time = time(22, 0)  # no answer by then: the evening question turns into a task for the morning
    work_ends_at: time = time(20, 0)  # deadlines are put before this if it can be helped
    work_starts_at: time = time(7, 0)  # the morning-after notice is out before this
    threshold_tonight: float = 0.10
    threshold_ahead: float = 0.25
    pockets_harm_c: float = 3.0
    inspect_every_h: float = 750.0  # spray hours; common practice, no published source
    wear: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))  # word in a product -> its weight
    sites: tuple[Site, ...]
    people: tuple[Person, ...]
    machines: tuple[Machine, ...]
    parts: tuple[Part, ...] = ()
    revisions: tuple[Revision, ...] = ()
    currency: str | None = None
    seen_by: tuple[str, ...] = ()

    @property
    def tz(self) -> ZoneInfo:
        """The fleet's time zone."""
        return ZoneInfo(self.zone)

    def people_with(self, role: Role) -> tuple[Person, ...]:
        """People of one role, in roster order."""
        return tuple(person for person in self.people if role in person.roles)


@dataclass(frozen=True, slots=True, kw_only=True)
class Roster:
    """Everything we look after. Ids of machines, sites and people are unique over all fleets."""

    fleets: tuple[Fleet, ...]

    @property
    def machines(self) -> tuple[Machine, ...]:
        """All machines, in roster order."""
        return tuple(machine for fleet in self.fleets for machine in fleet.machines)

    @property
    def sites(self) -> tuple[Site, ...]:
        """All sites, in roster order."""
        return tuple(site for fleet in self.fleets for site in fleet.sites)

    @property
    def people(self) -> tuple[Person, ...]:
        """All people, in roster order."""
        return tuple(person for fleet in self.fleets for person in fleet.people)

    def fleet(self, fleet_id: str) -> Fleet:
        """The fleet with this id; KeyError if there is none."""
        return _find(self.fleets, fleet_id)

    def machine(self, machine_id: str) -> Machine:
        """The machine with this id; KeyError if there is none."""
        return _find(self.machines, machine_id)

    def site(self, site_id: str) -> Site:
        """The site with this id; KeyError if there is none."""
        return _find(self.sites, site_id)

    def person(self, person_id: str) -> Person:
        """The person with this id; KeyError if there is none."""
        return _find(self.people, person_id)

    def find_person(self, person_id: str | None) -> Person | None:
        """The person with this id; None if nobody has it any more."""
        return next((person for person in self.people if person.id == person_id), None)


Found = TypeVar("Found", Fleet, Machine, Site, Person)


def _find(things: tuple[Found, ...], wanted: str) -> Found:
    for thing in things:
        if thing.id == wanted:
            return thing
    raise KeyError(wanted)
