"""What entries make of the contents of each part. One test for each rule; no clock doubt and no corrections here."""

from __future__ import annotations

from typing import Any

import pytest
from CoolProp.CoolProp import PropsSI

from carewatch.fluids.liquid import LiquidKind
from carewatch.logbook.effects import COLUMNS, TABLE, Action, Deed
from carewatch.logbook.state import Fill

BOTH = ("front", "rear")
THROUGH_THE_PUMP = ("boom_pipe", "hoses", "pump", "meter")


def point(state: Any, part: str) -> float:
    return float(state.contents[part].freezes_at_c)


def points(state: Any, *parts: str) -> set[float]:
    return {point(state, part) for part in parts}


def run(book: Any, after_h: float, **told: Any) -> Any:
    given = {"fluid": "propylene_glycol", "sides": BOTH, "strength_vol_pct": 50.0, "litres": 400.0} | told
    return book.add("antifreeze_run", after_h, **given)


def read(book: Any, after_h: float, side: str, **told: Any) -> Any:
    given = {"section": 1, "scale": "propylene_glycol", "first_ice_c": -20.0, "water_reads_water": True} | told
    return book.add("strength_measured", after_h, side=side, **given)


def melinder_c(vol_pct: float) -> float:
    """First-ice point of propylene glycol by volume of unmixed liquids at 20 °C, from CoolProp (Melinder 2010)."""
    glycol_kg, water_kg = vol_pct * 1036.0, (100.0 - vol_pct) * 998.2
    share = glycol_kg / (glycol_kg + water_kg)
    return float(PropsSI("T_freeze", "T", 300, "P", 101325, f"INCOMP::MPG[{share:.6f}]")) - 273.15


# ---------------------------------------------------------------- the start


def test_a_machine_nobody_reported_counts_as_full_of_water(book: Any) -> None:
    state = book.fold()
    assert set(state.contents) == set(book.machine.wetted_parts)
    for contents in state.contents.values():
        assert contents.freezes_at_c == 0.0
        assert contents.fill is Fill.FULL
        assert (contents.known_by, contents.who, contents.since, contents.entered_at) == ("assumed", None, None, None)
        assert contents.liquid.kind is LiquidKind.UNKNOWN
    assert state.last_word_at is None
    assert state.unrinsed_sides == ()


def test_the_table_has_a_cell_for_every_deed_and_part() -> None:
    assert set(TABLE) == set(Deed)
    assert all(set(row) == set(COLUMNS) for row in TABLE.values())
    assert not any(action is Action.TAKES for row in TABLE.values() for part, action in row.items() if "other" in part)


# ---------------------------------------------------------------- spraying


def test_spraying_wets_the_valves_of_both_sides_and_everything_on_the_way(book: Any) -> None:
    run(book, 0)
    sprayed = book.add("sprayed", 2, sides=("front",), product="herbicide")
    state = book.fold()
    wet = ("valve.front", "valve.rear", "tank", *THROUGH_THE_PUMP)
    assert points(state, *wet) == {0.0}
    assert {state.contents[part].known_by for part in wet} == {sprayed.id}
    assert state.contents["valve.front"].who == "ines"
    assert state.unrinsed_sides == BOTH


def test_an_opened_side_takes_fertilizer_and_a_shut_side_may_still_hold_water(book: Any) -> None:
    book.add("rinsed", 0, sides=BOTH)
    book.add("sprayed", 12, sides=("front",), product="uan 28")
    state = book.fold()
    assert point(state, "valve.front") == -18.0  # UAN 28: -18 °C (0 °F or -1 °F), IPNI Nutrient Source Specifics 7
    assert point(state, "valve.rear") == 0.0


def test_boom_ends_may_hold_rinse_water_for_one_shift_after_fertilizer(book: Any) -> None:
    book.add("rinsed", 0, sides=BOTH)
    book.add("sprayed", 12, sides=BOTH, product="uan 28", hours=2.0)
    book.add("sprayed", 15, sides=BOTH, product="uan 28", hours=2.0)
    assert point(book.fold(16), "boom_pipe") == 0.0
    assert points(book.fold(16), "valve.front", "valve.rear", "hoses", "pump") == {-18.0}
    book.add("sprayed", 36, sides=BOTH, product="uan 28", hours=6.0)
    assert point(book.fold(40), "boom_pipe") == -18.0


