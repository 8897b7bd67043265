"""Laws that hold for any logbook: order of arrival, repeats, corrections, and never safer than the worst reading."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carewatch.fluids.freezing import freezes_at_c
from carewatch.fluids.liquid import LiquidKind
from carewatch.fluids.naming import liquid_named
from carewatch.logbook.state import Fill, MachineState
from carewatch.roster.model import PlaceKind

SIDES = st.sampled_from((("front",), ("rear",), ("front", "rear")))
PRODUCTS = st.sampled_from(("herbicide", "uan 28", "uan 32", "water", "pg"))
FLUIDS = st.sampled_from(("propylene_glycol", "ethylene_glycol", "methanol", "antifreeze"))
LITRES = st.one_of(st.none(), st.floats(min_value=0.0, max_value=800.0))
STRENGTH = st.one_of(st.none(), st.floats(min_value=0.0, max_value=100.0))
PARTS = st.sampled_from((("tank",), ("rinse_tank",), ("hopper",), ("pump", "meter"), ("boom_pipe",)))
SECTION = st.integers(min_value=1, max_value=5)
FIRST_ICE = st.floats(min_value=-45.0, max_value=0.0)
PLACES = st.sampled_from((("yard", "shop"), ("yard", "barn"), ("hollow", "ford"), ("ridge", None)))

WET = st.one_of(
    st.tuples(st.just("sprayed"), st.fixed_dictionaries({"product": PRODUCTS, "sides": st.one_of(st.none(), SIDES)})),
    st.tuples(st.just("rinsed"), st.fixed_dictionaries({"sides": SIDES})),
    st.tuples(st.just("filled"), st.fixed_dictionaries({"liquid": st.sampled_from(("water", "herbicide"))})),
)
CALM = st.one_of(
    st.tuples(st.just("blown_out"), st.fixed_dictionaries({"sides": SIDES})),
    st.tuples(st.just("drained"), st.fixed_dictionaries({"where": PARTS})),
    st.tuples(
        st.just("antifreeze_run"),
        st.fixed_dictionaries(
            {
                "fluid": FLUIDS,
                "sides": SIDES,
                "litres": LITRES,
                "strength_vol_pct": STRENGTH,
                "route": st.sampled_from(("pump", "boom")),
            }
        ),
    ),
    st.tuples(
        st.just("strength_measured"),
        st.fixed_dictionaries(
            {
                "section": SECTION,
                "side": st.sampled_from(("front", "rear")),
                "scale": FLUIDS,
                "first_ice_c": FIRST_ICE,
                "water_reads_water": st.booleans(),
            }
        ),
    ),
    st.tuples(st.just("moved"), PLACES.map(lambda spot: {"site": spot[0], "place": spot[1]})),
    st.tuples(st.just("heat_changed"), st.fixed_dictionaries({"is_on": st.booleans()})),
    st.tuples(st.just("hours_read"), st.fixed_dictionaries({"counter_h": st.floats(min_value=0.0, max_value=900.0)})),
    st.tuples(
        st.just("hours_read"),
        st.fixed_dictionaries(
            {
                "counter_h": st.floats(min_value=0.0, max_value=24.0),
                "side": st.sampled_from((None, "front", "rear")),
                "counter": st.sampled_from(("terminal", "task")),
                "from_zero": st.booleans(),
                "is_estimate": st.booleans(),
            }
        ),
    ),
    st.tuples(st.just("season_ended"), st.just({})),
    st.tuples(st.just("retired"), st.just({})),
)
WHEN_H = st.one_of(
    st.floats(min_value=0.0, max_value=200.0), st.integers(min_value=0, max_value=240).map(lambda step: step / 60)
)
WHO = st.sampled_from(("ines", "tomas", "odile", "stranger"))
LINES = st.lists(st.tuples(st.one_of(WET, CALM), WHEN_H, WHO), max_size=12)
LATER_H = 400.0
AIR = {Fill.DRY: 0, Fill.POCKETS: 1, Fill.FULL: 2}
SHELTER = (PlaceKind.OUTDOORS, PlaceKind.OPEN_ROOF, PlaceKind.UNHEATED_SHED, PlaceKind.HEATED_SHOP)

laws = settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
Lines = list[tuple[tuple[str, dict[str, Any]], float, str]]


@pytest.fixture
def written(book_of: Callable[..., Any]) -> Callable[[Lines], Any]:
    def write(lines: Lines) -> Any:
        book = book_of()
        for (kind, told), after_h, by in lines:
            book.add(kind, after_h, by=by, **told)
        return book

    return write


def at_least_as_risky(one: MachineState, other: MachineState) -> bool:
    """Whether `one` looks nowhere safer than `other`."""
    return (
        all(
            one.contents[part].freezes_at_c >= contents.freezes_at_c
            and AIR[one.contents[part].fill] >= AIR[contents.fill]
            for part, contents in other.contents.items()
        )
        and set(one.unrinsed_sides) >= set(other.unrinsed_sides)
        and SHELTER.index(one.stands.kind) <= SHELTER.index(other.stands.kind)
        and one.is_retired <= other.is_retired
        and one.season_ended <= other.season_ended
    )


@laws
@given(lines=LINES, data=st.data())
def test_the_order_of_arrival_has_no_say(written: Any, lines: Lines, data: Any) -> None:
    book = written(lines)
    before = book.fold(LATER_H)
    book.entries = data.draw(st.permutations(book.entries))
    assert book.fold(LATER_H) == before


@laws
@given(lines=LINES, again=st.lists(st.integers(min_value=0, max_value=11), max_size=6))
def test_repeats_change_nothing(written: Any, lines: Lines, again: list[int]) -> None:
    book = written(lines)
    before = book.fold(LATER_H)
    book.entries += [book.entries[number] for number in again if number < len(lines)]
    assert book.fold(LATER_H) == before


@laws
@given(lines=LINES, target=st.integers(min_value=0, max_value=11), after_h=st.floats(min_value=0.0, max_value=300.0))
def test_voiding_by_a_stranger_never_lowers_risk(written: Any, lines: Lines, target: int, after_h: float) -> None:
    book = written(lines)
    before = book.fold(LATER_H)
    book.add("voided", after_h, by="nobody", entry=f"e{target + 1}")
    assert at_least_as_risky(book.fold(LATER_H), before)


@laws
@given(lines=LINES, wet=WET, by=WHO)
def test_water_or_product_last_is_never_colder_than_it_gives(written: Any, lines: Lines, wet: Any, by: str) -> None:
    kind, told = wet
    book = written(lines)
    book.add(kind, LATER_H - 1, by=by, **told)
    state = book.fold(LATER_H)
    brought_c = freezes_at_c(liquid_named(told.get("product", "water")))
    for part in ("valve.front", "valve.rear", "boom_pipe", "hoses", "pump", "meter"):
        contents = state.contents[part]
        assert contents.fill is Fill.FULL
        # A fill does not reach fertilizer left in the boom; whatever protected it is no longer believed in.
        is_left = kind == "filled" and contents.liquid.kind is LiquidKind.FERTILIZER
        assert contents.freezes_at_c >= brought_c or is_left


@laws
@given(lines=LINES, use=st.sampled_from(("sprayed", "filled")), by=WHO)
def test_any_use_after_the_last_move_means_outdoors(written: Any, lines: Lines, use: str, by: str) -> None:
    book = written(lines)
    book.add(use, LATER_H - 1, by=by, **({"liquid": "water"} if use == "filled" else {}))
    assert book.fold(LATER_H).stands.kind is PlaceKind.OUTDOORS


@laws
@given(lines=LINES, side=st.sampled_from(("front", "rear")), by=WHO)
def test_one_rinsed_side_is_never_rinsed(written: Any, lines: Lines, side: str, by: str) -> None:
    book = written(lines)
    book.add("sprayed", LATER_H - 2, by=by)
    book.add("rinsed", LATER_H - 1, by=by, sides=(side,))
    other = "rear" if side == "front" else "front"
    assert book.fold(LATER_H).unrinsed_sides == (other,)


@laws
@given(lines=LINES, readings=st.lists(st.tuples(SECTION, FIRST_ICE), min_size=1, max_size=5), by=WHO)
def test_no_machine_looks_safer_than_its_worst_reading(
    written: Any, lines: Lines, readings: list[tuple[int, float]], by: str
) -> None:
    book = written(lines)
    book.add("antifreeze_run", LATER_H - 50, by=by, fluid="pg", sides=("front", "rear"))
    for number, (section, first_ice_c) in enumerate(readings):
        book.add(
            "strength_measured", LATER_H - 40 + number, by=by, section=section, side="rear",
            scale="pg", first_ice_c=first_ice_c, water_reads_water=True,
        )  # fmt: skip
    state = book.fold(LATER_H)
    assert state.contents["valve.rear"].freezes_at_c >= max(first_ice_c for _, first_ice_c in readings)
    assert state.contents["valve.front"].freezes_at_c == 0.0


@laws
@given(lines=LINES)
def test_every_part_has_a_freezing_point_and_names_who_says_so(written: Any, lines: Lines) -> None:
    book = written(lines)
    state = book.fold(LATER_H)
    known = {entry.id for entry in book.entries} | {"assumed"}
    assert set(state.contents) == set(book.machine.wetted_parts)
    for contents in state.contents.values():
        assert -100.0 <= contents.freezes_at_c <= 0.0  # the coldest in the tables: methanol, about -98 °C
        assert contents.known_by in known
        assert contents.liquid in contents.candidates
        assert (contents.who is None) is (contents.known_by == "assumed")
    assert all(earlier.since < later.since for earlier, later in zip(state.stays, state.stays[1:], strict=False))
    assert state.stands.since <= state.at + timedelta(minutes=5)
