"""After a nozzle body was opened its connectors are checked before the next start; only the check closes that."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from carewatch.duties.dry_connectors import TAKES, listed_positions
from carewatch.duties.duty import DutyKind, DutyState
from tests.notices.farm import OWEN, PIA, Farm, fleet

DRY = DutyKind.DRY_CONNECTORS


@pytest.fixture
def made() -> Farm:
    """A farm where a body was looked into on a Friday afternoon in the field."""
    farm = Farm(fleets=(fleet(),), now=datetime(2026, 10, 2, 19, 0, tzinfo=UTC))  # 14:00 in Chicago
    farm.log("14:10", "opened", position=7, text="blocked")
    farm.run("14:20")
    return farm


def test_an_opened_body_opens_the_duty_for_its_day(made: Farm) -> None:
    duty = made.duty(DRY)
    assert (duty.state, duty.night, duty.due_at) == (DutyState.OPEN, date(2026, 10, 2), made.at("14:10") + TAKES)
    assert duty.because == ("The connectors of position 7 have not been checked since the body was opened.",)


def test_opening_changes_no_freeze_state_and_sends_nothing(made: Farm) -> None:
    before = Farm(fleets=(fleet(),), now=made.now).facts().machines[0].state.contents
    assert {part: (one.fill, one.freezes_at_c) for part, one in made.facts().machines[0].state.contents.items()} == {
        part: (one.fill, one.freezes_at_c) for part, one in before.items()
    }
    assert made.notices == []


def test_only_the_check_of_that_body_closes_it(made: Farm) -> None:
    made.log("14:30", "connectors_checked", positions=(8,))
    made.log("14:40", "rinsed", sides=("front", "rear"))
    made.run("14:45")
    assert made.duty(DRY).state is DutyState.OPEN
    made.log("14:50", "connectors_checked", positions=(7,))
    made.run("15:00")
    assert made.duty(DRY).state is DutyState.DONE


def test_several_bodies_of_a_day_are_one_duty_that_waits_for_the_last(made: Farm) -> None:
    made.log("15:00", "opened", position=8)
    made.log("15:10", "connectors_checked", positions=(7,))
    made.run("15:20")
    assert [duty.key for duty in made.ledger.values() if duty.kind is DRY] == [made.duty(DRY).key]
    assert (made.duty(DRY).state, made.duty(DRY).due_at) == (DutyState.OPEN, made.at("15:00") + TAKES)
    assert "position 8" in made.duty(DRY).because[0]


def test_opened_again_after_the_check_it_is_open_again(made: Farm) -> None:
    made.log("14:50", "connectors_checked", positions=(7,))
    made.log("16:00", "opened", position=7)
    made.run("16:10")
    assert made.duty(DRY).state is DutyState.OPEN
    assert made.duty(DRY).opened_at == made.at("16:00")


def test_sprayed_without_the_check_it_says_so_and_stays_open(made: Farm) -> None:
    made.log("18:00", "sprayed", product="mix", sides=("front", "rear"))
    made.run("18:10")
    assert made.duty(DRY).state is DutyState.OPEN
    assert "It has sprayed since" in made.duty(DRY).because[1]


def test_a_promise_holds_until_its_time_and_no_longer(made: Farm) -> None:
    key = made.duty(DRY).key
    made.log("14:30", "assigned", duty=key, to=PIA)
    made.log("14:31", "promised", duty=key, by_at=made.at("17:00"), by=PIA)
    made.run("14:40")
    assert (made.duty(DRY).state, made.duty(DRY).assigned_to) == (DutyState.PROMISED, PIA)
    made.run("17:05", every=timedelta(minutes=5))
    assert made.duty(DRY).state is DutyState.OPEN


def test_left_as_it_is_by_decision_it_is_accepted(made: Farm) -> None:
    made.log("14:30", "risk_accepted", duty=made.duty(DRY).key, by=OWEN)
    made.run("14:40")
    assert made.duty(DRY).state is DutyState.ACCEPTED


def test_a_sold_machine_needs_no_check(made: Farm) -> None:
    made.log("15:00", "retired")
    made.run("15:10")
    assert made.duty(DRY).state is DutyState.CANCELLED


def test_opened_again_on_another_day_the_first_duty_passes_on(made: Farm) -> None:
    first = made.duty(DRY).key
    made.log("2026-10-03 09:00", "opened", position=7)
    made.run("2026-10-03 09:10")
    assert made.ledger[first].state is DutyState.CANCELLED
    assert (made.duty(DRY).night, made.duty(DRY).state) == (date(2026, 10, 3), DutyState.OPEN)


def test_after_two_weeks_it_is_lapsed_for_good(made: Farm) -> None:
    made.run("2026-10-20 12:00", every=timedelta(hours=12))
    assert made.duty(DRY).state is DutyState.LAPSED
    made.ledger.clear()  # the ledger forgets what came to rest
    made.look()
    assert not [duty for duty in made.ledger.values() if duty.kind is DRY]


def test_running_the_plan_twice_adds_nothing(made: Farm) -> None:
    assert [duty for duty in made.plan().duties if duty.kind is DRY] == []


@pytest.mark.parametrize(
    ("positions", "words"),
    [
        ((), ""),
        ((7,), "7"),
        ((30, 7), "7 and 30"),
        ((3, 4), "3 and 4"),
        ((3, 4, 5, 6, 12), "3 to 6 and 12"),
        ((1, 3, 5, 6), "1, 3, 5 and 6"),
    ],
)
def test_positions_are_listed_as_people_say_them(positions: tuple[int, ...], words: str) -> None:
    assert listed_positions(positions) == words
