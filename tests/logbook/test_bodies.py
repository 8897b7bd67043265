"""Nozzle bodies by position and side: what is open, what ends it, what was renewed, fitted, opened, and the spares."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carewatch.logbook.bodies import Bodies, bodies_of
from carewatch.logbook.care import CareDetail
from carewatch.logbook.entries import EntryKind, Remark
from carewatch.logbook.findings import finding_from_text
from carewatch.logbook.stock import Stock
from carewatch.roster.parts import PartKind
from tests.logbook.conftest import EVENING, PARTS, Book, make_machine

FRONT_14 = frozenset({(14, "front")})
BOTH_14 = frozenset({(14, "front"), (14, "rear")})


def found(*lines: str) -> tuple[Any, ...]:
    return tuple(map(finding_from_text, lines))


def bodies(book: Book, after_h: float = 1000.0) -> Bodies:
    return bodies_of(book.machine, book.roster, book.entries, at=EVENING + timedelta(hours=after_h))


def open_words(book: Book, after_h: float = 1000.0) -> list[tuple[str, tuple[int, ...], str | None]]:
    return [(one.what, one.positions, one.side) for one in bodies(book, after_h).troubles]


# ---------------------------------------------------------------- fine, except


def test_a_section_fine_except_one_position_is_one_entry(book: Any) -> None:
    book.add("inspected", 0, sections=(2,), findings=found("14 front seat_worn"))
    now = bodies(book)
    assert open_words(book) == [("seat_worn", (14,), "front")]
    assert now.inspected_at((14, "front")) == now.inspected_at((24, "rear")) == EVENING
    assert now.inspected_at((12, "front")) is None
    assert now.inspected_at((25, "front")) is None


def test_a_side_that_was_not_looked_at_is_not_inspected(book: Any) -> None:
    book.add("inspected", 0, sections=(2,), sides=("front",))
    assert bodies(book).inspected_at((14, "rear")) is None


def test_findings_alone_say_nothing_of_the_other_positions(book: Any) -> None:
    book.add("inspected", 0, findings=found("14 front drip"))
    assert set(bodies(book).looks) == FRONT_14
    assert book.fold(10).hours.inspected_at is None


def test_nothing_said_is_the_whole_machine(book: Any) -> None:
    book.add("inspected", 5)
    assert len(bodies(book).looks) == 144
    assert book.fold(10).hours.inspected_at == EVENING + timedelta(hours=5)


def test_sections_on_two_days_make_one_inspection_that_counts_from_the_first(book: Any) -> None:
    book.add("inspected", 0, sections=(1, 2, 3))
    assert book.fold(10).hours.inspected_at is None
    book.add("inspected", 24, sections=(4, 5), sides=("front",))
    assert book.fold(30).hours.inspected_at is None
    book.add("inspected", 25, sections=(4, 5), sides=("rear",))
    assert book.fold(30).hours.inspected_at == EVENING


def test_a_sample_stands_for_the_machine_only_if_nothing_in_it_needs_a_part(book: Any) -> None:
    book.add("inspected", 0, positions=(1, 36, 72), is_sample=True, findings=found("36 rear build_up"))
    assert book.fold(10).hours.inspected_at == EVENING
    book.add("inspected", 24, positions=(2, 37), is_sample=True, findings=found("37 rear seat_worn"))
    assert book.fold(30).hours.inspected_at == EVENING
    assert bodies(book).inspected_at((3, "front")) is None


# ---------------------------------------------------------------- what ends a finding


def test_wear_ends_with_the_part_not_with_a_later_look(book: Any) -> None:
    book.add("inspected", 0, sections=(2,), findings=found("14 front seat_worn"))
    book.add("inspected", 48)
    assert open_words(book) == [("seat_worn", (14,), "front")]
    book.add("part_replaced", 72, part="seat-ring", positions=(14,), sides=("front",))
    assert open_words(book) == []
    assert open_words(book, after_h=60) == [("seat_worn", (14,), "front")]


@pytest.mark.parametrize(
    ("part", "position", "sides", "is_open"),
    [
        ("seat", 14, ("front",), False),
        ("valve", 14, ("front",), False),
        ("body-new", 14, None, False),
        ("body", 14, ("rear",), False),  # a body has no side
        ("seat", 14, None, False),
        ("seat", 14, ("rear",), True),
        ("seat", 15, ("front",), True),
        ("kit", 14, ("front",), True),  # plunger, spring, seal: no seat
        ("coil", 14, ("front",), True),
    ],
)
def test_only_a_part_that_cures_it_at_that_valve_ends_it(
    book: Any, part: str, position: int, sides: tuple[str, ...] | None, is_open: bool
) -> None:
    book.add("inspected", 0, findings=found("14 front seat_worn"))
    book.add("part_replaced", 1, part=part, positions=(position,), sides=sides)
    assert bool(open_words(book)) is is_open


def test_a_part_put_in_nobody_knows_where_ends_nothing(book: Any) -> None:
    book.add("inspected", 0, findings=found("14 front seat_worn"))
    book.add("part_replaced", 1, part="seat")
    book.add("part_replaced", 1, text="something at 14")
    assert len(open_words(book)) == 1


def test_dirt_ends_with_a_later_look_that_does_not_find_it(book: Any) -> None:
    book.add("inspected", 0, findings=found("14 front build_up"))
    book.add("inspected", 24, sections=(2,), findings=found("14 front build_up", "15 rear drip"))
    assert open_words(book) == [("build_up", (14,), "front"), ("drip", (15,), "rear")]
    book.add("inspected", 48, sections=(2,))
    assert open_words(book) == []


def test_a_look_at_the_same_minute_ends_no_symptom(book: Any) -> None:
    book.add("symptom", 0, what="drip", positions=(14,), sides=("front",))
    book.add("inspected", 0, sections=(2,))
    assert open_words(book) == [("drip", (14,), "front")]


def test_a_symptom_of_no_known_side_ends_only_when_both_were_looked_at(book: Any) -> None:
    book.add("symptom", 0, what="drip", positions=(14,))
    assert bodies(book).troubles[0].spots == BOTH_14
    book.add("inspected", 5, sections=(2,), sides=("front",))
    assert len(open_words(book)) == 1
    book.add("inspected", 6, sections=(2,), sides=("rear",))
    assert open_words(book) == []


def test_a_symptom_somewhere_in_a_section_ends_when_all_of_it_was_looked_at(book: Any) -> None:
    book.add("symptom", 0, what="leak", sections=(1,))
    book.add("inspected", 5, positions=tuple(range(1, 12)))
    assert len(open_words(book)) == 1
    book.add("inspected", 6, positions=(12,))
    assert open_words(book) == []


def test_two_people_within_the_clock_doubt_leave_it_open(book: Any) -> None:
    book.add("inspected", 0, findings=found("14 front seat_worn"), by="ines")
    book.add("part_replaced", 0.05, part="seat", positions=(14,), by="tomas")
    assert len(open_words(book)) == 1
    book.add("part_replaced", 0.05, part="seat", positions=(14,), by="ines")
    assert open_words(book) == []


def test_once_worse_it_stays_worse_and_the_latest_decision_is_shown(book: Any) -> None:
    book.add("inspected", 0, findings=found("14 front seat_worn"))
    book.add("inspected", 24, findings=found("14 front seat_worn slight keep"))
    (trouble,) = bodies(book).troubles
    assert trouble.finding is not None
    assert (trouble.finding.is_slight, trouble.finding.decision) == (False, "keep")
    assert (trouble.first_at, trouble.last_at) == (EVENING, EVENING + timedelta(hours=24))


def test_a_remark_from_before_is_shown_and_looked_away(book: Any) -> None:
    entry = book.add("symptom", 0, what="drip", positions=(14,))
    book.entries[0] = type(entry)(
        **{name: getattr(entry, name) for name in entry.__slots__} | {"detail": Remark(text="drips", position=14)}
    )
    assert [(one.what, one.text, one.positions) for one in bodies(book).troubles] == [("other", "drips", (14,))]
    book.add("inspected", 24)
    assert open_words(book) == []


# ---------------------------------------------------------------- repeats


def test_repeats_are_days_on_which_the_same_was_seen_also_after_a_repair(book: Any) -> None:
    book.add("symptom", 0, what="drip", positions=(14,), sides=("front",))
    book.add("symptom", 1, what="drip", positions=(14,), sides=("front",), by="tomas")  # the same evening
    assert bodies(book).troubles[0].times == 1
    book.add("part_replaced", 30, part="kit", positions=(14,), sides=("front",))
    book.add("inspected", 200, findings=found("14 front drip"))
    (trouble,) = bodies(book).troubles
    assert (trouble.times, trouble.renewed_at) == (2, EVENING + timedelta(hours=30))
    book.add("symptom", 200 + 24 * 366, what="drip", positions=(14,), sides=("front",))
    assert bodies(book, 24 * 400).troubles[0].times == 1


# ---------------------------------------------------------------- renewed, with the hours then


def test_a_renewal_keeps_the_counter_and_knows_the_hours_since(book: Any) -> None:
    book.add("hours_read", 0, counter_h=700.0)
    book.add("part_replaced", 24, part="kit", positions=(14,), sides=("front",), counter_h=710.0, cost=16.5)
    book.add("hours_read", 48, counter_h=720.0)
    (renewal,) = bodies(book).renewals
    assert (renewal.counter_h, renewal.cost, renewal.spots) == (710.0, 16.5, FRONT_14)
    assert renewal.kinds == {PartKind.PLUNGER, PartKind.SPRING, PartKind.SEAL}
    assert renewal.hours["front"].ran_h == pytest.approx(710.0)
    assert renewal.hours["front"].since_h == pytest.approx(10.0)


# ---------------------------------------------------------------- revisions


def test_a_revision_is_fitted_where_it_was_put_until_another_part_comes(book: Any) -> None:
    book.add("revision_fitted", 0, revision="seal-2", sections=(1,))
    assert len(bodies(book).fitted["seal-2"]) == 24
    book.add("part_replaced", 24, part="kit", positions=(3,), sides=("front",))  # of which make, nobody said
    assert (3, "front") not in bodies(book).fitted["seal-2"]
    assert (3, "rear") in bodies(book).fitted["seal-2"]
    book.add("part_replaced", 48, part="body-new", positions=(5,))
    assert not {(5, "front"), (5, "rear")} & bodies(book).fitted["seal-2"]


def test_a_part_that_comes_with_a_revision_fits_it(book: Any) -> None:
    book.add("part_replaced", 0, part="plug", positions=(3, 4))
    assert bodies(book).fitted["plug-2"] == {(3, "front"), (4, "front")}


# ---------------------------------------------------------------- opened


def test_an_opened_body_waits_for_its_connectors(book: Any) -> None:
    book.add("opened", 0, position=7)
    book.add("opened", 1, position=30)
    book.add("connectors_checked", 2, positions=(7,))
    assert [one.position for one in bodies(book).opened] == [30]
    book.add("opened", 3, position=7)
    assert [one.position for one in bodies(book).opened] == [7, 30]
    assert bodies(book).opened[0].at == EVENING + timedelta(hours=3)


def test_a_check_that_names_no_body_counts_only_where_one_was_open(book: Any) -> None:
    book.add("opened", 0, position=7)
    book.add("connectors_checked", 1)
    assert bodies(book).opened == ()
    book.add("opened", 2, position=7)
    book.add("opened", 3, position=8)
    book.add("connectors_checked", 4)
    assert [one.position for one in bodies(book).opened] == [7, 8]
    book.add("connectors_checked", 5, positions=(8,))
    book.add("connectors_checked", 6)
    assert bodies(book).opened == ()


# ---------------------------------------------------------------- spares


def test_spares_are_counted_down_by_repairs(book: Any) -> None:
    assert "kit" not in bodies(book).stock
    book.add("restocked", 0, part="kit", quantity=10)
    book.add("part_replaced", 1, part="kit", positions=(3, 4), sides=("front",))
    book.add("part_replaced", 2, part="kit", positions=(5,))  # both sides
    book.add("part_replaced", 3, part="kit", positions=(6,), quantity=1)
    book.add("part_replaced", 4, part="kit", positions=(7,), from_stock=False)
    assert bodies(book).stock["kit"] == Stock(on_hand=5)


def test_a_body_is_one_part_for_a_position(book: Any) -> None:
    book.add("restocked", 0, part="body-new", quantity=3)
    book.add("part_replaced", 1, part="body-new", positions=(3, 4))
    assert bodies(book).stock["body-new"].on_hand == 1


def test_a_count_says_how_many_lie_there(book: Any) -> None:
    book.add("restocked", 0, part="kit", quantity=10)
    book.add("part_replaced", 1, part="kit", positions=(3,), sides=("front",))
    book.add("restocked", 10, part="kit", quantity=4, is_count=True)
    book.add("part_replaced", 11, part="kit", positions=(3,), sides=("front",))
    assert bodies(book).stock["kit"] == Stock(on_hand=3, counted_at=EVENING + timedelta(hours=10))


def test_more_taken_than_there_was_is_said(book: Any) -> None:
    book.add("restocked", 0, part="kit", quantity=1)
    book.add("part_replaced", 1, part="kit", positions=(3, 4), sides=("front",))
    assert bodies(book).stock["kit"] == Stock(on_hand=0, is_overdrawn=True)


def test_a_count_by_somebody_else_at_the_same_time_is_taken_as_before_the_repair(book: Any) -> None:
    book.add("restocked", 0.03, part="kit", quantity=4, is_count=True, by="tomas")
    book.add("part_replaced", 0, part="kit", positions=(3,), sides=("front",), by="ines")
    assert bodies(book).stock["kit"].on_hand == 3


# ---------------------------------------------------------------- wear


def test_wear_is_kept_by_day_also_when_it_was_mended(book: Any) -> None:
    book.add("inspected", 0, findings=found("14 front seat_worn", "15 rear build_up"))
    book.add("part_replaced", 24, part="seat", positions=(14,), sides=("front",))
    book.add("symptom", 48, what="drip", positions=(14,), sides=("front",))
    assert bodies(book).worn_on == {(14, "front"): {date(2026, 10, 2), date(2026, 10, 3), date(2026, 10, 4)}}


def test_the_last_two_looks_are_kept(book: Any) -> None:
    for after_h, worn in ((0, False), (24, True), (48, False)):
        book.add("inspected", after_h, sections=(2,), findings=found("14 front seat_worn") if worn else ())
    assert [one.is_worn for one in bodies(book).looks[14, "front"]] == [True, False]
    assert [one.is_worn for one in bodies(book).looks[15, "front"]] == [False, False]


# ---------------------------------------------------------------- laws

POSITIONS = st.one_of(st.none(), st.lists(st.integers(1, 6), min_size=1, max_size=3, unique=True).map(tuple))
SIDES = st.sampled_from((None, ("front",), ("rear",), ("front", "rear")))
FINDINGS = st.lists(
    st.builds(
        "{} {} {}{}".format,
        st.integers(1, 6),
        st.sampled_from(("front", "rear")),
        st.sampled_from(("seat_worn", "build_up", "drip", "side_pins_dirty")),
        st.sampled_from(("", " slight")),
    ).map(finding_from_text),
    max_size=3,
).map(tuple)
LINE = st.one_of(
    st.tuples(
        st.just("inspected"),
        st.fixed_dictionaries({"positions": POSITIONS, "sides": SIDES, "findings": FINDINGS}),
    ),
    st.tuples(
        st.just("symptom"),
        st.fixed_dictionaries({"what": st.sampled_from(("drip", "leak")), "positions": POSITIONS, "sides": SIDES}),
    ),
    st.tuples(st.just("damaged"), st.fixed_dictionaries({"what": st.just("struck"), "positions": POSITIONS})),
    st.tuples(
        st.just("part_replaced"),
        st.fixed_dictionaries(
            {
                "part": st.sampled_from(("kit", "seat-ring", "body-new", "seat", "plug")),
                "positions": POSITIONS,
                "sides": SIDES,
            }
        ),
    ),
    st.tuples(st.just("opened"), st.fixed_dictionaries({"position": st.integers(1, 6)})),
    st.tuples(st.just("connectors_checked"), st.fixed_dictionaries({"positions": POSITIONS})),
    st.tuples(
        st.just("revision_fitted"),
        st.fixed_dictionaries({"revision": st.sampled_from(("seal-2", "plug-2")), "positions": POSITIONS}),
    ),
    st.tuples(
        st.just("restocked"),
        st.fixed_dictionaries({"part": st.just("kit"), "quantity": st.integers(0, 9), "is_count": st.booleans()}),
    ),
)
WHEN_H = st.integers(0, 600).map(lambda step: step / 60)
LINES = st.lists(st.tuples(LINE, WHEN_H, st.sampled_from(("ines", "tomas", "odile"))), max_size=10)
laws = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def written(lines: Any) -> Book:
    book = Book(make_machine(sections=(3, 3), boom_width_m=3.0))
    for (kind, told), after_h, who in lines:
        book.add(kind, after_h, by=who, **told)
    return book


def open_spots(now: Bodies) -> set[tuple[str, int, str]]:
    return {(one.what, *spot) for one in now.troubles for spot in one.spots}


def is_no_better(after: Bodies, before: Bodies) -> None:
    assert open_spots(before) <= open_spots(after)
    assert {one.position for one in before.opened} <= {one.position for one in after.opened}
    for revision, spots in after.fitted.items():
        assert spots <= before.fitted[revision]
    for spot in after.looks:
        assert (after.inspected_at(spot) or EVENING) <= (before.inspected_at(spot) or datetime.max.replace(tzinfo=UTC))
    for part, stock in after.stock.items():
        assert stock.on_hand <= before.stock[part].on_hand


@laws
@given(LINES, st.randoms())
def test_the_order_of_arrival_and_repeats_have_no_say(lines: Any, shuffler: Any) -> None:
    book = written(lines)
    before = bodies(book)
    book.entries += book.entries[:3]
    shuffler.shuffle(book.entries)
    assert bodies(book) == before


@laws
@given(LINES, st.one_of(*[st.tuples(LINE, WHEN_H)]))
def test_what_is_seen_never_ends_what_somebody_else_saw(lines: Any, more: Any) -> None:
    """A symptom, a damage or an opened body added to any logbook leaves everything as bad as it was."""
    (kind, told), after_h = more
    if kind not in ("symptom", "damaged", "opened"):
        return
    book = written(lines)
    before = bodies(book)
    book.add(kind, after_h, **told)
    is_no_better(bodies(book), before)


@laws
@given(LINES, st.data())
def test_a_correction_by_who_may_only_raise_doubts_makes_nothing_better(lines: Any, data: Any) -> None:
    book = written(lines)
    if not book.entries:
        return
    before = bodies(book)
    target = data.draw(st.sampled_from(book.entries))
    book.add("voided", 300, entry=target.id, by="ines" if target.by != "ines" else "tomas")
    is_no_better(bodies(book), before)


NEAR = st.sampled_from(
    (
        ("symptom", {"what": "drip", "positions": (1,), "sides": ("front",)}),
        ("inspected", {"positions": (1,), "findings": found("1 front seat_worn")}),
        ("inspected", {}),
        ("part_replaced", {"part": "valve", "positions": (1,)}),
        ("opened", {"position": 1}),
        ("connectors_checked", {"positions": (1,)}),
        ("connectors_checked", {}),
        ("revision_fitted", {"revision": "seal-2", "positions": (1,)}),
        ("part_replaced", {"part": "kit", "positions": (1,)}),
    )
)


@laws
@given(st.lists(st.tuples(NEAR, st.integers(0, 8)), max_size=6), st.lists(st.floats(-2.5, 2.5), min_size=6, max_size=6))
def test_whatever_the_true_order_within_the_clock_doubt_it_is_not_better(lines: Any, slips_min: list[float]) -> None:
    """Clocks of people are off by 2.5 minutes: the truth, told by one clock, is never worse than what is shown."""
    shown = written([(line, after_min / 60, f"p{number}") for number, (line, after_min) in enumerate(lines)])
    told = zip(lines, slips_min, strict=False)
    truth = written([(line, (after_min + slip_min) / 60, "ines") for (line, after_min), slip_min in told])
    assert open_spots(bodies(truth)) <= open_spots(bodies(shown))
    assert {one.position for one in bodies(truth).opened} <= {one.position for one in bodies(shown).opened}
    for revision, spots in bodies(shown).fitted.items():
        assert spots <= bodies(truth).fitted[revision]


def test_every_detail_about_bodies_is_drawn_above() -> None:
    drawn = {"inspected", "symptom", "damaged", "part_replaced", "opened", "connectors_checked"}
    drawn |= {"revision_fitted", "restocked"}
    assert len(drawn) == len(CareDetail.__args__) + 1  # and Opened
    assert {EntryKind(kind) for kind in drawn}


def test_the_parts_of_these_tests_cure_what_they_are_said_to() -> None:
    assert {part.id for part in PARTS} == {"kit", "seat-ring", "plug", "body-new"}