def test_sprayed_fertilizer_is_known_until_a_rinse_turns_it_into_water(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, product="UAN 28")
    assert points(book.fold(1), "valve.front", "valve.rear", "tank", *THROUGH_THE_PUMP) == {-18.0}
    book.add("rinsed", 2, sides=BOTH)
    assert points(book.fold(3), "valve.front", "valve.rear", "tank", *THROUGH_THE_PUMP) == {0.0}


def test_opened_sides_not_said_leaves_the_older_liquid_possible(book: Any) -> None:
    book.add("rinsed", 0, sides=BOTH)
    book.add("sprayed", 12, product="uan 28")
    assert points(book.fold(), "valve.front", "valve.rear", "boom_pipe") == {0.0}


def test_a_machine_with_one_side_needs_no_side_said(book_of: Any) -> None:
    from carewatch.roster.model import Side

    book = book_of(sides=(Side(key="main", label="main"),))
    book.add("sprayed", 0, product="uan 28")
    assert point(book.fold(), "valve.main") == -18.0


def test_of_two_products_in_one_shift_the_warmer_counts(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, product="uan 28", hours=2.0)
    book.add("sprayed", 3, sides=BOTH, product="uan 32", hours=2.0)
    # UAN 32 salts out and counts at -2 °C (28 °F), IPNI Nutrient Source Specifics 7
    assert point(book.fold(), "boom_pipe") >= point(book.fold(), "valve.front")
    assert {liquid.name for liquid in book.fold().contents["boom_pipe"].candidates} == {"uan_28", "uan_32"}


def test_a_product_name_nobody_knows_counts_as_water(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, product="Tank mix 7")
    contents = book.fold().contents["valve.front"]
    assert contents.liquid.name == "Tank mix 7"
    assert contents.freezes_at_c == 0.0


# ---------------------------------------------------------------- rinsing


def test_one_rinsed_side_is_not_rinsed(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, product="herbicide")
    book.add("rinsed", 1, sides=("front",))
    state = book.fold()
    assert state.unrinsed_sides == ("rear",)
    assert state.contents["valve.front"].liquid.kind is LiquidKind.WATER
    assert state.contents["valve.rear"].liquid.name == "herbicide"


