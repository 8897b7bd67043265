"""Order of arrival, repeats, and clocks that nobody can trust to the minute."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

from carewatch.logbook.entries import Channel
from carewatch.logbook.fold import fold, wet_if_used
from carewatch.logbook.state import Fill
from carewatch.roster.model import PlaceKind

BOTH = ("front", "rear")


def test_a_phone_may_send_twice(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, hours=4.0)
    once = book.fold()
    book.entries.append(replace(book.entries[0], recorded_at=book.entries[0].recorded_at + timedelta(hours=3)))
    assert book.fold() == once


def test_two_people_confirming_the_same_rinse_is_one_rinse(book: Any) -> None:
    book.add("sprayed", -2, sides=BOTH)
    book.add("rinsed", 0, sides=BOTH, by="ines")
    book.add("rinsed", 0.05, sides=BOTH, by="tomas")
    state = book.fold()
    assert state.unrinsed_sides == ()
    assert state.contents["valve.rear"].freezes_at_c == 0.0


def test_entries_of_two_people_within_the_clock_doubt_take_the_worse_order(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, by="gateway", channel=Channel.BRIDGE)
    book.add("rinsed", 4 / 60, sides=BOTH, by="ines")
    assert book.fold().unrinsed_sides == BOTH


def test_air_before_anothers_rinse_within_the_clock_doubt_leaves_it_full(book: Any) -> None:
    book.add("rinsed", 0, sides=BOTH, by="tomas")
    book.add("blown_out", 4 / 60, sides=BOTH, by="ines")
    assert book.fold().contents["valve.front"].fill is Fill.FULL


def test_further_apart_than_the_clock_doubt_the_times_count(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, by="gateway", channel=Channel.BRIDGE)
    book.add("rinsed", 6 / 60, sides=BOTH, by="ines")
    assert book.fold().unrinsed_sides == ()


def test_one_persons_answer_is_taken_in_the_order_of_work(book: Any) -> None:
    book.add("moved", 0, site="yard", place="barn")
    book.add("blown_out", 0, sides=BOTH)
    book.add("rinsed", 0, sides=BOTH)
    book.add("sprayed", 0, sides=BOTH)
    state = book.fold()
    assert state.contents["valve.front"].fill is Fill.POCKETS
    assert state.unrinsed_sides == ()
    assert state.stands.kind is PlaceKind.UNHEATED_SHED


def test_many_entries_in_doubt_still_end_in_the_worst_of_them(book: Any) -> None:
    for number in range(6):
        book.add("sprayed", number / 60, sides=BOTH, by="gateway")
    book.add("rinsed", 6 / 60, sides=BOTH, by="ines")
    book.add("blown_out", 7 / 60, sides=BOTH, by="ines")
    state = book.fold()
    assert state.unrinsed_sides == BOTH
    assert state.contents["valve.front"].fill is Fill.FULL


def test_an_entry_made_offline_counts_from_when_it_happened(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    book.add("rinsed", 1, sides=BOTH, late_h=30.0)
    book.add("sprayed", 20, sides=BOTH)
    assert book.fold(40).unrinsed_sides == BOTH


def test_nothing_happened_after_it_was_recorded(book: Any) -> None:
    entry = book.add("rinsed", 50, sides=BOTH, late_h=-49.0)  # a phone two days ahead, received after one hour
    book.add("sprayed", 3, sides=BOTH)
    state = book.fold(4)
    assert entry.happened_at > state.at
    assert state.unrinsed_sides == BOTH


def test_an_entry_on_behalf_counts_like_any_other(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    rinse = book.add("rinsed", 1, sides=BOTH, by="odile")
    book.entries[-1] = replace(rinse, on_behalf_of="tomas")
    state = book.fold(2)
    assert state.unrinsed_sides == ()
    assert state.contents["valve.front"].who == "odile"


def test_a_confirmation_after_the_freeze_began_is_accepted(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH)
    book.add("blown_out", 9, sides=BOTH)
    assert book.fold(8).contents["valve.front"].fill is Fill.FULL
    assert book.fold(10).contents["valve.front"].fill is Fill.POCKETS


def test_other_machines_entries_tell_nothing(book: Any) -> None:
    rinse = book.add("rinsed", 0, sides=BOTH)
    book.entries[0] = replace(rinse, machine="egret")
    assert book.fold().contents["valve.front"].known_by == "assumed"


def test_if_it_sprays_today_it_is_wet_and_outdoors(book: Any) -> None:
    book.add("antifreeze_run", 0, fluid="pg", sides=BOTH, strength_vol_pct=50.0, litres=600.0)
    book.add("moved", 1, site="yard", place="shop")
    at = book.entries[-1].happened_at + timedelta(hours=1)
    state = wet_if_used(book.machine, book.roster, book.entries, at=at, used_at=at + timedelta(hours=6))
    assert state.contents["valve.front"].freezes_at_c == 0.0
    assert state.stands.kind is PlaceKind.OUTDOORS
    assert state.at == at + timedelta(hours=6)
    assert fold(book.machine, book.roster, book.entries, at=at).stands.kind is PlaceKind.HEATED_SHOP


def test_in_a_chain_of_doubts_the_ends_keep_their_order(book: Any) -> None:
    book.add("sprayed", 0, sides=BOTH, by="gateway")
    book.add("filled", 4 / 60, liquid="water", where=("rinse_tank",), by="tomas")
    book.add("rinsed", 8 / 60, sides=BOTH, by="ines")
    assert book.fold().unrinsed_sides == ()
