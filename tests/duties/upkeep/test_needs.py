"""The pick list, what it costs in parts and in bodies, what is left to retrofit, and what to buy."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carewatch.duties.upkeep.needs import Needs, needs_of, restock_list
from carewatch.logbook.findings import OF_THE_BODY, Finding, FindingKind
from carewatch.roster.model import Fleet
from carewatch.roster.parts import Part, PartKind
from tests.duties.upkeep.boom import bodies, book_of, fleet_of, found

ON = date(2026, 11, 2)


def needs(book: Any, fleet: Fleet | None = None, *, on: date = ON) -> Needs:
    return needs_of(book.machine, fleet or fleet_of(book), bodies(book), on=on)


def picked(made: Needs) -> list[tuple[str, int, tuple[tuple[int, str | None], ...]]]:
    return [(line.part.id, line.quantity, line.spots) for line in made.lines]


def test_nothing_open_takes_nothing_and_costs_nothing() -> None:
    made = needs(book_of())
    assert (made.bodies, made.lines, made.cost, made.mend_cost, made.bodies_cost) == ((), (), 0.0, 0.0, 0.0)


def test_one_kit_serves_all_it_renews_and_is_counted_for_each_valve() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front corners_worn", "14 front seal_worn", "20 rear spring_weak"))
    made = needs(book)
    assert picked(made) == [("kit", 2, ((14, "front"), (20, "rear")))]
    # 2 kits at 16.50; two bodies at 60.00
    assert (made.cost, made.mend_cost, made.bodies_cost) == (33.0, 33.0, 120.0)


def test_what_is_not_sold_alone_is_a_new_body() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front coil_dead"))
    (need,) = needs(book).bodies
    assert (need.is_body, need.why_body, need.mend_cost) == (True, "a part it takes is not sold alone", None)
    assert picked(needs(book)) == [("body-new", 1, ((14, None),))]
    assert (needs(book).cost, needs(book).mend_cost) == (60.0, None)


def test_a_broken_mounting_clip_is_a_body_and_the_worn_seal_in_it_needs_nothing_more() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 mounting_clip_broken", "14 front seal_worn"))
    made = needs(book)
    assert picked(made) == [("body-new", 1, ((14, None),))]
    assert "part of the body" in made.bodies[0].why_body


def test_parts_for_as_much_as_a_body_are_a_body() -> None:
    book = book_of()
    lines = [f"14 {side} {what}" for side in ("front", "rear") for what in ("seal_worn", "seat_worn")]
    book.add("inspected", 0, findings=found(*lines))
    assert needs(book).bodies[0].mend_cost == pytest.approx(2 * (16.5 + 6.0))
    assert not needs(book).bodies[0].is_body
    book.add("inspected", 1, findings=found("14 front side_pins_corroded", "14 rear side_pins_corroded"))
    (need,) = needs(book).bodies
    # 2 x (16.50 + 6.00 + 9.80) = 64.60, a body 60.00
    assert (need.mend_cost, need.is_body, needs(book).cost) == (pytest.approx(64.6), True, 60.0)


def test_the_cheapest_set_is_taken_and_what_is_no_longer_sold_is_not() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front seal_worn"))
    seal = Part(id="seal-only", name="Seal", replaces=frozenset({PartKind.SEAL}), price=2.0)
    fleet = fleet_of(book)
    assert picked(needs(book, replace(fleet, parts=(*fleet.parts, seal))))[0][0] == "seal-only"
    gone = replace(fleet, parts=(*fleet.parts, replace(seal, is_sold=False)))
    assert picked(needs(book, gone))[0][0] == "kit"
    rear = replace(fleet, parts=(*fleet.parts, replace(seal, sides=("rear",))))
    assert picked(needs(book, rear))[0][0] == "kit"


def test_a_missing_price_makes_the_sum_unknown_not_smaller() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front seal_worn", "15 front seat_worn"))
    fleet = fleet_of(book)
    unpriced = tuple(replace(part, price=None) if part.id == "seat-ring" else part for part in fleet.parts)
    made = needs(book, replace(fleet, parts=unpriced))
    assert (made.cost, made.mend_cost, made.bodies_cost) == (None, None, 120.0)


def test_without_a_parts_list_it_is_said_what_nobody_can_pick() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front seal_worn"))
    made = needs(book, replace(fleet_of(book), parts=()))
    assert (made.lines, made.missing, made.cost) == ((), (PartKind.BODY,), None)


def test_what_is_cleaned_or_kept_takes_no_part() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front build_up", "15 rear seat_worn slight", "16 front other"))
    made = needs(book)
    assert [need.takes_parts for need in made.bodies] == [False, False, False]
    assert made.bodies_cost == 0.0


# ---------------------------------------------------------------- retrofits


def test_a_retrofit_is_what_is_left_to_fit_and_free_while_somebody_else_pays() -> None:
    book = book_of(sections=(2,), boom_width_m=1.0)
    book.add("revision_fitted", 0, revision="seal-2", positions=(1,))
    seals, plugs = needs(book, on=date(2026, 12, 31)).retrofits
    assert (seals.revision.id, seals.spots, seals.cost) == ("seal-2", ((2, "front"), (2, "rear")), 33.0)
    assert (plugs.spots, plugs.is_paid_by_other, plugs.cost) == (((1, "front"), (2, "front")), True, 0.0)
    late = needs(book, on=date(2027, 1, 1)).retrofits[1]
    assert (late.is_paid_by_other, late.cost) == (False, pytest.approx(19.6))
    book.add("revision_fitted", 1, revision="seal-2")
    book.add("revision_fitted", 1, revision="plug-2")
    assert needs(book).retrofits == ()


# ---------------------------------------------------------------- spares


def bought(book: Any) -> dict[str, tuple[int | None, int, int, int]]:
    lines = restock_list(book.machine, fleet_of(book), bodies(book), needs(book))
    return {line.part.id: (line.on_hand, line.least, line.needed, line.buy) for line in lines}


def test_what_was_never_counted_counts_as_none_and_is_bought_in_whole_packs() -> None:
    assert bought(book_of()) == {"kit": (None, 6, 0, 10), "seat-ring": (None, 2, 0, 2), "body-new": (None, 1, 0, 1)}


def test_what_the_pick_list_takes_is_bought_beside_the_spares() -> None:
    book = book_of()
    book.add("restocked", 0, part="kit", quantity=7, is_count=True)
    assert bought(book)["kit"] == (7, 6, 0, 0)
    book.add("inspected", 1, findings=found("14 front seal_worn", "15 front seal_worn"))
    assert bought(book)["kit"] == (7, 6, 2, 10)
    book.add("part_replaced", 2, part="kit", positions=(14, 15), sides=("front",))
    assert bought(book)["kit"] == (5, 6, 0, 10)


# ---------------------------------------------------------------- laws

SIDED = [kind for kind in FindingKind if kind not in OF_THE_BODY]
FINDING = st.one_of(
    st.builds(
        Finding,
        position=st.integers(1, 5),
        side=st.sampled_from(("front", "rear")),
        what=st.sampled_from(SIDED),
        is_slight=st.booleans(),
    ),
    st.builds(Finding, position=st.integers(1, 5), what=st.sampled_from(sorted(OF_THE_BODY))),
)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(FINDING, max_size=8), st.lists(FINDING, max_size=3))
def test_more_findings_never_cost_less(first: list[Finding], more: list[Finding]) -> None:
    book = book_of(sections=(5,), boom_width_m=2.5)
    book.add("inspected", 0, findings=tuple(first))
    before = needs(book)
    book.add("inspected", 0, findings=tuple(more))
    after = needs(book)
    assert (before.cost or 0.0) <= (after.cost or 0.0) + 1e-9
    for need in after.bodies:
        assert not need.takes_parts or need.fittings  # there is a body in the list, so all can be had
    assert (after.cost or 0.0) <= (after.bodies_cost or 0.0) + 1e-9  # never dearer than bodies alone


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(FINDING, max_size=8))
def test_putting_in_what_was_picked_leaves_nothing_to_pick(findings: list[Finding]) -> None:
    book = book_of(sections=(5,), boom_width_m=2.5)
    book.add("inspected", 0, findings=tuple(findings))
    for line in needs(book).lines:
        for position, side in line.spots:
            sides = None if side is None else (side,)
            book.add("part_replaced", 5, part=line.part.id, positions=(position,), sides=sides)
    assert needs(book).lines == ()
