"""Shifts of spraying: a gap of four hours starts a new one, midnight does not."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

BOTH = ("front", "rear")


def test_a_night_shift_past_midnight_is_one_shift(book: Any) -> None:
    first = book.add("sprayed", 0, hours=2.0)
    book.add("sprayed", 4, hours=2.0)
    last = book.add("sprayed", 8.5, hours=3.0)  # 02:30 the next day
    state = book.fold(12)
    assert state.last_shift_started_at == first.happened_at - timedelta(hours=2)
    assert state.last_sprayed_at == last.happened_at


@pytest.mark.parametrize(("gap_h", "is_new"), [(3.9, False), (4.0, True)])
def test_a_gap_of_four_hours_starts_a_new_shift(book: Any, gap_h: float, is_new: bool) -> None:
    first = book.add("sprayed", 0)
    second = book.add("sprayed", gap_h)
    assert book.fold(20).last_shift_started_at == (second if is_new else first).happened_at


def test_hours_given_close_the_gap(book: Any) -> None:
    first = book.add("sprayed", 0)
    book.add("sprayed", 8, hours=5.0)
    assert book.fold(20).last_shift_started_at == first.happened_at


def test_the_last_product_and_opened_sides_are_those_of_the_last_spraying(book: Any) -> None:
    book.add("sprayed", 0, product="herbicide", sides=BOTH)
    book.add("sprayed", 2, product="uan 28", sides=("rear",))
    state = book.fold(20)
    assert (state.last_product, state.last_opened_sides) == ("uan 28", ("rear",))


def test_a_rinse_belongs_to_the_shift_it_follows(book: Any) -> None:
    book.add("sprayed", 8.5, hours=6.0)
    book.add("rinsed", 9, sides=BOTH)
    assert book.fold(13).unrinsed_sides == ()


def test_the_last_word_is_the_latest_entry_of_any_kind(book: Any) -> None:
    book.add("sprayed", 0)
    note = book.add("note", 5, text="parked")
    assert book.fold(20).last_word_at == note.happened_at