def test_the_other_side_rinsed_later_completes_it(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    book.add("rinsed", 1, sides=("front",))
    book.add("rinsed", 1.5, sides=("rear",))
    assert book.fold().unrinsed_sides == ()


def test_a_rinse_of_one_side_wets_the_shut_side_up_to_its_seat(book: Any) -> None:
    run(book, 0)
    book.add("rinsed", 5, sides=("front",))
    assert points(book.fold(), "valve.front", "valve.rear") == {0.0}


def test_a_rinse_turns_weak_fertilizer_and_antifreeze_alike_into_water(book: Any) -> None:
    run(book, 0)
    book.add("rinsed", 5, sides=BOTH)
    assert points(book.fold(), *book.machine.wetted_parts) == {0.0}


def test_rinsing_the_lines_leaves_product_possible_in_the_tank(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, product="herbicide")
    book.add("rinsed", 1, sides=BOTH)
    assert "herbicide" in {liquid.name for liquid in book.fold().contents["tank"].candidates}


def test_spraying_again_voids_the_rinse(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    book.add("rinsed", 1, sides=BOTH)
    assert book.fold(2).unrinsed_sides == ()
    book.add("sprayed", 3, sides=BOTH, hours=0.5)
    assert book.fold(4).unrinsed_sides == BOTH


@pytest.mark.parametrize(
    ("litres", "passes", "unrinsed"),
    [
        (None, None, ()),
        (100.0, None, BOTH),  # exp(-100/130) = 46 % left
        (310.0, None, ()),  # exp(-310/130) = 9 % left: diluted 1:10, German plant-protection services
        (310.0, 1, BOTH),  # 1/(1 + 310/130) = 30 % left
        (450.0, 1, ()),  # all its rinse tank holds
        (0.0, None, BOTH),
    ],
)
def test_too_little_water_is_half_rinsed_but_water_it_is(
    book: Any, litres: float | None, passes: int | None, unrinsed: tuple[str, ...]
) -> None:
    book.add("sprayed", 0, sides=BOTH, product="uan 28")
    book.add("rinsed", 1, sides=BOTH, litres=litres, passes=passes)
    state = book.fold()
    assert state.unrinsed_sides == unrinsed
    assert points(state, "valve.front", "valve.rear") == {0.0}


def test_a_tank_left_full_overnight_is_product_in_the_boom(book: Any) -> None:
    book.add("filled", -2, liquid="herbicide")
    book.add("sprayed", 0, sides=BOTH, product="herbicide")
    state = book.fold()
    assert {state.contents[part].liquid.name for part in ("tank", "valve.front", "boom_pipe")} == {"herbicide"}
    assert state.unrinsed_sides == BOTH


# ---------------------------------------------------------------- air and draining


def test_air_leaves_pockets_with_the_same_freezing_point(book: Any) -> None:
    book.add("sprayed", -1, sides=BOTH)
    book.add("rinsed", 0, sides=BOTH)
    blown = book.add("blown_out", 1, sides=BOTH)
    state = book.fold()
    for part in ("valve.front", "valve.rear", *THROUGH_THE_PUMP):
        assert state.contents[part].fill is Fill.POCKETS
        assert state.contents[part].freezes_at_c == 0.0
        assert state.contents[part].known_by == blown.id
    assert state.contents["tank"].fill is Fill.FULL
    assert state.contents["hopper"].fill is Fill.FULL


def test_air_through_one_side_leaves_the_other_full(book: Any) -> None:
    book.add("blown_out", 0, sides=("rear",))
    state = book.fold()
    assert state.contents["valve.rear"].fill is Fill.POCKETS
    assert state.contents["valve.front"].fill is Fill.FULL


def test_air_keeps_the_thermal_history_of_what_stays(book: Any) -> None:
    rinsed = book.add("rinsed", 0, sides=BOTH)
    blown = book.add("blown_out", 5, sides=BOTH)
    contents = book.fold().contents["valve.front"]
    assert contents.since == blown.happened_at
    assert contents.entered_at == rinsed.happened_at


def test_draining_touches_the_named_parts_only(book: Any) -> None:
    book.add("drained", 0, where=("tank", "pump"))
    pockets = {name for name, one in book.fold().contents.items() if one.fill is Fill.POCKETS}
    assert pockets == {"tank", "pump"}


def test_drained_glycol_is_pockets_not_dry(book: Any) -> None:
    run(book, 0)
    book.add("drained", 1, where=("boom_pipe", "pump"))
    state = book.fold()
    assert state.contents["pump"].fill is Fill.POCKETS
    assert state.contents["pump"].liquid.kind is LiquidKind.ANTIFREEZE


@pytest.mark.parametrize(
    ("kind", "told"),
    [("sprayed", {"sides": BOTH}), ("rinsed", {"sides": BOTH}), ("filled", {"liquid": "water"})],
)
def test_water_or_product_after_air_fills_the_boom_again(book: Any, kind: str, told: dict[str, Any]) -> None:
    book.add("blown_out", 0, sides=BOTH)
    book.add(kind, 2, **told)
    state = book.fold()
    assert {state.contents[part].fill for part in ("valve.front", "valve.rear", "boom_pipe")} == {Fill.FULL}


# ---------------------------------------------------------------- antifreeze


@pytest.mark.parametrize("litres", [60.0, 130.0, 400.0])
def test_antifreeze_is_diluted_by_what_was_held(book: Any, litres: float) -> None:
    """Mass balance of a stirred volume, 50 (1 - exp(-F/130)) vol %; first ice from CoolProp is 0 to 2.5 °C colder.

    The handbook table (Lange) is up to 1.3 °C warmer than Melinder's values and 1 °C of caution comes on top.
    """
    from math import exp

    run(book, 0, litres=litres)
    state = book.fold()
    expected_c = melinder_c(50.0 * (1.0 - exp(-litres / 130.0)))
    for part in ("valve.front", "valve.rear", *THROUGH_THE_PUMP):
        assert 0.0 <= point(state, part) - expected_c <= 2.5
        assert state.contents[part].liquid.kind is LiquidKind.ANTIFREEZE


def test_a_drum_of_minus_33_may_end_up_near_minus_5_in_an_undrained_boom(book_of: Any) -> None:
    """60 L of 50 % into 133 L of boom water: 15.5 % and -5.3 °C if all mixes (mass balance, CoolProp).

    The fold's full mixing runs the excess out of the nozzles: 18.2 %, -6.4 °C by CoolProp, warmer with caution.
    """
    assert melinder_c(50.0 * 60.0 / 193.0) == pytest.approx(-5.3, abs=0.15)
    book = book_of(held_l=133.0)
    run(book, 0, litres=60.0)
    strength = book.fold().contents["valve.front"].liquid.strength_vol_pct
    assert strength == pytest.approx(18.15, abs=0.05)
    assert -6.6 < point(book.fold(), "valve.front") < -4.0


def test_air_first_saves_most_of_the_antifreeze(book: Any) -> None:
    book.add("blown_out", 0, sides=BOTH)
    run(book, 1, litres=60.0)
    # 0.15 x 130 L stay (chosen): 50 (1 - exp(-60/19.5)) = 47.7 vol %
    assert book.fold().contents["valve.rear"].liquid.strength_vol_pct == pytest.approx(47.7, abs=0.1)


def test_air_through_one_side_saves_nothing_for_a_run_through_both(book: Any) -> None:
    book.add("blown_out", 0, sides=("front",))
    run(book, 1, litres=60.0)
    assert book.fold().contents["valve.front"].liquid.strength_vol_pct < 20.0


def test_a_second_run_adds_to_the_first(book: Any) -> None:
    run(book, 0, litres=130.0)
    run(book, 1, litres=130.0)
    once_more = book.fold().contents["valve.front"].liquid.strength_vol_pct
    book.entries.clear()
    run(book, 0, litres=260.0)
    assert once_more == pytest.approx(book.fold().contents["valve.front"].liquid.strength_vol_pct)


@pytest.mark.parametrize("missing", ["litres", "strength_vol_pct"])
def test_antifreeze_without_litres_or_strength_is_water_until_measured(book: Any, missing: str) -> None:
    run(book, 0, **{missing: None})
    assert points(book.fold(1), "valve.front", *THROUGH_THE_PUMP) == {0.0}
    read(book, 2, "front")
    state = book.fold(3)
    assert point(state, "valve.front") == -20.0
    assert point(state, "valve.rear") == 0.0
    assert points(state, *THROUGH_THE_PUMP) == {-20.0}


def test_antifreeze_through_one_side_only_leaves_water_in_the_other(book: Any) -> None:
    book.add("rinsed", 0, sides=BOTH)
    run(book, 1, sides=("front",))
    state = book.fold()
    assert point(state, "valve.front") < -20.0
    assert point(state, "valve.rear") == 0.0


def test_antifreeze_fed_in_at_the_boom_leaves_pump_and_meter_as_they_were(book: Any) -> None:
    book.add("rinsed", 0, sides=BOTH)
    run(book, 1, route="boom")
    state = book.fold()
    assert points(state, "pump", "hoses", "meter") == {0.0}
    assert point(state, "boom_pipe") < -20.0
    assert point(state, "valve.rear") < -20.0


def test_antifreeze_after_fertilizer_counts_the_warmer_of_both(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, product="uan 32")
    uan_c = point(book.fold(1), "valve.front")
    run(book, 2, litres=800.0)
    assert point(book.fold(3), "valve.front") == uan_c


def test_antifreeze_in_the_boom_does_not_speak_for_tank_and_rinse_tank(book: Any) -> None:
    run(book, 0)
    assert points(book.fold(), "tank", "rinse_tank", "hopper") == {0.0}


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("filled", {"liquid": "water"}),
        ("filled", {"liquid": "water", "where": ("hopper",)}),
        ("sprayed", {"sides": ("rear",)}),
        ("rinsed", {"sides": ("rear",)}),
        ("sprayed", {}),
    ],
)
def test_water_or_product_after_antifreeze_cancels_every_protection_at_once(
    book: Any, kind: str, told: dict[str, Any]
) -> None:
    run(book, 0)
    read(book, 1, "front")
    read(book, 1.1, "rear")
    book.add(kind, 300, **told)
    state = book.fold(301)
    assert points(state, "valve.front", "valve.rear", *THROUGH_THE_PUMP) == {0.0}
    assert state.strengths == ()


