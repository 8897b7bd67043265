"""Every fault is named with file, line, field, value, and what to write instead."""

from __future__ import annotations

import pytest

from carewatch.errors import Fault, FaultyFiles
from carewatch.roster.reading import parse_roster
from tests.roster.broken_rosters import CASES, FILE, FLEET, Broken


def faults_in(text: str) -> tuple[Fault, ...]:
    try:
        return parse_roster({FILE: text})[1]
    except FaultyFiles as faulty:
        return faulty.faults


def test_the_sound_fleet_has_no_fault():
    assert faults_in(FLEET) == ()


@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_a_mistake_is_named_where_it_stands_with_what_to_write(case: Broken):
    faults = faults_in(case.text)
    matching = [fault for fault in faults if fault.field == case.field]
    assert matching, [str(fault) for fault in faults]
    fault = matching[0]
    assert fault.file == FILE
    assert fault.is_warning is case.is_warning
    assert fault.fix.endswith((".", "?"))
    for piece in case.says:
        assert piece in f"{fault.problem} {fault.fix}"
    if case.at is not None:
        assert fault.line is not None
        assert case.text.splitlines()[fault.line - 1].strip() == case.at


@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_one_mistake_does_not_hide_behind_others(case: Broken):
    assert len(faults_in(case.text)) <= 3


def test_every_mistake_of_a_file_is_named_at_once():
    text = FLEET
    fitting = [
        "latitude that does not exist", "person nobody can reach", "machine at a site that does not exist",
        "number in quotation marks", "feet written as metres", "unknown key", "line break in a name",
    ]  # fmt: skip
    fitting.remove("unknown key")  # it edits the same line as the boom width
    for name in fitting:
        assert CASES[name].old in text
        text = text.replace(CASES[name].old, CASES[name].new, 1)
    found = {fault.field for fault in faults_in(text)}
    assert {CASES[name].field for name in fitting} <= found


def test_a_fault_is_one_line_and_shows_no_control_character():
    for case in CASES.values():
        for fault in faults_in(case.text):
            assert str(fault).isprintable()
