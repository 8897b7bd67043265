"""Shifts after which product stayed in the valves are counted, once another shift followed."""

from __future__ import annotations

from typing import Any

from carewatch.logbook.missed import Rinses, rinses_of
from carewatch.logbook.order import in_order

BOTH = ("front", "rear")


def rinses(book: Any) -> Rinses:
    return rinses_of(book.machine, in_order(book.entries))


def spray(book: Any, after_h: float) -> None:
    book.add("sprayed", after_h, sides=BOTH, hours=3.0)


def test_a_shift_is_counted_when_the_next_one_begins(book: Any) -> None:
    spray(book, 0)
    assert rinses(book) == Rinses(shifts=0)
    spray(book, 24)
    assert rinses(book) == Rinses(shifts=1, missed=1)


def test_one_side_is_half_and_both_are_none(book: Any) -> None:
    spray(book, 0)
    book.add("rinsed", 1, sides=("front",))
    spray(book, 24)
    book.add("rinsed", 25, sides=("front",))
    book.add("rinsed", 26, sides=("rear",))
    spray(book, 48)
    assert rinses(book) == Rinses(shifts=2, half=1)


def test_too_little_water_is_no_rinse(book: Any) -> None:
    spray(book, 0)
    book.add("rinsed", 1, sides=BOTH, litres=20.0)
    spray(book, 24)
    assert rinses(book).missed == 1


def test_two_jobs_of_one_shift_need_one_rinse(book: Any) -> None:
    spray(book, 0)
    spray(book, 5)  # it began two hours after the first ended
    book.add("rinsed", 6, sides=BOTH)
    spray(book, 30)
    assert rinses(book) == Rinses(shifts=1)
