"""What entries make of contents."""

from __future__ import annotations

from typing import Any

from carewatch.logbook.state import Fill


def point(state: Any, part: str) -> float:
    return float(state.contents[part].freezes_at_c)


def test_a_machine_nobody_reported_counts_as_full_of_water(book: Any) -> None:
    state = book.fold()
    assert set(state.contents) == set(book.machine.wetted_parts)
    for contents in state.contents.values():
        assert contents.freezes_at_c == 0.0
        assert contents.fill is Fill.FULL
        assert contents.known_by == "assumed"
        assert contents.who is None


def test_spraying_wets_the_valves_of_both_sides(book: Any) -> None:
    book.add("antifreeze_run", 0, fluid="pg", sides=("front", "rear"), strength_vol_pct=50.0, litres=600.0)
    book.add("sprayed", 2, sides=("front",), product="herbicide")
    state = book.fold()
    assert point(state, "valve.front") == point(state, "valve.rear") == 0.0
    assert state.unrinsed_sides == ("front", "rear")
