"""Symptoms get their likely causes in the order of the trade, what to try, and the part to take."""

from __future__ import annotations

import pytest

from carewatch.duties.upkeep.causes import CAUSES, advice_on
from carewatch.duties.upkeep.cautions import AFTER_OPENING, BEFORE_OPENING
from carewatch.logbook.findings import SYMPTOM_CURED_BY, SymptomKind
from carewatch.roster.parts import PartKind
from tests.duties.upkeep.boom import bodies, book_of, fleet_of, found

MOVING_PART, CONNECTOR, COIL = PartKind.PLUNGER, PartKind.SIDE_CONNECTOR, PartKind.COIL


def order(symptom: SymptomKind) -> list[PartKind]:
    return [kind for cause in CAUSES[symptom] for kind in cause.parts]


def test_moving_part_and_seat_come_first_then_connectors_a_coil_last() -> None:
    told = order(SymptomKind.NOT_PULSING)
    assert told.index(MOVING_PART) < told.index(PartKind.SEAT) < told.index(CONNECTOR) < told.index(COIL)
    assert told[-1] is COIL
    assert order(SymptomKind.MACHINE_MESSAGE)[0] is MOVING_PART
    assert order(SymptomKind.ELECTRICAL_FAULT) == [CONNECTOR, PartKind.HARNESS, COIL]


@pytest.mark.parametrize("symptom", list(SymptomKind))
def test_every_part_a_symptom_names_may_end_it(symptom: SymptomKind) -> None:
    if symptom is not SymptomKind.OTHER:
        assert CAUSES[symptom]
        assert set(order(symptom)) <= SYMPTOM_CURED_BY[symptom]


def test_the_first_thing_tried_against_a_drip_takes_no_part() -> None:
    first = CAUSES[SymptomKind.DRIP][0]
    assert (first.what, first.parts) == ("dirt on the seat", ())


def test_parts_to_take_are_those_the_fleet_can_buy_likeliest_first() -> None:
    book = book_of()
    book.add("symptom", 0, what="drip", positions=(14,), sides=("front",))
    advice = advice_on(bodies(book).troubles[0], fleet_of(book))
    assert [part.id for part in advice.take] == ["kit", "seat-ring"]
    assert advice.notes == ()


def test_repeats_and_what_came_back_after_a_part_are_said() -> None:
    book = book_of()
    for day in (0, 3, 6):
        book.add("symptom", 24.0 * day, what="drip", positions=(14,), sides=("front",))
    book.add("part_replaced", 24.0 * 7, part="kit", positions=(14,), sides=("front",))
    book.add("symptom", 24.0 * 9, what="drip", positions=(14,), sides=("front",))
    notes = " ".join(advice_on(bodies(book).troubles[0], fleet_of(book)).notes)
    assert "on 4 days" in notes
    assert "came back" in notes
    assert "harness" in notes


def test_a_finding_of_wear_is_no_symptom() -> None:
    book = book_of()
    book.add("inspected", 0, findings=found("14 front seat_worn", "15 front drip"))
    worn, drip = bodies(book).troubles
    assert advice_on(worn, fleet_of(book)).causes == ()
    assert advice_on(drip, fleet_of(book)).causes == CAUSES[SymptomKind.DRIP]


# The cautions asked for: pressure off, part drained, power off, connectors covered, drip caught; afterwards dry,
# contact cleaner, a thin film of dielectric grease and no more, then a leak check at low pressure.
def test_the_cautions_say_what_they_must() -> None:
    before, after = " ".join(BEFORE_OPENING).lower(), " ".join(AFTER_OPENING).lower()
    assert all(word in before for word in ("pressure off", "drain", "power off", "cover the connectors", "drip"))
    assert after.index("dry the") < after.index("contact cleaner") < after.index("dielectric") < after.index("leak")
    assert "thin film" in after
    assert "low pressure" in after