def test_filling_the_rinse_tank_only_wets_the_rinse_tank(book: Any) -> None:
    run(book, 0)
    book.add("filled", 5, liquid="water", where=("rinse_tank",))
    state = book.fold()
    assert point(state, "rinse_tank") == 0.0
    assert point(state, "valve.front") < -20.0


def test_the_first_spring_fill_counts_from_the_fill(book: Any) -> None:
    run(book, 0)
    fill = book.add("filled", 4000, liquid="water")
    state = book.fold(4001)
    assert state.contents["valve.front"].since == fill.happened_at
    assert state.contents["valve.front"].freezes_at_c == 0.0
    assert not state.season_ended


def test_antifreeze_in_a_drained_tank_protects_it_and_in_a_full_one_does_not(book: Any) -> None:
    told = {"liquid": "propylene glycol", "strength_vol_pct": 45.0, "litres": 40.0, "where": ("rinse_tank",)}
    book.add("filled", 0, **told)
    assert point(book.fold(1), "rinse_tank") == 0.0
    book.add("drained", 2, where=("rinse_tank",))
    book.add("filled", 3, **told)
    assert point(book.fold(4), "rinse_tank") < -15.0


def test_a_strength_that_cannot_be_counts_as_water(book: Any) -> None:
    run(book, 0, strength_vol_pct=400.0)
    assert point(book.fold(), "valve.front") == 0.0


