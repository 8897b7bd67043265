"""The tables of a fleet file as they are written, with the range of every number. Checked here, built in building.py.

Ranges are chosen: wide enough for any sprayer sold, narrow enough to catch a slip of unit or sign.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from carewatch.roster.model import PlaceKind, Role, UnitSystem
from carewatch.roster.words import (
    Currency,
    Email,
    Id,
    Ids,
    LocalDate,
    LocalTime,
    Name,
    Nozzle,
    Phone,
    PlumbingPart,
    SideKey,
    SourceName,
    Span,
    Zone,
    member_of,
)
from carewatch.units import KPA_PER_PSI, LITRES_PER_US_GALLON, METRES_PER_FOOT

LOWEST_M, HIGHEST_M = -430, 5000  # the shore of the Dead Sea; above the highest fields
WIDEST_M = 60
MOST_HELD_L = 1000
MOST_TANK_L = 20000
MOST_RINSE_TANK_L = 4000
LEAST_KPA, MOST_KPA = 50, 2000

UnitsWord = Annotated[UnitSystem, member_of(UnitSystem)]
PlaceWord = Annotated[PlaceKind, member_of(PlaceKind)]
RoleWord = Annotated[Role, member_of(Role)]
Positions = Annotated[int, Field(ge=1, le=200)]


class Table(BaseModel):
    """A table that knows its keys and takes no others; nothing is converted silently."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class FleetTable(Table):
    """`[fleet]`"""

    id: Id = Field(examples=["home-farm"], description="short, in small letters, never changed later")
    name: Name = Field(examples=["Home Farm"], description="as people call it")
    zone: Zone = Field(examples=["America/Chicago"], description="time zone of the day mail")
    units: UnitsWord = UnitSystem.METRIC
    day_mail_at: LocalTime | None = None
    night_at: LocalTime | None = None
    work_ends_at: LocalTime | None = None
    work_starts_at: LocalTime | None = None
    threshold_tonight: float | None = Field(default=None, ge=0.01, le=0.5)
    threshold_ahead: float | None = Field(default=None, ge=0.01, le=0.5)
    pockets_harm_c: float | None = Field(default=None, ge=0, le=10)
    inspect_every_h: float | None = Field(default=None, ge=50, le=5000)
    wear: dict[Name, Annotated[float, Field(ge=1, le=5)]] = Field(default={}, max_length=100)
    currency: Currency | None = Field(default=None, examples=["USD"])
    seen_by: Ids = []
    machines_csv: str | None = Field(default=None, examples=["machines.csv"])


class PlaceTable(Table):
    """`[[site.place]]`"""

    id: Id = Field(examples=["yard"], description="short, in small letters")
    name: Name | None = None
    kind: PlaceWord = Field(examples=["outdoors"], description="outdoors, open_roof, unheated_shed or heated_shop")
    colder_c: float = Field(default=0.0, ge=0, le=15)
    heat_confirmed_for_h: float | None = Field(default=None, ge=1, le=2400)
    shop_c: float | None = Field(default=None, ge=1, le=35)


class SiteTable(Table):
    """`[[site]]`"""

    id: Id = Field(examples=["home-yard"], description="short, in small letters")
    name: Name | None = None
    lat_deg: float = Field(ge=-90, le=90, examples=[41.62], description="degrees, north positive")
    lon_deg: float = Field(ge=-180, le=180, examples=[-93.61], description="degrees, west of Greenwich negative")
    elevation_m: float | None = Field(default=None, ge=LOWEST_M, le=HIGHEST_M, examples=[285])
    elevation_ft: float | None = Field(
        default=None, ge=round(LOWEST_M / METRES_PER_FOOT), le=round(HIGHEST_M / METRES_PER_FOOT)
    )
    zone: Zone = Field(examples=["America/Chicago"], description="time zone of the site")
    colder_c: float = Field(default=0.0, ge=0, le=15)
    contacts: Ids = Field(min_length=1, examples=[["ana"]], description="ids of people in the order they are told")
    sources: list[SourceName] = Field(default=[], max_length=5)
    place: list[PlaceTable] = Field(min_length=1, description="one [[site.place]] for each spot a machine may stand in")


class AbsenceTable(Table):
    """`[[person.absence]]`"""

    first_on: LocalDate = Field(examples=["2026-11-20"])
    last_on: LocalDate = Field(examples=["2026-11-28"])
    deputy: Id | None = None


