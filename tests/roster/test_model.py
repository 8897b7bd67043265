"""Small laws of the roster's values."""

from __future__ import annotations

from datetime import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.roster.model import Roster, TimeSpan, valve_part
from carewatch.roster.reading import parse_roster
from tests.roster.broken_rosters import FILE, FLEET, SECOND_MACHINE


@pytest.fixture(scope="module")
def roster() -> Roster:
    return parse_roster({FILE: FLEET + SECOND_MACHINE})[0]


@pytest.mark.parametrize(
    ("moment", "is_inside"), [("21:00", True), ("23:59", True), ("00:00", True), ("05:59", True), ("06:00", False)]
)
def test_a_span_may_pass_midnight(moment, is_inside):
    assert TimeSpan(start=time(21), end=time(6)).holds(time.fromisoformat(moment)) is is_inside


@given(st.times(), st.times(), st.times())
def test_a_span_and_its_complement_divide_the_day(start, end, moment):
    if start != end:
        assert TimeSpan(start=start, end=end).holds(moment) is not TimeSpan(start=end, end=start).holds(moment)


def test_everything_is_found_by_its_id(roster):
    assert roster.fleet("long-field").tz.key == "America/Chicago"
    assert roster.site("yard").tz.key == "America/Chicago"
    assert roster.site("yard").place("shop").id == "shop"
    assert roster.person("tom").name == "Tom Adeyemi"
    assert roster.machine("south").positions == 54
    assert roster.machine("south").side_keys == ("front", "rear")


def test_an_unknown_id_is_a_key_error(roster):
    for look_up in (roster.fleet, roster.site, roster.person, roster.machine, roster.site("yard").place):
        with pytest.raises(KeyError):
            look_up("nobody")


def test_wetted_parts_are_the_valve_sides_and_the_plumbing(roster):
    machine = roster.machine("north")
    assert machine.valve_parts == (valve_part("front"), valve_part("rear")) == ("valve.front", "valve.rear")
    assert machine.wetted_parts == machine.valve_parts + machine.plumbing