# ---------------------------------------------------------------- readings


def test_a_reading_that_counts_beats_the_computed_value(book: Any) -> None:
    run(book, 0, litres=60.0)
    assert point(book.fold(1), "valve.front") > -10.0
    read(book, 2, "front", first_ice_c=-21.0)
    assert point(book.fold(3), "valve.front") == -21.0
    assert point(book.fold(3), "valve.rear") > -10.0


def test_the_weakest_section_rules_per_side(book: Any) -> None:
    run(book, 0)
    for section, first_ice_c in ((1, -24.0), (3, -11.0), (5, -26.0)):
        read(book, 2 + section, "front", section=section, first_ice_c=first_ice_c)
    assert point(book.fold(), "valve.front") == -11.0
    assert [one.section for one in book.fold().strengths] == [1, 3, 5]


def test_a_better_reading_at_the_same_section_does_not_erase_the_worse_one(book: Any) -> None:
    run(book, 0)
    read(book, 2, "front", first_ice_c=-9.0)
    read(book, 3, "front", first_ice_c=-25.0)
    assert point(book.fold(), "valve.front") == -9.0


@pytest.mark.parametrize(
    ("told", "word"),
    [
        ({"scale": "ethylene_glycol"}, "scale"),  # wrong glycol scale: off by 10 °C and more (ASTM D3321)
        ({"scale": "brix"}, "scale"),
        ({"scale": "battery acid"}, "scale"),
        ({"water_reads_water": False}, "water"),
        ({"first_ice_c": -44.0}, "stronger"),  # 50 vol % from the drum cannot read -44 °C
        ({"first_ice_c": -50.0}, "neither"),  # a burst rating
        ({"first_ice_c": None, "strength_vol_pct": 70.0}, "stronger"),
        ({"first_ice_c": None}, "neither"),
    ],
)
def test_a_reading_that_does_not_count_lowers_nothing(book: Any, told: dict[str, Any], word: str) -> None:
    run(book, 0, litres=60.0)
    before = point(book.fold(1), "valve.front")
    read(book, 2, "front", **told)
    state = book.fold(3)
    assert point(state, "valve.front") == before
    assert word in state.strengths[0].why_not


def test_a_doubtful_reading_that_is_weaker_than_computed_raises_the_risk(book: Any) -> None:
    run(book, 0, litres=400.0)
    read(book, 2, "front", first_ice_c=-6.0, water_reads_water=False)
    assert point(book.fold(), "valve.front") == -6.0


def test_a_reading_without_any_antifreeze_is_kept_and_counts_for_nothing(book: Any) -> None:
    book.add("rinsed", 0, sides=BOTH)
    read(book, 1, "front")
    state = book.fold()
    assert point(state, "valve.front") == 0.0
    assert "no antifreeze" in state.strengths[0].why_not


