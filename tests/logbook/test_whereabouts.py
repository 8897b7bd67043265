"""Where a machine stands: said, used up by use, heated only as long as somebody confirms it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from carewatch.logbook.whereabouts import BEGINNING
from carewatch.roster.model import PlaceKind

BOTH = ("front", "rear")


def stands(book: Any, after_h: float) -> tuple[str, str | None, PlaceKind]:
    now = book.fold(after_h).stands
    return now.site, now.place, now.kind


def test_before_anybody_said_so_it_stands_at_home_and_that_is_assumed(book: Any) -> None:
    now = book.fold().stands
    assert (now.site, now.place, now.kind) == ("yard", "hard_standing", PlaceKind.OUTDOORS)
    assert now.is_assumed
    assert (now.known_by, now.since) == ("assumed", BEGINNING)


def test_a_heated_shop_as_assumed_home_counts_as_a_shed(book_of: Any) -> None:
    book = book_of(home_place="shop")
    assert stands(book, 1) == ("yard", "shop", PlaceKind.UNHEATED_SHED)


def test_moved_says_where_it_stands_and_the_stays_before_remain(book: Any) -> None:
    moved = book.add("moved", 0, site="hollow", place="ford")
    told = book.fold(1).stays
    assert [one.site for one in told] == ["yard", "hollow"]
    assert told[-1].colder_c == 2.0
    assert (told[-1].known_by, told[-1].since, told[-1].is_assumed) == (moved.id, moved.happened_at, False)


def test_somewhere_at_a_site_counts_as_its_coldest_open_spot(book: Any) -> None:
    book.add("moved", 0, site="hollow")
    now = book.fold(1).stands
    assert (now.place, now.kind, now.colder_c) == (None, PlaceKind.OUTDOORS, 2.0)


def test_an_open_roof_is_kept_as_such(book: Any) -> None:
    book.add("moved", 0, site="yard", place="lean_to")
    assert stands(book, 1) == ("yard", "lean_to", PlaceKind.OPEN_ROOF)


@pytest.mark.parametrize("place", ["shop", "barn", "lean_to"])
@pytest.mark.parametrize(
    ("kind", "told"), [("sprayed", {}), ("filled", {"liquid": "water"}), ("hours_read", {"counter_h": 110.0})]
)
def test_an_indoor_place_is_used_up_by_use(book: Any, place: str, kind: str, told: dict[str, Any]) -> None:
    book.add("hours_read", -1, counter_h=100.0)
    book.add("moved", 0, site="yard", place=place)
    book.add(kind, 5, **told)
    now = book.fold(6).stands
    assert now.kind is PlaceKind.OUTDOORS
    assert now.is_assumed
    book.add("moved", 7, site="yard", place=place)
    assert book.fold(8).stands.place == place


def test_after_use_the_worse_of_home_and_last_work_site_counts(book: Any) -> None:
    book.add("moved", 0, site="hollow", place="ford")
    book.add("moved", 10, site="yard", place="barn")
    book.add("sprayed", 20)
    now = book.fold(21).stands
    assert (now.site, now.place, now.colder_c) == ("hollow", "ford", 2.0)
    assert now.or_at == ("yard",)


def test_a_milder_work_site_does_not_hide_a_colder_home(book: Any) -> None:
    book.add("moved", 0, site="ridge", place="top")
    book.add("sprayed", 20)
    now = book.fold(21).stands
    assert (now.site, now.or_at) == ("yard", ("ridge",))


def test_on_a_tie_it_is_where_it_was_said_to_work(book_of: Any) -> None:
    book = book_of(home_site="ridge", home_place="top")
    book.machine = book.machine
    book.add("moved", 0, site="yard", place="hard_standing")
    book.add("sprayed", 20)
    assert book.fold(21).stands.site == "yard"


def test_a_heated_shop_counts_until_the_sites_limit_has_passed(book: Any) -> None:
    moved = book.add("moved", 0, site="yard", place="shop")
    now = book.fold(71).stands
    assert now.kind is PlaceKind.HEATED_SHOP
    assert now.heat_known_until == moved.happened_at + timedelta(hours=72)
    later = book.fold(72)
    assert later.stands.kind is PlaceKind.UNHEATED_SHED
    assert [one.kind for one in later.stays] == [
        PlaceKind.OUTDOORS,
        PlaceKind.HEATED_SHOP,
        PlaceKind.UNHEATED_SHED,
    ]
    assert later.stands.since == moved.happened_at + timedelta(hours=72)


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("heat_changed", {"is_on": True}),
        ("moved", {"site": "yard", "place": "shop"}),
        ("air_measured", {"air_c": 9.0}),
    ],
)
def test_heat_confirmed_again_counts_for_another_term(book: Any, kind: str, told: dict[str, Any]) -> None:
    book.add("moved", 0, site="yard", place="shop")
    book.add(kind, 60, **told)
    assert book.fold(131).stands.kind is PlaceKind.HEATED_SHOP
    assert book.fold(132).stands.kind is PlaceKind.UNHEATED_SHED


@pytest.mark.parametrize(("kind", "told"), [("heat_changed", {"is_on": False}), ("air_measured", {"air_c": 1.0})])
def test_heat_reported_off_makes_a_shed_at_once(book: Any, kind: str, told: dict[str, Any]) -> None:
    book.add("moved", 0, site="yard", place="shop")
    book.add(kind, 10, **told)
    assert stands(book, 11) == ("yard", "shop", PlaceKind.UNHEATED_SHED)
    book.add("heat_changed", 12, is_on=True)
    assert stands(book, 13)[2] is PlaceKind.HEATED_SHOP


def test_heat_of_a_shop_it_does_not_stand_in_changes_nothing(book: Any) -> None:
    book.add("moved", 0, site="yard", place="barn")
    book.add("heat_changed", 1, is_on=True)
    book.add("air_measured", 2, air_c=15.0)
    assert stands(book, 3) == ("yard", "barn", PlaceKind.UNHEATED_SHED)


def test_confirmed_heat_does_not_survive_use(book: Any) -> None:
    book.add("moved", 0, site="yard", place="shop")
    book.add("sprayed", 5)
    book.add("heat_changed", 6, is_on=True)
    assert book.fold(7).stands.kind is PlaceKind.OUTDOORS


def test_a_place_the_roster_no_longer_has_tells_nothing(book: Any) -> None:
    book.add("moved", 0, site="yard", place="torn_down")
    book.add("moved", 1, site="sold_field")
    assert book.fold(2).stands.is_assumed


def test_anothers_word_of_use_within_the_clock_doubt_counts_as_after_the_move(book: Any) -> None:
    book.add("sprayed", -4 / 60, by="tomas")
    book.add("moved", 0, site="yard", place="barn", by="ines")
    assert book.fold(1).stands.kind is PlaceKind.OUTDOORS


def test_ones_own_move_after_spraying_stands(book: Any) -> None:
    book.add("sprayed", -4 / 60)
    book.add("moved", 0, site="yard", place="barn")
    assert stands(book, 1) == ("yard", "barn", PlaceKind.UNHEATED_SHED)


def test_a_lukewarm_reading_neither_confirms_nor_denies_the_heat(book: Any) -> None:
    book.add("moved", 0, site="yard", place="shop")
    before = book.fold(11).stays
    book.add("air_measured", 10, air_c=3.5)
    assert book.fold(11).stays == before
