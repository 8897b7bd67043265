"""Corrections: they raise the risk at once and lower it only from the right hands."""

from __future__ import annotations

from typing import Any

import pytest

from carewatch.roster.model import PlaceKind

BOTH = ("front", "rear")


def unrinsed(book: Any, after_h: float = 10.0) -> tuple[str, ...]:
    return tuple(book.fold(after_h).unrinsed_sides)


@pytest.mark.parametrize("by", ["ines", "odile", "tomas", "bruno", "nobody"])
def test_anybody_may_raise_the_risk_by_voiding_a_rinse(book: Any, by: str) -> None:
    book.add("sprayed", 0, sides=BOTH)
    rinse = book.add("rinsed", 1, sides=BOTH)
    book.add("voided", 5, by=by, entry=rinse.id)
    assert unrinsed(book) == BOTH


@pytest.mark.parametrize(
    ("by", "after_h", "lowers"),
    [
        ("ines", 1.0, True),  # the author within an hour
        ("ines", 1.1, False),
        ("tomas", 0.5, False),
        ("odile", 500.0, True),  # a manager of the fleet
        ("bruno", 0.5, False),  # a manager elsewhere
        ("nobody", 0.1, False),
    ],
)
def test_voiding_a_spraying_lowers_risk_only_from_author_in_time_or_manager(
    book: Any, by: str, after_h: float, lowers: bool
) -> None:
    book.add("rinsed", -1, sides=BOTH)
    sprayed = book.add("sprayed", 0, sides=BOTH)
    book.add("voided", after_h, by=by, entry=sprayed.id)
    state = book.fold(600)
    assert (state.unrinsed_sides == ()) is lowers
    assert (state.last_sprayed_at is None) is lowers


def test_an_answer_for_the_wrong_machine_can_be_undone_by_its_author(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    wrong = book.add("blown_out", 1, sides=BOTH)
    book.add("voided", 1.2, entry=wrong.id)
    assert book.fold(2).contents["valve.front"].known_by == "e1"


def test_a_correction_can_itself_be_corrected(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    rinse = book.add("rinsed", 1, sides=BOTH)
    slip = book.add("voided", 2, entry=rinse.id)
    book.add("voided", 2.5, entry=slip.id)
    assert unrinsed(book) == ()


def test_a_stranger_cannot_undo_a_correction(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    rinse = book.add("rinsed", 1, sides=BOTH)
    correction = book.add("voided", 1.5, entry=rinse.id)
    book.add("voided", 2.5, by="tomas", entry=correction.id)
    assert unrinsed(book) == BOTH


def test_a_correction_of_a_later_or_unknown_entry_does_nothing(book: Any) -> None:
    book.add("voided", 0, by="odile", entry="e3")
    book.add("voided", 0, by="odile", entry="nowhere")
    book.add("rinsed", 1, sides=BOTH)
    assert book.fold(2).contents["valve.front"].known_by == "e3"


def test_a_stranger_voiding_a_use_does_not_bring_the_machine_back_indoors(book: Any) -> None:
    book.add("moved", 0, site="yard", place="barn")
    use = book.add("sprayed", 1, sides=BOTH)
    book.add("voided", 2, by="tomas", entry=use.id)
    assert book.fold(3).stands.kind is PlaceKind.OUTDOORS


def test_a_stranger_voiding_the_move_takes_the_shelter_away(book: Any) -> None:
    moved = book.add("moved", 0, site="yard", place="barn")
    book.add("voided", 2, by="tomas", entry=moved.id)
    assert book.fold(3).stands.kind is PlaceKind.OUTDOORS


def test_a_stranger_voiding_the_season_end_or_the_sale_brings_the_machine_back(book: Any) -> None:
    ended = book.add("season_ended", 0)
    sold = book.add("retired", 0)
    book.add("voided", 2, by="tomas", entry=ended.id)
    book.add("voided", 2, by="tomas", entry=sold.id)
    state = book.fold(3)
    assert not state.season_ended
    assert not state.is_retired
