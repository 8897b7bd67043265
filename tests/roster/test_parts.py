"""Parts and revisions of a fleet file become what they say."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from carewatch.roster.model import Role
from carewatch.roster.parts import OF_THE_BODY, Part, PartKind
from carewatch.roster.reading import parse_roster, read_roster
from tests.roster.broken_rosters import FILE, FLEET

ROOT = Path(__file__).parents[2]


def test_the_parts_and_revisions_of_the_example_are_read_whole():
    fleet = read_roster(ROOT / "config" / "fleets")[0].fleet("hollow-creek")
    kit, clip, plug, body = fleet.parts
    assert kit.replaces == {PartKind.PLUNGER, PartKind.SPRING, PartKind.SEAL}
    assert (kit.price, kit.pack_of, kit.least_at("sprayer-1"), kit.least_at("sprayer-2")) == (16.5, 10, 6, 4)
    assert (clip.is_sold, plug.comes_with, body.replaces) == (True, ("plug-2",), {PartKind.BODY})
    (revision,) = fleet.revisions
    assert (revision.of, revision.part, revision.retrofit) == (PartKind.SIDE_CONNECTOR, "side-plug", True)
    assert fleet.currency == "USD"
    assert [person.id for person in fleet.people_with(Role.TECHNICIAN)] == ["sam"]


def test_somebody_else_pays_only_until_the_day_he_named():
    (revision,) = read_roster(ROOT / "config" / "fleets")[0].fleet("hollow-creek").revisions
    assert revision.is_paid_on(date(2027, 3, 31))
    assert not revision.is_paid_on(date(2027, 4, 1))


def test_a_part_for_one_side_fits_that_side_and_the_body():
    part = Part(id="a", name="A", replaces=frozenset({PartKind.SEAL}), sides=("front",))
    assert [part.fits(side) for side in ("front", "rear", None)] == [True, False, True]


def test_a_technician_of_another_fleet_may_be_named_and_a_fleet_without_parts_has_none():
    other = FLEET.replace('"long-field"', '"workshop"').replace('roles = ["operator"]', 'roles = ["technician"]')
    for word in ("yard", "mia", "tom", "north"):
        other = other.replace(f'"{word}"', f'"{word}-2"')
    own = FLEET.replace('zone = "America/Chicago"\n', 'zone = "America/Chicago"\nseen_by = ["tom-2"]\n', 1)
    roster = parse_roster({FILE: own, "fleets/workshop.toml": other})[0]
    assert roster.fleet("long-field").seen_by == ("tom-2",)
    assert (roster.fleet("long-field").parts, roster.fleet("workshop").seen_by) == ((), ())


def test_body_kinds_have_no_side():
    assert PartKind.BODY in OF_THE_BODY
    assert PartKind.SEAT not in OF_THE_BODY
