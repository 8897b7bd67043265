"""The numbers of a flush stay within the rinse tank, are shared evenly, and say what they leave."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.duties.flushing import (
    CHANGEOVER_TARGET_FRACTION,
    NIGHTLY_LIMIT_FRACTION,
    NIGHTLY_TARGET_FRACTION,
    flush_plan,
    left_fraction,
    water_for,
)
from carewatch.duties.nozzles import minutes_per_side, nozzle_flow_l_per_min, size_steps
from carewatch.errors import BadInput
from carewatch.roster.model import Machine, Side


def a_machine(**changes: object) -> Machine:
    machine = Machine(
        id="sprayer-3",
        name="Sprayer 3",
        fleet="hill-farm",
        home_site="north",
        home_place="yard",
        operators=("ola",),
        boom_width_m=27.0,
        sections=(9, 9, 18, 9, 9),
        sides=(Side(key="front", label="front"), Side(key="rear", label="rear")),
        plumbing=("boom_pipe", "hoses", "pump", "tank", "rinse_tank"),
        held_l=60.0,
        held_is_measured=True,
        tank_l=4000.0,
        rinse_tank_l=500.0,
        nozzle_size="04",
        nozzle_pressure_kpa=300.0,
    )
    return dataclasses.replace(machine, **changes)


BOTH = ("front", "rear")


def test_a_nightly_flush_reaches_its_target_when_the_rinse_tank_is_large_enough() -> None:
    plan = flush_plan(a_machine(), sides_needed=BOTH)
    assert plan.left_fraction == pytest.approx(NIGHTLY_TARGET_FRACTION)
    # three rinses to 2 % take 8.05 times what is held: 3 x (50^(1/3) - 1)
    assert plan.water_l == pytest.approx(60.0 * 3 * (50.0 ** (1 / 3) - 1))
    assert plan.passes == 3
    assert not plan.is_short
    assert plan.because == ()


def test_a_changeover_takes_about_twice_the_water_of_a_nightly_flush() -> None:
    nightly = flush_plan(a_machine(rinse_tank_l=5000.0), sides_needed=BOTH)
    changeover = flush_plan(a_machine(rinse_tank_l=5000.0), sides_needed=BOTH, for_changeover=True)
    assert changeover.left_fraction == pytest.approx(CHANGEOVER_TARGET_FRACTION)
    assert changeover.water_l / nightly.water_l == pytest.approx(17.08 / 8.05, rel=1e-3)


def test_water_stays_within_the_rinse_tank_and_every_side_runs_shorter() -> None:
    enough = flush_plan(a_machine(), sides_needed=BOTH)
    less = flush_plan(a_machine(rinse_tank_l=200.0), sides_needed=BOTH)
    assert less.water_l == 200.0
    assert less.minutes_per_side == pytest.approx(enough.minutes_per_side * 200.0 / enough.water_l)
    assert less.left_fraction == pytest.approx((1 / (1 + 200 / 60 / 3)) ** 3)
    assert "leaves about 10.6% (aim: 2.0%)" in less.because[0]
    assert any("every side shorter" in reason for reason in less.because)


# A rinse that dilutes what is held 1:10 is the least that is asked (German plant-protection services; isip.de)
@pytest.mark.parametrize(("rinse_tank_l", "is_short"), [(200.0, True), (208.0, False), (482.0, False), (484.0, False)])
def test_a_nightly_flush_is_short_when_it_dilutes_less_than_one_to_ten(rinse_tank_l: float, is_short: bool) -> None:
    plan = flush_plan(a_machine(rinse_tank_l=rinse_tank_l), sides_needed=BOTH)
    assert plan.is_short is is_short
    assert any("Too little water" in reason for reason in plan.because) is is_short


def test_a_changeover_is_short_when_it_misses_its_target_at_all() -> None:
    # 60 L held take 1025 L to be lowered 300 times in three rinses: 60 x 3 x (300^(1/3) - 1) = 1025.0
    assert flush_plan(a_machine(rinse_tank_l=1000.0), sides_needed=BOTH, for_changeover=True).is_short
    assert not flush_plan(a_machine(rinse_tank_l=1026.0), sides_needed=BOTH, for_changeover=True).is_short


def test_minutes_are_the_water_of_one_side_over_the_flow_of_all_its_nozzles() -> None:
    plan = flush_plan(a_machine(rinse_tank_l=345.6), sides_needed=BOTH)
    # half of 345.6 L through 54 nozzles of 1.6 L/min each: 2 min
    assert plan.minutes_per_side == pytest.approx(2.0)


def test_a_missing_side_gets_the_same_minutes_and_its_share_of_the_water() -> None:
    both = flush_plan(a_machine(), sides_needed=BOTH)
    rear = flush_plan(a_machine(), sides_needed=("rear",))
    assert rear.sides == ("rear",)
    assert rear.minutes_per_side == pytest.approx(both.minutes_per_side)
    assert rear.water_l == pytest.approx(both.water_l / 2)
    assert rear.left_fraction == pytest.approx(both.left_fraction)


def test_a_machine_with_one_side_is_flushed_through_that_side() -> None:
    one = a_machine(sides=(Side(key="front", label="only"),))
    assert flush_plan(one, sides_needed=("front",)).water_l == flush_plan(a_machine(), sides_needed=BOTH).water_l


def test_a_side_named_twice_counts_once() -> None:
    assert flush_plan(a_machine(), sides_needed=("rear", "rear")) == flush_plan(a_machine(), sides_needed=("rear",))


def test_no_rinse_tank_moves_nothing_and_says_so() -> None:
    plan = flush_plan(a_machine(rinse_tank_l=0.0), sides_needed=BOTH)
    assert (plan.water_l, plan.minutes_per_side, plan.left_fraction) == (0.0, 0.0, 1.0)
    assert plan.is_short
    assert plan.needed_l > 0
    assert any("no rinse tank" in reason for reason in plan.because)


def test_an_estimated_held_volume_is_named() -> None:
    plan = flush_plan(a_machine(held_is_measured=False), sides_needed=BOTH)
    assert any("estimate" in reason for reason in plan.because)


@pytest.mark.parametrize("sides", [(), ("left",), ("front", "left")], ids=["none", "unknown", "one unknown"])
def test_sides_that_cannot_be_are_refused(sides: tuple[str, ...]) -> None:
    with pytest.raises(BadInput, match="front, rear"):
        flush_plan(a_machine(), sides_needed=sides)


held = st.floats(0.5, 500.0)
water = st.floats(0.0, 5000.0)
passes = st.integers(1, 10)


@given(held, water, passes)
def test_more_passes_with_the_same_water_never_leave_more(held_l: float, water_l: float, count: int) -> None:
    once = left_fraction(held_l=held_l, water_l=water_l, passes=count)
    again = left_fraction(held_l=held_l, water_l=water_l, passes=count + 1)
    assert 0.0 < again <= once * (1 + 1e-12) <= 1.0 + 1e-12


@given(held, passes, st.floats(0.001, 0.99))
def test_water_for_is_the_inverse_of_left_fraction(held_l: float, count: int, target: float) -> None:
    water_l = water_for(held_l=held_l, passes=count, target=target)
    assert left_fraction(held_l=held_l, water_l=water_l, passes=count) == pytest.approx(target, rel=1e-9)


@given(st.floats(0.0, 2000.0), st.floats(5.0, 300.0), st.booleans())
def test_a_plan_never_asks_for_more_than_the_tank_holds_nor_hides_a_shortage(
    rinse_tank_l: float, held_l: float, changeover: bool
) -> None:
    plan = flush_plan(a_machine(rinse_tank_l=rinse_tank_l, held_l=held_l), sides_needed=BOTH, for_changeover=changeover)
    assert plan.water_l <= rinse_tank_l
    limit = CHANGEOVER_TARGET_FRACTION if changeover else NIGHTLY_LIMIT_FRACTION
    if plan.left_fraction > limit * (1 + 1e-9):
        assert plan.is_short
        assert plan.because
    if plan.left_fraction < limit * (1 - 1e-9):
        assert not plan.is_short


@pytest.mark.parametrize(
    "call",
    [
        lambda: left_fraction(held_l=0.0, water_l=1.0, passes=1),
        lambda: left_fraction(held_l=float("nan"), water_l=1.0, passes=1),
        lambda: left_fraction(held_l=1.0, water_l=-1.0, passes=1),
        lambda: left_fraction(held_l=1.0, water_l=float("inf"), passes=1),
        lambda: left_fraction(held_l=1.0, water_l=1.0, passes=0),
        lambda: water_for(held_l=1.0, passes=1, target=0.0),
        lambda: water_for(held_l=1.0, passes=1, target=1.0),
        lambda: minutes_per_side(held_l=-5.0, nozzles=10, size="04", pressure_kpa=300.0, passes=3),
        lambda: minutes_per_side(held_l=60.0, nozzles=0, size="04", pressure_kpa=300.0, passes=3),
        lambda: minutes_per_side(held_l=60.0, nozzles=10, size="04", pressure_kpa=300.0, passes=0),
        lambda: nozzle_flow_l_per_min("04", 0.0),
        lambda: nozzle_flow_l_per_min("04", 300_000.0),
        lambda: nozzle_flow_l_per_min("04", float("nan")),
    ],
)
def test_numbers_that_cannot_be_are_refused_with_what_to_write(call: object) -> None:
    with pytest.raises(BadInput, match="Write"):
        call()  # type: ignore[operator]


@pytest.mark.parametrize("size", ["", "4", "0.4", "00", "0455", "red", "11004", "-04", "100"])
def test_a_nozzle_size_that_is_no_code_is_refused(size: str) -> None:
    with pytest.raises(BadInput, match="stamped on the nozzle"):
        size_steps(size)
