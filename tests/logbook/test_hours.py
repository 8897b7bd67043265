"""Spray hours per side, and use that only the counter tells of."""

from __future__ import annotations

from typing import Any

import pytest

from carewatch.logbook.entries import Channel

BOTH = ("front", "rear")


def hours(book: Any, after_h: float = 2000.0) -> tuple[float, float]:
    found = book.fold(after_h).spray_hours
    return found["front"], found["rear"]


def test_written_hours_count_for_the_sides_that_were_open(book: Any) -> None:
    book.add("sprayed", 0, hours=3.0, sides=("front",))
    book.add("sprayed", 24, hours=2.0, sides=BOTH)
    book.add("sprayed", 48, hours=1.0)
    assert hours(book) == (6.0, 3.0)


def test_a_first_reading_is_what_the_machine_had_run_before(book: Any) -> None:
    book.add("hours_read", 0, counter_h=812.5)
    assert hours(book) == (812.5, 812.5)


def test_counter_and_written_hours_of_one_day_are_never_added(book: Any) -> None:
    book.add("hours_read", -24, counter_h=100.0)
    book.add("sprayed", 0, hours=8.0, sides=BOTH)
    book.add("hours_read", 0.5, counter_h=108.2)
    assert hours(book) == pytest.approx((108.2, 108.2))


def test_hours_written_after_the_reading_that_covers_them_are_not_added(book: Any) -> None:
    book.add("hours_read", -24, counter_h=100.0)
    book.add("hours_read", 0, counter_h=108.0)
    book.add("sprayed", 0.5, hours=8.0, sides=BOTH)
    assert hours(book) == pytest.approx((108.0, 108.0))


def test_a_counter_value_given_with_the_spraying_is_a_reading(book: Any) -> None:
    book.add("sprayed", 0, hours=5.0, counter_h=105.0, sides=BOTH)
    book.add("sprayed", 24, hours=5.0, counter_h=110.0, sides=BOTH)
    assert hours(book) == pytest.approx((110.0, 110.0))


def test_hand_and_file_on_one_day_are_not_added(book: Any) -> None:
    book.add("sprayed", 0, hours=7.5, sides=BOTH, channel=Channel.PAGE)
    book.add("sprayed", 0.2, hours=8.0, sides=BOTH, channel=Channel.BRIDGE, by="gateway")
    assert hours(book) == (8.0, 8.0)


def test_two_spells_by_hand_on_one_day_are_added(book: Any) -> None:
    book.add("sprayed", 0, hours=3.0, sides=BOTH)
    book.add("sprayed", 3, hours=2.0, sides=BOTH)
    assert hours(book) == (5.0, 5.0)


def test_a_counter_going_backwards_keeps_the_total_and_is_flagged(book: Any) -> None:
    book.add("hours_read", 0, counter_h=500.0)
    swapped = book.add("hours_read", 100, counter_h=2.0)
    book.add("hours_read", 200, counter_h=12.0)
    state = book.fold(300)
    assert state.spray_hours["front"] == pytest.approx(510.0)
    assert state.counter_restarts == (swapped.id,)


def test_one_counter_step_back_is_no_restart(book: Any) -> None:
    book.add("hours_read", 0, counter_h=500.05)
    book.add("hours_read", 1, counter_h=500.0)
    assert book.fold(2).counter_restarts == ()


def test_each_side_may_have_its_own_counter(book: Any) -> None:
    book.add("hours_read", 0, counter_h=300.0, side="front")
    book.add("hours_read", 0, counter_h=200.0, side="rear")
    assert hours(book) == (300.0, 200.0)


def test_the_worked_year_of_a_machine_adds_up(book: Any) -> None:
    for day in range(100):
        book.add("sprayed", 24.0 * day, hours=6.0, sides=BOTH if day % 2 else ("front",))
    assert hours(book, 24.0 * 100) == pytest.approx((600.0, 300.0))


# ---------------------------------------------------------------- use nobody wrote down


def test_hours_advancing_without_an_entry_mean_product_inside(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    book.add("rinsed", 1, sides=BOTH)
    book.add("antifreeze_run", 2, fluid="pg", sides=BOTH, strength_vol_pct=50.0, litres=600.0)
    reading = book.add("hours_read", 48, counter_h=103.0)
    state = book.fold(49)
    assert state.unrinsed_sides == BOTH
    assert state.contents["valve.front"].freezes_at_c == 0.0
    assert state.contents["valve.front"].known_by == reading.id
    assert state.last_sprayed_at is not None


def test_hours_that_the_entries_explain_are_no_new_use(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    book.add("sprayed", 8, sides=BOTH, hours=7.8)
    book.add("rinsed", 9, sides=BOTH)
    book.add("hours_read", 10, counter_h=108.0)
    assert book.fold(11).unrinsed_sides == ()


def test_spraying_without_hours_explains_any_advance(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    book.add("sprayed", 8, sides=BOTH)
    book.add("rinsed", 9, sides=BOTH)
    book.add("hours_read", 10, counter_h=108.0)
    assert book.fold(11).unrinsed_sides == ()


def test_half_an_hour_is_rounding_not_use(book: Any) -> None:
    book.add("rinsed", -1, sides=BOTH)
    book.add("hours_read", 0, counter_h=100.0)
    book.add("hours_read", 24, counter_h=100.5)
    assert book.fold(25).last_sprayed_at is None


def test_one_evening_answer_gives_the_rinse_and_the_reading_of_the_work_before_it(book: Any) -> None:
    book.add("hours_read", -24, counter_h=100.0)
    book.add("rinsed", 0, sides=BOTH)
    book.add("hours_read", 0, counter_h=107.0)
    state = book.fold(1)
    assert state.unrinsed_sides == ()
    assert state.last_sprayed_at is not None
    assert state.contents["valve.front"].liquid.name == "water"