def test_two_sorts_of_antifreeze_are_read_by_no_scale(book: Any) -> None:
    run(book, 0, fluid="ethylene_glycol")
    run(book, 1, litres=None)
    read(book, 2, "front")
    assert point(book.fold(), "valve.front") == 0.0
    assert "two sorts" in book.fold().strengths[0].why_not


def test_of_a_strength_and_a_point_in_one_reading_the_warmer_counts(book: Any) -> None:
    run(book, 0)
    read(book, 1, "front", first_ice_c=-25.0, strength_vol_pct=20.0)
    assert -7.5 < point(book.fold(), "valve.front") < -5.0  # 20 vol %: -7.5 °C CoolProp, -6.7 °C Lange, 1 °C caution


def test_an_alcohol_is_recorded_and_without_a_table_counts_as_water_until_measured(book: Any) -> None:
    run(book, 0, fluid="isopropanol")
    assert point(book.fold(1), "valve.front") == 0.0
    read(book, 2, "front", scale="isopropanol", first_ice_c=-15.0)
    assert point(book.fold(3), "valve.front") == -15.0


def test_shipping_a_winterized_machine_changes_nothing_in_it(book: Any) -> None:
    run(book, 0)
    before = point(book.fold(1), "valve.front")
    book.add("moved", 500, site="hollow", place="ford")
    state = book.fold(501)
    assert point(state, "valve.front") == before
    assert state.stands.site == "hollow"


@pytest.mark.parametrize("kind", ["opened", "symptom", "part_replaced", "inspected", "connectors_checked", "note"])
def test_work_on_one_nozzle_body_changes_no_freeze_state(book: Any, kind: str) -> None:
    run(book, 0)
    before = book.fold(1).contents
    book.add(kind, 2, **({"position": 7} if kind in ("opened", "note") else {"positions": (7,)}))
    assert book.fold(1).contents == before
    assert book.fold(3).contents == before


# ---------------------------------------------------------------- time


def test_what_happens_later_is_left_out_and_what_is_not_yet_known_too(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    book.add("rinsed", 1, sides=BOTH, late_h=6.0)
    assert book.fold(0.5).unrinsed_sides == BOTH
    assert book.fold(2).unrinsed_sides == ()
    assert book.fold(2, known_until=book.entries[1].happened_at).unrinsed_sides == BOTH


def test_season_end_is_undone_by_use(book: Any) -> None:
    book.add("season_ended", 0)
    assert book.fold(1).season_ended
    run(book, 2)
    book.add("filled", 2.5, liquid="propylene glycol")
    assert book.fold(3).season_ended
    book.add("sprayed", 700, sides=BOTH)
    state = book.fold(701)
    assert not state.season_ended
    assert point(state, "valve.front") == 0.0


@pytest.mark.parametrize(("kind", "flag"), [("retired", "is_retired"), ("laid_up", "is_laid_up")])
def test_a_machine_put_away_is_back_as_soon_as_it_is_used(book: Any, kind: str, flag: str) -> None:
    book.add("sprayed", 0, sides=BOTH)
    book.add(kind, 1)
    assert getattr(book.fold(2), flag)
    assert book.fold(2).contents["valve.front"].freezes_at_c == 0.0
    book.add("sprayed", 3, sides=BOTH)
    assert not getattr(book.fold(4), flag)


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("promised", {"duty": "protect:heron", "by_at": None}),
        ("assigned", {"duty": "protect:heron", "to": "tomas"}),
        ("risk_accepted", {"duty": "protect:heron"}),
        ("declined", {"duty": "protect:heron"}),
        ("not_used", {}),
        ("thawed", {"found_ice": False}),
    ],
)
def test_a_word_without_work_is_no_evidence(book: Any, kind: str, told: dict[str, Any]) -> None:
    book.add("sprayed", 0, sides=BOTH)
    before = book.fold(1)
    book.add(kind, 2, **told)
    after = book.fold(3)
    assert after.contents == before.contents
    assert after.unrinsed_sides == before.unrinsed_sides
    assert after.last_word_at > before.last_word_at


def test_antifreeze_poured_into_the_tank_does_not_protect_pump_and_hoses(book: Any) -> None:
    book.add("blown_out", 0, sides=BOTH)
    book.add("drained", 0.5, where=("tank",))
    book.add("filled", 1, liquid="pg", strength_vol_pct=50.0, litres=60.0)
    state = book.fold()
    assert point(state, "tank") < -20.0
    assert points(state, "pump", "hoses", "valve.front") == {0.0}


