"""The worst-wearing bodies are opened first; wear is shown along the boom with its change."""

from __future__ import annotations

from math import ceil

from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.duties.upkeep.sampling import SHARE, sample_plan, section_steps, wear_along_boom
from tests.duties.upkeep.boom import bodies, book_of, found


def positions(book) -> list[int]:
    return [spot.position for spot in sample_plan(book.machine, bodies(book))]


def test_without_any_history_the_ends_come_first_and_every_section_is_in_it() -> None:
    book = book_of()
    plan = sample_plan(book.machine, bodies(book))
    assert positions(book)[:2] == [1, 72]
    assert {spot.section for spot in plan} == {1, 2, 3, 4, 5}
    assert len(plan) == ceil(SHARE * 72)


def test_worn_now_comes_before_worn_often_before_never_looked_at() -> None:
    book = book_of()
    book.add("inspected", 0, sections=(1, 2, 3, 4), findings=found("30 front seat_worn"))
    for day in (1, 2):
        book.add("symptom", 24.0 * day, what="drip", positions=(40,), sides=("rear",))
    book.add("part_replaced", 24.0 * 3, part="kit", positions=(40,), sides=("rear",))
    assert positions(book)[:3] == [30, 40, 72]


def test_looked_at_longest_ago_comes_before_looked_at_lately() -> None:
    book = book_of()
    book.add("inspected", 0)
    book.add("inspected", 24, positions=tuple(range(1, 73, 2)))
    assert all(position % 2 == 0 for position in positions(book)[:10])


def test_wear_is_shown_by_section_and_side_with_its_change() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front seat_worn"), sections=(2,))
    book.add("part_replaced", 1, part="seat", positions=(14,), sides=("front",))
    book.add("inspected", 500, findings=found("14 front drip", "15 front seal_worn", "16 front drip"), sections=(2,))
    front, rear = (wear for wear in wear_along_boom(book.machine, bodies(book)) if wear.section == 2)
    # 12 bodies: 1 worn, then 3
    assert (front.looked, front.worn, front.worn_before) == (12, 3, 1)
    assert (front.share, front.change) == (0.25, 0.25 - 1 / 12)
    assert (rear.share, rear.change) == (0.0, 0.0)
    untouched = wear_along_boom(book.machine, bodies(book))[0]
    assert (untouched.share, untouched.change) == (None, None)


def test_dirt_is_no_wear() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front build_up"), sections=(2,))
    assert all(not wear.worn for wear in wear_along_boom(book.machine, bodies(book)))


# Common practice, no published source: more than 10 to 15 % of the bodies of a section fail: renew the section.
def test_a_sample_with_failures_asks_for_the_whole_section_and_a_bad_section_for_a_new_set() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front seat_worn"), positions=(13, 14, 15))
    (step,) = section_steps(book.machine, bodies(book))
    assert (step.section, step.looked, step.failed, step.look_at_all, step.renew_all) == (2, 3, 1, True, False)
    book.add("inspected", 1, sections=(2,))
    assert section_steps(book.machine, bodies(book)) == ()  # 1 of 12 is 8 %
    book.add("inspected", 2, findings=found("15 rear seat_worn"), sections=(2,))
    (step,) = section_steps(book.machine, bodies(book))  # 2 of 12 is 17 %
    assert (step.failed, step.look_at_all, step.renew_all) == (2, False, True)


def test_slight_wear_is_no_failure() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front seat_worn slight"), positions=(14,))
    assert section_steps(book.machine, bodies(book)) == ()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 30), min_size=1, max_size=8).map(tuple), st.sets(st.integers(1, 5), max_size=3))
def test_a_sample_has_every_section_and_everything_worn_that_fits(sections: tuple[int, ...], worn: set[int]) -> None:
    book = book_of(sections=sections, boom_width_m=0.5 * sum(sections))
    worn = {position for position in worn if position <= sum(sections)}
    if worn:
        book.add("inspected", 0, findings=found(*(f"{position} front seat_worn" for position in worn)))
    plan = sample_plan(book.machine, bodies(book))
    assert {spot.section for spot in plan} == set(range(1, len(sections) + 1))
    assert len(plan) == len({spot.position for spot in plan}) == max(len(sections), ceil(SHARE * sum(sections)))
    first_calm = next((place for place, spot in enumerate(plan) if not spot.is_worn_now), len(plan))
    assert all(not spot.is_worn_now for spot in plan[first_calm:])
