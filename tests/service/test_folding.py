"""Folding all machines together: what one says about the heat of a shop holds for the others in it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from carewatch.logbook.entries import Channel, Detail, Entry, EntryKind, HeatChanged, Moved
from carewatch.roster.model import PlaceKind, Roster
from carewatch.roster.reading import parse_roster
from carewatch.service.folding import Folds, machines_now

NOW = datetime(2026, 10, 20, 18, 0, tzinfo=UTC)
FLEET = """
[fleet]
id = "f"
name = "Farm"
zone = "Europe/London"
[[site]]
id = "s"
name = "Site"
lat_deg = 52.0
lon_deg = 0.0
elevation_m = 20
zone = "Europe/London"
contacts = ["mia"]
  [[site.place]]
  id = "shop"
  name = "Shop"
  kind = "heated_shop"
  [[site.place]]
  id = "barn"
  name = "Other shop"
  kind = "heated_shop"
[[person]]
id = "mia"
name = "Mia"
roles = ["manager", "operator"]
email = "mia@farm.example"
"""
MACHINE = """
[[machine]]
id = "{id}"
name = "Sprayer {id}"
home_site = "s"
home_place = "shop"
operators = ["mia"]
boom_width_m = 24
sections = [12, 12]
tank_l = 3000
rinse_tank_l = 300
nozzle_size = "04"
nozzle_pressure_kpa = 300
"""


def roster() -> Roster:
    text = FLEET + "".join(MACHINE.format(id=one) for one in ("a", "b", "c"))
    return parse_roster({"f.toml": text})[0]


def entry(number: int, machine: str, kind: EntryKind, detail: Detail, *, hours_ago: float) -> Entry:
    at = NOW - timedelta(hours=hours_ago)
    return Entry(
        id=f"e{number}", machine=machine, kind=kind, happened_at=at, recorded_at=at, by="mia", channel=Channel.COMMAND,
        detail=detail,
    )  # fmt: skip


def kinds(*entries: Entry, folds: Folds | None = None, now: datetime = NOW) -> dict[str, PlaceKind]:
    books: dict[str, tuple[Entry, ...]] = {}
    for one in entries:
        books[one.machine] = (*books.get(one.machine, ()), one)
    found = machines_now(folds or Folds(), roster(), books, now=now)
    return {one.machine.id: one.state.stands.kind for one in found}


INSIDE = [
    entry(1, "a", EntryKind.MOVED, Moved(site="s", place="shop"), hours_ago=10),
    entry(2, "b", EntryKind.MOVED, Moved(site="s", place="shop"), hours_ago=9),
    entry(3, "c", EntryKind.MOVED, Moved(site="s", place="barn"), hours_ago=9),
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


def test_a_machine_that_came_in_later_is_warm_by_its_own_word_only():
    late = entry(6, "c", EntryKind.MOVED, Moved(site="s", place="shop"), hours_ago=1)
    assert kinds(*INSIDE[:2], OFF, late)["b"] is PlaceKind.UNHEATED_SHED


def test_what_is_remembered_is_what_is_folded_anew():
    folds = Folds()
    for hours in range(0, 100, 7):
        now = NOW + timedelta(hours=hours)
        assert kinds(*INSIDE, OFF, folds=folds, now=now) == kinds(*INSIDE, OFF, now=now)
