"""The fewest hours that agree with every piece of evidence, held against two other ways to find them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from carewatch.logbook.pieces import Piece, added_up, fewest_hours, spell

START = datetime(2026, 5, 1, tzinfo=UTC)


def piece(start: int | None, end: int, hours: float) -> Piece:
    began_at = None if start is None else START + timedelta(hours=start)
    return Piece(started_at=began_at, ended_at=START + timedelta(hours=end), hours=hours)


@st.composite
def evidence(draw) -> list[Piece]:
    spans = draw(st.lists(st.tuples(st.integers(0, 30), st.integers(1, 12), st.integers(1, 20)), max_size=8))
    return [piece(start, start + length, float(hours)) for start, length, hours in spans]


def total(pieces) -> float:
    return sum(one.hours for one in pieces)


def _are_apart(some: tuple[Piece, ...]) -> bool:
    ordered = sorted(some, key=lambda one: one.started_at)
    return all(one.ended_at <= other.started_at for one, other in pairwise(ordered))


@given(evidence())
@settings(max_examples=150, deadline=None)
def test_they_are_the_best_of_all_sets_that_do_not_overlap(told):
    best = max(
        (total(some) for size in range(len(told) + 1) for some in combinations(told, size) if _are_apart(some)),
        default=0.0,
    )
    chosen = fewest_hours(told)
    assert _are_apart(chosen)
    assert total(chosen) == pytest.approx(best)


@given(evidence().filter(bool))
@settings(max_examples=60, deadline=None)
def test_no_way_of_running_agrees_with_all_evidence_in_fewer_hours(told):
    # The linear program itself: hours x >= 0 in each hour of the clock, every span's sum at least what was seen there.
    ends = [(round((one.started_at - START) / timedelta(hours=1)), one) for one in told]
    least = np.zeros((len(told), 48))
    for row, (first, one) in enumerate(ends):
        last = round((one.ended_at - START) / timedelta(hours=1))
        least[row, first:last] = -1.0
    solved = linprog(np.ones(48), A_ub=least, b_ub=[-one.hours for one in told], bounds=(0, None))
    assert total(fewest_hours(told)) == pytest.approx(solved.fun)


@given(evidence(), st.integers(0, 30), st.integers(1, 12), st.integers(1, 20))
@settings(max_examples=80, deadline=None)
def test_more_evidence_never_makes_fewer_hours(told, start, length, hours):
    more = [*told, piece(start, start + length, float(hours))]
    assert total(fewest_hours(more)) >= total(fewest_hours(told))


@given(evidence().flatmap(lambda told: st.tuples(st.just(told), st.permutations(told))))
@settings(max_examples=60, deadline=None)
def test_the_order_of_arrival_has_no_say(both):
    told, shuffled = both
    assert total(fewest_hours(told)) == pytest.approx(total(fewest_hours(shuffled)))


def test_what_ran_before_the_first_reading_covers_everything_before_it():
    assert total(fewest_hours([piece(None, 10, 800.0), piece(2, 8, 6.0), piece(10, 20, 5.0)])) == 805.0


def test_one_hand_that_writes_two_jobs_of_the_same_hours_means_both():
    first, second = spell(START, 8.0), spell(START + timedelta(minutes=5), 2.0)
    (both,) = added_up([first, second])
    assert (both.hours, both.started_at, both.ended_at) == (10.0, first.started_at, second.ended_at)


@pytest.mark.parametrize(("at", "share"), [(0, 1.0), (5, 0.5), (10, 0.0), (-3, 1.0), (12, 0.0)])
def test_hours_lie_evenly_in_their_span(at, share):
    assert piece(0, 10, 4.0).share_after(START + timedelta(hours=at)) == pytest.approx(share)