def test_a_plumbing_part_the_table_does_not_know_stays_unknown(book_of: Any) -> None:
    book = book_of(plumbing=("boom_pipe", "foam_marker"))
    run(book, 0)
    assert point(book.fold(), "foam_marker") == 0.0


@pytest.mark.parametrize(
    ("kind", "told"),
    [("blown_out", {}), ("antifreeze_run", {"fluid": "pg", "strength_vol_pct": 50.0, "litres": 500.0})],
)
def test_work_through_a_side_the_machine_does_not_have_protects_nothing(
    book: Any, kind: str, told: dict[str, Any]
) -> None:
    before = book.fold().contents
    book.add(kind, 0, sides=("left",), **told)
    assert book.fold().contents == before


def test_a_rinse_through_no_side_is_still_water_in_the_machine(book: Any) -> None:
    book.add("sprayed", -1, sides=BOTH)
    run(book, 0)
    book.add("rinsed", 1, sides=("left",))
    state = book.fold()
    assert points(state, "valve.front", "valve.rear", *THROUGH_THE_PUMP) == {0.0}
    assert state.unrinsed_sides == BOTH


def test_a_reading_at_a_side_the_machine_does_not_have_tells_nothing(book: Any) -> None:
    run(book, 0, litres=None)
    read(book, 1, "left")
    state = book.fold()
    assert point(state, "valve.front") == 0.0
    assert state.strengths == ()


def test_more_of_the_same_after_a_reading_keeps_the_reading_possible(book: Any) -> None:
    run(book, 0)
    read(book, 1, "front", first_ice_c=-12.0)
    run(book, 2, litres=300.0)
    state = book.fold()
    assert point(state, "valve.front") == -12.0  # the two may not have mixed: the warmer of old and new
    assert state.strengths == ()
    assert all(liquid.kind is LiquidKind.ANTIFREEZE for liquid in state.contents["valve.front"].candidates)


def test_an_action_that_does_not_fit_its_entry_changes_nothing(book: Any) -> None:
    from carewatch.fluids.liquid import WATER
    from carewatch.logbook.boom import Boom, _acted_on
    from carewatch.logbook.contents import AT_THE_START, held_since
    from carewatch.logbook.effects import NO_EFFECT

    rinse = book.add("rinsed", 0, sides=BOTH)
    boom = Boom(parts={"pump": AT_THE_START})
    for action in (Action.KEEPS, Action.MIXES, Action.POURS):
        new = held_since(rinse, WATER)
        assert _acted_on(AT_THE_START, action, new, book.machine, rinse, boom, NO_EFFECT) is AT_THE_START


def test_a_dry_part_stays_dry_when_air_goes_through(book: Any) -> None:
    from carewatch.logbook.contents import AT_THE_START, Part, emptied

    dry = Part(holds=AT_THE_START.holds, fill=Fill.DRY)
    assert emptied(dry, book.add("blown_out", 0, sides=BOTH)) is dry


@pytest.mark.parametrize(
    ("kind", "told", "full"),
    [
        ("sprayed", {}, {"tank"}),
        ("sprayed", {"sides": BOTH}, {"tank"}),
        ("rinsed", {"sides": BOTH}, {"tank", "rinse_tank"}),
        ("filled", {"liquid": "water"}, {"tank", "hopper"}),
        ("filled", {"liquid": "herbicide", "where": ("hopper",)}, {"tank", "hopper"}),
        ("filled", {"liquid": "water", "where": ("rinse_tank",)}, {"rinse_tank"}),
        ("filled", {"liquid": "water", "where": ("tank", "rinse_tank")}, {"tank", "hopper", "rinse_tank"}),
    ],
)
def test_drained_tanks_are_full_again_after_what_fills_them(
    book: Any, kind: str, told: dict[str, Any], full: set[str]
) -> None:
    tanks = ("tank", "hopper", "rinse_tank")
    book.add("drained", 0, where=tanks)
    book.add(kind, 1, **told)
    state = book.fold()
    assert {name for name in tanks if state.contents[name].fill is Fill.FULL} == full
