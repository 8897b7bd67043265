"""Spray hours per side, and use that only the counter tells of."""

from __future__ import annotations

from typing import Any

import pytest

from carewatch.logbook.entries import Channel
from carewatch.logbook.wear import wear_factor

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


def test_a_first_reading_of_one_side_forgets_nothing_the_counter_for_all_told(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    book.add("hours_read", 2000, counter_h=800.0)
    book.add("hours_read", 2010, counter_h=5.0, side="rear")
    book.add("hours_read", 2030, counter_h=11.0, side="rear")
    assert hours(book, 2040) == pytest.approx((800.0, 806.0))


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


# ---------------------------------------------------------------- counters that programs deliver


def task(book: Any, hour: float, run_h: float, name: str = "task 1", **changes: Any) -> Any:
    told = {"counter_h": run_h, "counter": name, "from_zero": True} | changes
    return book.add("hours_read", hour, channel=Channel.FILE, **told)


def test_a_task_counter_is_added_only_within_its_task(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    task(book, 24, 5.0, "task 1")
    task(book, 30, 7.0, "task 1")
    task(book, 48, 3.0, "task 2")
    assert hours(book) == pytest.approx((110.0, 110.0))
    assert book.fold(60).counter_restarts == ()


def test_a_counter_of_a_program_never_reads_as_the_one_people_read(book: Any) -> None:
    for day in range(5):
        book.add("hours_read", 24.0 * day, counter_h=812.0 + 4 * day)
        book.add("hours_read", 24.0 * day + 1, counter_h=640.0 + 4 * day, counter="terminal", channel=Channel.FILE)
    state = book.fold(200)
    assert state.spray_hours["front"] == pytest.approx(828.0)
    assert state.counter_restarts == ()


def test_hand_and_file_of_one_day_are_not_added_even_where_they_do_not_meet(book: Any) -> None:
    task(book, -6, 3.0, "task 1")
    task(book, -1, 4.0, "task 2")
    book.add("sprayed", 2, hours=2.0)
    assert hours(book) == pytest.approx((7.0, 7.0))


def test_a_task_explains_what_the_lifetime_counter_went_on(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    task(book, 20, 4.0)
    book.add("rinsed", 21, sides=BOTH)
    book.add("hours_read", 22, counter_h=104.0)
    assert book.fold(23).unrinsed_sides == ()


def test_a_task_nobody_wrote_down_means_product_inside(book: Any) -> None:
    book.add("rinsed", -10, sides=BOTH)
    reading = task(book, 0, 0.2)
    state = book.fold(1)
    assert state.unrinsed_sides == BOTH
    assert state.contents["valve.rear"].known_by == reading.id


def test_a_reading_of_a_side_the_machine_has_not_any_more_means_nothing(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0, side="middle")
    book.add("hours_read", 48, counter_h=120.0, side="middle")
    state = book.fold(60)
    assert state.last_sprayed_at is None
    assert state.spray_hours == {"front": 0.0, "rear": 0.0}


def test_hours_in_working_position_are_marked_as_estimated(book: Any) -> None:
    task(book, 0, 3.0)
    assert not book.fold(1).hours.has_estimates
    task(book, 24, 3.0, "task 2", is_estimate=True)
    assert book.fold(25).hours.has_estimates


def test_a_counter_that_ran_faster_than_time_is_cut_and_flagged(book: Any) -> None:
    book.add("hours_read", 0, counter_h=812.0)
    slip = book.add("hours_read", 24, counter_h=8130.0)
    state = book.fold(30)
    assert state.spray_hours["front"] == pytest.approx(812.0 + 25.0)
    (odd,) = state.hours.breaks
    assert (odd.entry, odd.is_back, odd.was_h, odd.now_h) == (slip.id, False, 812.0, 8130.0)
    assert state.counter_restarts == ()


def test_a_restart_says_what_the_counter_showed_and_who_read_it(book: Any) -> None:
    book.add("hours_read", 0, counter_h=500.0, side="rear")
    book.add("hours_read", 100, counter_h=2.0, side="rear")
    (odd,) = book.fold(200).hours.breaks
    assert (odd.side, odd.was_h, odd.now_h, odd.who) == ("rear", 500.0, 2.0, "ines")


# ---------------------------------------------------------------- wear, inspection, pace


@pytest.mark.parametrize(
    ("product", "own", "factor"),
    [
        ("herbicide", {}, 1.0),
        ("Lime slurry", {}, 1.5),
        ("micronutrients", {}, 1.5),
        ("sublime", {}, 1.0),
        ("lime", {"lime": 1.0}, 1.0),
        ("copper mix", {"copper": 2.0}, 2.0),
        ("copper and sulfur", {"copper": 2.0, "sulfur": 3.0}, 3.0),
    ],
)
def test_abrasive_products_weigh_more_and_the_fleet_has_the_last_word(product, own, factor):
    assert wear_factor(product, own) == factor


def test_both_numbers_are_kept(book: Any) -> None:
    book.add("sprayed", 0, hours=4.0, product="lime")
    book.add("sprayed", 24, hours=6.0, product="herbicide")
    found = book.fold(30).hours
    assert found.by_side["front"] == pytest.approx(10.0)
    assert found.weighted_by_side["front"] == pytest.approx(4.0 * 1.5 + 6.0)


def test_a_counter_is_weighed_by_the_products_written_down_between(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    book.add("sprayed", 10, hours=2.0, product="lime", sides=BOTH)
    book.add("hours_read", 20, counter_h=110.0)
    assert book.fold(30).hours.weighted_by_side["front"] == pytest.approx(100.0 + 2 * 1.5 + 8)


def test_a_job_without_hours_takes_what_is_left_of_the_counter(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    book.add("sprayed", 10, hours=2.0, product="herbicide")
    book.add("sprayed", 15, product="lime")
    book.add("hours_read", 20, counter_h=110.0)
    assert book.fold(30).hours.weighted_by_side["front"] == pytest.approx(100.0 + 2 + 8 * 1.5)


def test_an_inspection_counts_from_where_the_counter_stood_then(book: Any) -> None:
    book.add("hours_read", 0, counter_h=700.0)
    book.add("inspected", 24)
    book.add("hours_read", 48, counter_h=720.0)
    found = book.fold(60).hours
    assert found.since_inspection["front"] == pytest.approx(10.0)
    assert found.by_side["front"] == pytest.approx(720.0)


def test_never_inspected_counts_all_it_ever_ran(book: Any) -> None:
    book.add("hours_read", 0, counter_h=700.0)
    assert book.fold(1).hours.since_inspection["front"] == 700.0


def test_one_position_looked_at_is_no_inspection_of_the_machine(book: Any) -> None:
    book.add("hours_read", 0, counter_h=700.0)
    book.add("inspected", 24, positions=(7,))
    assert book.fold(60).hours.inspected_at is None


def test_an_inspection_that_somebody_else_took_back_does_not_count(book: Any) -> None:
    book.add("hours_read", 0, counter_h=700.0)
    looked = book.add("inspected", 24)
    book.add("voided", 40, entry=looked.id, by="tomas")
    assert book.fold(60).hours.inspected_at is None


def test_the_pace_is_that_of_the_last_four_weeks(book: Any) -> None:
    book.add("hours_read", 0, counter_h=100.0)
    book.add("hours_read", 24 * 100, counter_h=200.0)
    book.add("hours_read", 24 * 128, counter_h=340.0)
    assert book.fold(24 * 130).hours.a_day == pytest.approx(5.0)


def test_a_first_day_does_not_stand_for_every_day(book: Any) -> None:
    book.add("sprayed", 0, hours=7.0)
    assert book.fold(1).hours.a_day == pytest.approx(1.0)
