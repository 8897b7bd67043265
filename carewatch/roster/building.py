"""From checked tables to the values everything else works with."""

from __future__ import annotations

from types import MappingProxyType
from typing import Any, TypeVar

from carewatch.roster.drafts import FleetDraft
from carewatch.roster.machine_checks import HELD_L_PER_M
from carewatch.roster.model import (
    PLUMBING_PARTS,
    Absence,
    Fleet,
    Machine,
    PartFigures,
    Person,
    Place,
    Side,
    Site,
    UnitSystem,
)
from carewatch.roster.part_tables import PartTable, RevisionTable
from carewatch.roster.parts import Part, Revision
from carewatch.roster.tables import MachineTable, PersonTable, PlaceTable, SiteTable, Table, in_metric

Some = TypeVar("Some")


def build_fleet(draft: FleetDraft) -> Fleet:
    """The fleet of a draft that has no fault."""
    table = _sound(draft.fleet.table)
    return Fleet(
        id=table.id,
        name=table.name,
        zone=table.zone,
        units=table.units,
        sites=tuple(_site(_sound(site.table)) for site in draft.sites),
        people=tuple(_person(_sound(person.table), table.id, table.units) for person in draft.people),
        machines=tuple(_machine(_sound(machine.table), table.id) for machine in draft.machines),
        parts=tuple(_part(_sound(part.table)) for part in draft.parts),
        revisions=tuple(_revision(_sound(revision.table)) for revision in draft.revisions),
        currency=table.currency,
        seen_by=tuple(table.seen_by),
        **_given(
            table,
            "day_mail_at", "night_at", "work_ends_at", "work_starts_at", "threshold_tonight", "threshold_ahead",
            "pockets_harm_c", "inspect_every_h",
        ),
        wear=MappingProxyType(dict(table.wear)),
    )  # fmt: skip


def _sound(table: Some | None) -> Some:
    if table is None:
        raise AssertionError("a table with faults must not be built")
    return table


def _given(table: Table, *keys: str) -> dict[str, Any]:
    """What was written; the rest keeps the default of the model."""
    return {key: value for key in keys if (value := getattr(table, key)) is not None}


def _known(value: float | None) -> float:
    return _sound(value)


def _site(table: SiteTable) -> Site:
    return Site(
        id=table.id,
        name=table.name or table.id,
        lat_deg=table.lat_deg,
        lon_deg=table.lon_deg,
        elevation_m=_known(in_metric(table, "elevation_m")),
        zone=table.zone,
        colder_c=table.colder_c,
        places=tuple(_place(place) for place in table.place),
        contacts=tuple(table.contacts),
        sources=tuple(table.sources),
    )


def _place(table: PlaceTable) -> Place:
    return Place(
        id=table.id,
        name=table.name or table.id,
        kind=table.kind,
        colder_c=table.colder_c,
        **_given(table, "heat_confirmed_for_h", "shop_c"),
    )


def _person(table: PersonTable, fleet: str, units: UnitSystem) -> Person:
    return Person(
        id=table.id,
        name=table.name,
        fleet=fleet,
        roles=frozenset(table.roles),
        email=table.email,
        told_by=table.told_by,
        phone=table.phone,
        units=table.units or units,
        quiet=table.quiet,
        absences=tuple(
            Absence(first_on=absence.first_on, last_on=absence.last_on, deputy=absence.deputy)
            for absence in table.absence
        ),
        works_weekends=table.works_weekends,
    )


def _machine(table: MachineTable, fleet: str) -> Machine:
    width_m, held_l = _known(in_metric(table, "boom_width_m")), in_metric(table, "held_l")
    return Machine(
        id=table.id,
        name=table.name,
        fleet=fleet,
        serial=table.serial,
        home_site=table.home_site,
        home_place=table.home_place,
        operators=tuple(table.operators),
        boom_width_m=width_m,
        sections=tuple(table.sections),
        sides=tuple(Side(key=side, label=table.side_labels.get(side, side)) for side in table.sides),
        plumbing=_plumbing(table),
        held_l=HELD_L_PER_M * width_m if held_l is None else held_l,
        held_is_measured=held_l is not None and table.held_is_measured is not False,
        tank_l=_known(in_metric(table, "tank_l")),
        rinse_tank_l=_known(in_metric(table, "rinse_tank_l")),
        nozzle_size=table.nozzle_size,
        nozzle_pressure_kpa=_known(in_metric(table, "nozzle_pressure_kpa")),
        iso_device=table.iso_device,
        iso_sides=MappingProxyType(dict(table.iso_sides)),
        figures=MappingProxyType({part: PartFigures(**dict(figures)) for part, figures in table.figures.items()}),
        **_given(table, "shift_end", "protect_min", "last_use_on", "winter_place"),
    )


def _plumbing(table: MachineTable) -> tuple[str, ...]:
    """The parts that were listed; every part there can be where nothing was (a part too many only warns too often)."""
    if table.plumbing is not None:
        return tuple(table.plumbing)
    has_rinse_tank = _known(in_metric(table, "rinse_tank_l")) > 0
    return tuple(part for part in PLUMBING_PARTS if part != "rinse_tank" or has_rinse_tank)


def _part(table: PartTable) -> Part:
    return Part(
        id=table.id,
        name=table.name,
        replaces=frozenset(table.replaces),
        sides=tuple(table.sides),
        number=table.number,
        price=table.price,
        pack_of=table.pack_of,
        is_sold=table.is_sold,
        min_stock=table.min_stock,
        min_stock_of=MappingProxyType(dict(table.min_stock_of)),
        comes_with=tuple(table.comes_with),
    )


def _revision(table: RevisionTable) -> Revision:
    return Revision(
        id=table.id,
        name=table.name,
        of=table.of,
        tell_apart=table.tell_apart,
        retrofit=table.retrofit,
        machines=tuple(table.machines),
        sides=tuple(table.sides),
        part=table.part,
        paid_by=table.paid_by,
        paid_until=table.paid_until,
    )