class PersonTable(Table):
    """`[[person]]`"""

    id: Id = Field(examples=["ana"], description="short, in small letters")
    name: Name = Field(examples=["Ana Ruiz"])
    roles: list[RoleWord] = Field(
        min_length=1, max_length=4, examples=[["operator"]], description="manager, operator, owner, technician"
    )
    email: Email | None = Field(default=None, examples=["ana@farm.example"])
    told_by: Id | None = None
    phone: Phone | None = None
    units: UnitsWord | None = None
    quiet: Span | None = None
    works_weekends: bool = True
    absence: list[AbsenceTable] = Field(default=[], max_length=200)


class FiguresTable(Table):
    """`[machine.figures.PART]`"""

    diameter_mm: float | None = Field(default=None, gt=0, le=500)
    area_m2: float | None = Field(default=None, gt=0, le=100)
    liquid_kg: float | None = Field(default=None, gt=0, le=25000)
    wall_j_per_k: float | None = Field(default=None, ge=0, le=1e7)
    wall_m2k_per_w: float | None = Field(default=None, ge=0, le=10)
    emissivity: float | None = Field(default=None, ge=0, le=1)
    sky_view: float | None = Field(default=None, ge=0, le=1)


class MachineTable(Table):
    """`[[machine]]`, or one row of the CSV."""

    id: Id = Field(examples=["sprayer-3"], description="short, in small letters")
    name: Name = Field(examples=["Sprayer 3"], description="as people call it")
    serial: Name | None = None
    home_site: Id = Field(examples=["home-yard"], description="id of a [[site]]")
    home_place: Id = Field(examples=["yard"], description="id of a [[site.place]] there")
    operators: Ids = []
    boom_width_m: float | None = Field(default=None, ge=1, le=WIDEST_M, examples=[36.6])
    boom_width_ft: float | None = Field(default=None, ge=3, le=round(WIDEST_M / METRES_PER_FOOT))
    sections: list[Positions] = Field(
        min_length=1, max_length=100, examples=[[12, 12, 12]], description="nozzle bodies of each section from the left"
    )
    sides: list[SideKey] = Field(default=["front", "rear"], min_length=1, max_length=4, examples=[["front", "rear"]])
    side_labels: dict[str, Name] = {}
    plumbing: list[PlumbingPart] | None = None
    held_l: float | None = Field(default=None, gt=0, le=MOST_HELD_L)
    held_gal: float | None = Field(default=None, gt=0, le=round(MOST_HELD_L / LITRES_PER_US_GALLON))
    held_is_measured: bool | None = None
    tank_l: float | None = Field(default=None, ge=50, le=MOST_TANK_L, examples=[4000])
    tank_gal: float | None = Field(default=None, ge=13, le=round(MOST_TANK_L / LITRES_PER_US_GALLON))
    rinse_tank_l: float | None = Field(default=None, ge=0, le=MOST_RINSE_TANK_L, examples=[400])
    rinse_tank_gal: float | None = Field(default=None, ge=0, le=round(MOST_RINSE_TANK_L / LITRES_PER_US_GALLON))
    nozzle_size: Nozzle = Field(examples=["04"], description="as stamped on the nozzle, in quotation marks")
    nozzle_pressure_kpa: float | None = Field(default=None, ge=LEAST_KPA, le=MOST_KPA, examples=[300])
    nozzle_pressure_psi: float | None = Field(
        default=None, ge=round(LEAST_KPA / KPA_PER_PSI), le=round(MOST_KPA / KPA_PER_PSI)
    )
    shift_end: LocalTime | None = None
    protect_min: int | None = Field(default=None, ge=5, le=480)
    last_use_on: LocalDate | None = None
    winter_place: str | None = None
    iso_device: Name | None = None
    iso_sides: dict[str, Name] = {}
    figures: dict[str, FiguresTable] = {}


# metric key -> the US key that may stand instead, and how much of the metric unit one of it is
EITHER_UNIT = {
    "elevation_m": ("elevation_ft", METRES_PER_FOOT),
    "boom_width_m": ("boom_width_ft", METRES_PER_FOOT),
    "held_l": ("held_gal", LITRES_PER_US_GALLON),
    "tank_l": ("tank_gal", LITRES_PER_US_GALLON),
    "rinse_tank_l": ("rinse_tank_gal", LITRES_PER_US_GALLON),
    "nozzle_pressure_kpa": ("nozzle_pressure_psi", KPA_PER_PSI),
}
MAY_BE_MISSING = {"held_l"}  # then it is estimated from the boom


def in_metric(table: Table, key: str) -> float | None:
    """The value of a key that may be written in either unit, in the metric one."""
    value = getattr(table, key)
    if value is not None:
        return float(value)
    us_key, factor = EITHER_UNIT[key]
    in_us = getattr(table, us_key)
    return None if in_us is None else float(in_us) * factor
