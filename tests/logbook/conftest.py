"""An invented fleet and a short way to write entries."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from carewatch.logbook.entries import Channel, Entry, EntryKind
from carewatch.logbook.findings import DamageKind, SymptomKind
from carewatch.logbook.fold import fold
from carewatch.logbook.kinds import DETAIL_TYPES
from carewatch.logbook.state import MachineState
from carewatch.roster.model import Fleet, Machine, Person, Place, PlaceKind, Role, Roster, Side, Site
from carewatch.roster.parts import Part, PartKind, Revision

PARTS = (
    Part(
        id="kit", name="Valve kit", replaces=frozenset({PartKind.PLUNGER, PartKind.SPRING, PartKind.SEAL}), price=16.5,
        pack_of=10, min_stock=6,
    ),
    Part(id="seat-ring", name="Seat ring", replaces=frozenset({PartKind.SEAT}), price=6.0, min_stock=2),
    Part(
        id="plug", name="Side plug", replaces=frozenset({PartKind.SIDE_CONNECTOR}), price=9.8, comes_with=("plug-2",)
    ),
    Part(id="body-new", name="Body", replaces=frozenset({PartKind.BODY}), price=60.0, min_stock=1),
)  # fmt: skip
REVISIONS = (
    Revision(id="seal-2", name="Seals, second make", of=PartKind.SEAL, tell_apart="green", retrofit=True, part="kit"),
    Revision(
        id="plug-2", name="Plugs, second make", of=PartKind.SIDE_CONNECTOR, tell_apart="grey boot", retrofit=True,
        sides=("front",), part="plug", paid_by="supplier", paid_until=date(2026, 12, 31),
    ),
)  # fmt: skip
EVENING = datetime(2026, 10, 2, 18, 0, tzinfo=UTC)


def make_machine(**changes: Any) -> Machine:
    values: dict[str, Any] = {
        "id": "heron",
        "name": "Heron",
        "fleet": "millrace",
        "home_site": "yard",
        "home_place": "hard_standing",
        "operators": ("ines",),
        "boom_width_m": 36.0,
        "sections": (12, 12, 24, 12, 12),
        "sides": (Side(key="front", label="front"), Side(key="rear", label="rear")),
        "plumbing": ("boom_pipe", "hoses", "pump", "meter", "hopper", "tank", "rinse_tank"),
        "held_l": 130.0,
        "held_is_measured": True,
        "tank_l": 4000.0,
        "rinse_tank_l": 450.0,
        "nozzle_size": "04",
        "nozzle_pressure_kpa": 300.0,
    }
    return Machine(**(values | changes))


def make_roster(machine: Machine) -> Roster:
    yard = Site(
        id="yard", name="Yard", lat_deg=51.0, lon_deg=10.0, elevation_m=200.0, zone="Europe/Berlin",
        places=(
            Place(id="hard_standing", name="Hard standing", kind=PlaceKind.OUTDOORS, colder_c=0.5),
            Place(id="shop", name="Shop", kind=PlaceKind.HEATED_SHOP, heat_confirmed_for_h=72.0),
            Place(id="barn", name="Barn", kind=PlaceKind.UNHEATED_SHED),
            Place(id="lean_to", name="Lean-to", kind=PlaceKind.OPEN_ROOF),
        ),
        contacts=("odile",),
    )  # fmt: skip
    hollow = Site(
        id="hollow", name="Hollow", lat_deg=51.3, lon_deg=10.4, elevation_m=150.0, zone="Europe/Berlin",
        places=(Place(id="ford", name="By the ford", kind=PlaceKind.OUTDOORS, colder_c=2.0),),
        contacts=("odile",),
    )  # fmt: skip
    ridge = Site(
        id="ridge", name="Ridge", lat_deg=51.1, lon_deg=10.1, elevation_m=260.0, zone="Europe/Berlin",
        places=(Place(id="top", name="Top", kind=PlaceKind.OUTDOORS),),
        contacts=("odile",),
    )  # fmt: skip
    people = (
        Person(id="odile", name="Odile", fleet="millrace", roles=frozenset({Role.MANAGER})),
        Person(id="ines", name="Ines", fleet="millrace", roles=frozenset({Role.OPERATOR})),
        Person(id="tomas", name="Tomas", fleet="millrace", roles=frozenset({Role.OPERATOR})),
    )
    other = Person(id="bruno", name="Bruno", fleet="elsewhere", roles=frozenset({Role.MANAGER}))
    return Roster(
        fleets=(
            Fleet(
                id="millrace",
                name="Millrace",
                zone="Europe/Berlin",
                sites=(yard, hollow, ridge),
                people=people,
                machines=(machine,),
                parts=PARTS,
                revisions=REVISIONS,
                currency="EUR",
            ),
            Fleet(id="elsewhere", name="Elsewhere", zone="UTC", sites=(), people=(other,), machines=()),
        )
    )


class Book:
    """A logbook being written: `book.add("rinsed", hours=1, sides=(...))` puts a line `hours` after the evening."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.roster = make_roster(machine)
        self.entries: list[Entry] = []

    def add(self, kind: str, after_h: float, *, by: str = "ines", late_h: float = 0.0, **told: Any) -> Entry:
        happened_at = EVENING + timedelta(hours=after_h)
        if "what" in told:
            told["what"] = {"symptom": SymptomKind, "damaged": DamageKind}[kind](told["what"])
        entry = Entry(
            id=told.pop("id", f"e{len(self.entries) + 1}"),
            machine=self.machine.id,
            kind=EntryKind(kind),
            happened_at=happened_at,
            recorded_at=happened_at + timedelta(hours=late_h),
            by=by,
            channel=told.pop("channel", Channel.PAGE),
            detail=DETAIL_TYPES[EntryKind(kind)](**told),
        )
        self.entries.append(entry)
        return entry

    def fold(self, after_h: float = 24.0, **more: Any) -> MachineState:
        return fold(self.machine, self.roster, self.entries, at=EVENING + timedelta(hours=after_h), **more)


@pytest.fixture
def book() -> Book:
    return Book(make_machine())


@pytest.fixture
def book_of() -> Callable[..., Book]:
    return lambda **changes: Book(make_machine(**changes))
