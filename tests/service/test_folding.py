"""Folding all machines together: what one says about the heat of a shop holds for the others in it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from carewatch.logbook.entries import AirMeasured, Channel, Detail, Entry, EntryKind, HeatChanged, Moved, Voided
from carewatch.roster.model import PlaceKind
from carewatch.roster.reading import parse_roster
from carewatch.service.folding import Folds, machines_now
from tests.service.farm import FLEET, MACHINE

NOW = datetime(2026, 10, 20, 18, 0, tzinfo=UTC)
BARN = """
[[site.place]]  # of the last site: the hill
id = "barn"
name = "barn"
kind = "heated_shop"
"""
ROSTER = (
    FLEET
    + BARN
    + "".join(MACHINE.format(id=one, name=f"Sprayer {one}", site="yard", place="gravel") for one in ("a", "b", "c"))
)


def entry(number: int, machine: str, kind: EntryKind, detail: Detail, *, hours_ago: float) -> Entry:
    at = NOW - timedelta(hours=hours_ago)
    return Entry(
        id=f"e{number}", machine=machine, kind=kind, happened_at=at, recorded_at=at, by="noah", channel=Channel.COMMAND,
        detail=detail,
    )  # fmt: skip


def kinds(*entries: Entry, folds: Folds | None = None, now: datetime = NOW) -> dict[str, PlaceKind]:
    books: dict[str, tuple[Entry, ...]] = {}
    for one in entries:
        books[one.machine] = (*books.get(one.machine, ()), one)
    found = machines_now(folds or Folds(), parse_roster({"fleet.toml": ROSTER})[0], books, now=now)
    return {one.machine.id: one.state.stands.kind for one in found}


INSIDE = [
    entry(1, "a", EntryKind.MOVED, Moved(site="yard", place="shop"), hours_ago=10),
    entry(2, "b", EntryKind.MOVED, Moved(site="yard", place="shop"), hours_ago=9),
    entry(3, "c", EntryKind.MOVED, Moved(site="hill", place="barn"), hours_ago=9),
]
OFF = entry(4, "a", EntryKind.HEAT_CHANGED, HeatChanged(is_on=False), hours_ago=2)


def test_heat_reported_off_for_one_is_off_for_all_in_that_shop_and_nowhere_else():
    assert kinds(*INSIDE) == dict.fromkeys("abc", PlaceKind.HEATED_SHOP)
    assert kinds(*INSIDE, OFF) == {
        "a": PlaceKind.UNHEATED_SHED, "b": PlaceKind.UNHEATED_SHED, "c": PlaceKind.HEATED_SHOP
    }  # fmt: skip


def test_heat_back_on_is_back_for_all_in_that_shop():
    back = entry(5, "b", EntryKind.HEAT_CHANGED, HeatChanged(is_on=True), hours_ago=1)
    assert kinds(*INSIDE, OFF, back)["a"] is PlaceKind.HEATED_SHOP
    assert kinds(*INSIDE, OFF, back)["b"] is PlaceKind.HEATED_SHOP


@pytest.mark.parametrize("late", ["c", "a"])
def test_a_machine_that_comes_in_after_the_power_cut_is_not_warm_until_somebody_says_so(late):
    came = entry(6, late, EntryKind.MOVED, Moved(site="yard", place="shop"), hours_ago=1)
    assert kinds(*INSIDE[:2], OFF, came)[late] is PlaceKind.UNHEATED_SHED
    read = entry(7, "b", EntryKind.AIR_MEASURED, AirMeasured(air_c=9.0), hours_ago=0.5)
    assert kinds(*INSIDE[:2], OFF, came, read)[late] is PlaceKind.HEATED_SHOP


def test_what_is_known_of_a_neighbours_shop_names_the_entry_it_is_known_by():
    folds = Folds()
    books = {"a": (INSIDE[0], OFF), "b": (INSIDE[1],)}
    _, b, _ = machines_now(folds, parse_roster({"fleet.toml": ROSTER})[0], books, now=NOW)
    assert b.state.stands.known_by == OFF.id


def test_a_word_taken_back_does_not_count_for_the_neighbour_either():
    back = entry(8, "a", EntryKind.VOIDED, Voided(entry=OFF.id, reason="wrong shop"), hours_ago=1.9)
    assert kinds(*INSIDE, OFF, back)["b"] is PlaceKind.HEATED_SHOP


def test_a_doubted_move_does_not_warm_the_neighbours():
    """Somebody else says that "a" never came in: its thermometer may have hung elsewhere."""
    dark = entry(9, "b", EntryKind.HEAT_CHANGED, HeatChanged(is_on=False), hours_ago=3)
    doubt = replace(entry(10, "a", EntryKind.VOIDED, Voided(entry="e1", reason="saw it outside"), hours_ago=2), by="x")
    warm = entry(11, "a", EntryKind.AIR_MEASURED, AirMeasured(air_c=9.0), hours_ago=1)
    assert kinds(*INSIDE, dark, warm)["b"] is PlaceKind.HEATED_SHOP
    assert kinds(*INSIDE, dark, doubt, warm)["b"] is PlaceKind.UNHEATED_SHED


def test_what_is_remembered_is_what_is_folded_anew():
    folds = Folds()
    for hours in range(0, 100, 7):
        now = NOW + timedelta(hours=hours)
        assert kinds(*INSIDE, OFF, folds=folds, now=now) == kinds(*INSIDE, OFF, now=now)
