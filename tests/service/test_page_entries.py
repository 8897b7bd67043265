"""Forms about nozzle bodies: words to choose from are chosen, spans and findings are written in one field."""

from __future__ import annotations

import pytest

from carewatch.errors import BadInput
from carewatch.logbook.care import Inspected, Symptom
from carewatch.logbook.entries import EntryKind
from carewatch.logbook.findings import SymptomKind
from carewatch.service.page_entries import entry_of_form, fields_of
from tests.duties.upkeep.boom import found
from tests.notices.farm import OWEN, Farm, fleet
from tests.service.farm import AFTERNOON

TAP = {"tap": "tap-12345678", "at": "2026-10-19T14:00"}


def written(kind: EntryKind, **form: str):
    made = Farm(fleets=(fleet(),), now=AFTERNOON)
    one = made.facts().machines[0]
    return entry_of_form(one, kind, TAP | form, by=made.roster.person(OWEN), leads=False, now=AFTERNOON).detail


def test_words_of_a_symptom_are_choices() -> None:
    fields = {field.name: field for field in fields_of(EntryKind.SYMPTOM, fleet().machines[0])}
    assert [value for value, _ in fields["what"].choices] == [kind.value for kind in SymptomKind]
    assert ("not_pulsing", "not pulsing") in fields["what"].choices
    assert fields["sides"].is_many


def test_the_route_of_antifreeze_is_a_choice_too() -> None:
    fields = {field.name: field for field in fields_of(EntryKind.ANTIFREEZE_RUN, fleet().machines[0])}
    assert [value for value, _ in fields["route"].choices] == ["pump", "boom"]


def test_a_symptom_and_an_inspection_come_from_a_form() -> None:
    assert written(EntryKind.SYMPTOM, what="drip", positions="14, 20-22", sides="rear") == Symptom(
        what=SymptomKind.DRIP, positions=(14, 20, 21, 22), sides=("rear",)
    )
    told = written(
        EntryKind.INSPECTED, sections="2", findings="14 front seat worn, 17 turret broken", is_sample="false"
    )
    assert told == Inspected(sections=(2,), findings=found("14 front seat_worn", "17 turret_broken"))


def test_a_word_that_is_no_choice_is_refused_in_words() -> None:
    with pytest.raises(BadInput, match="drip"):
        written(EntryKind.SYMPTOM, what="dripp", positions="14")
