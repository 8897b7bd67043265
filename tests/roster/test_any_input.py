"""Whatever stands in the files: a roster or named faults, nothing else."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.errors import FaultyFiles
from carewatch.roster.model import Roster
from carewatch.roster.part_tables import PartTable, RevisionTable
from carewatch.roster.reading import parse_roster
from carewatch.roster.tables import FleetTable, MachineTable, PersonTable, PlaceTable, SiteTable
from tests.roster.broken_rosters import FILE, FLEET
from tests.roster.test_reading import HEADING, with_csv

TABLES = (FleetTable, SiteTable, PlaceTable, PersonTable, MachineTable, PartTable, RevisionTable)
KEYS = sorted({key for table in TABLES for key in table.model_fields})
VALUES = [
    '""',
    '"x"',
    '"a\\u0000b"',
    '"' + "x" * 500 + '"',
    '"../../x"',
    '"\\U0001F600"',
    '"=1+1"',
    '"<b>"',
    '"front"',
    '"Factory"',
    '"06:30-06:30"',
    '"America/Chicago"',
    "0",
    "-1",
    "1e400",
    "-inf",
    "nan",
    "0x" + "f" * 5000,
    "9223372036854775808",
    "true",
    "2026-11-20",
    "2026-11-20T06:30:00Z",
    "06:30:00",
    "[]",
    "[1]",
    "[[1]]",
    '["a", 2, [], {}]',
    '["front", "front"]',
    "{}",
    "{ x = { y = [1] } }",
    "{ hoses = 3 }",
    '{ valve = { front = { diameter_mm = "x" } } }',
    "[{ first_on = 3, last_on = 2026-01-01 }]",
]
LINES = FLEET.splitlines()

pairs = st.builds("{} = {}".format, st.sampled_from(KEYS), st.sampled_from(VALUES))
headings = st.sampled_from(
    [
        "[fleet]",
        "[[site]]",
        "[[site.place]]",
        "[[person]]",
        "[[person.absence]]",
        "[[machine]]",
        "[machine]",
        "[site]",
        "[machine.figures.hoses]",
        "[machine.side_labels]",
        "[other]",
        "[[part]]",
        "[[revision]]",
        "part = 3",
        "site = 3",
        "machine = []",
        "person = [1]",
    ]
)


def reads_or_names_faults(texts: dict[str, str]) -> None:
    try:
        roster, faults = parse_roster(texts)
        is_refused = False
        assert isinstance(roster, Roster)
    except FaultyFiles as faulty:
        faults, is_refused = faulty.faults, True
    assert is_refused is any(not fault.is_warning for fault in faults)
    for fault in faults:
        assert fault.field
        assert fault.problem
        assert fault.fix
        assert str(fault).isprintable()


@settings(deadline=None)
@given(st.text(max_size=400))
def test_any_text(text):
    reads_or_names_faults({FILE: text})


@settings(deadline=None)
@given(st.lists(pairs | headings, max_size=15).map("\n".join))
def test_any_keys_and_values(text):
    reads_or_names_faults({FILE: text})


@settings(deadline=None)
@given(st.integers(0, len(LINES) - 1), pairs | headings | st.text(max_size=30))
def test_a_sound_fleet_with_any_line_replaced(number, line):
    reads_or_names_faults({FILE: "\n".join([*LINES[:number], line, *LINES[number + 1 :]])})


edits = st.tuples(
    st.integers(0, len(FLEET) - 1),
    st.sampled_from(["replace", "delete", "insert"]),
    st.sampled_from("\"'[]{}=.,#\n\\ x0-\u2028\0"),
)


@settings(deadline=None)
@given(st.lists(edits, min_size=1, max_size=6))
def test_a_sound_fleet_with_any_typing_mistakes(edits):
    text = FLEET
    for at, how, character in edits:
        kept_from = at if how == "insert" else at + 1
        text = text[:at] + ("" if how == "delete" else character) + text[kept_from:]
    reads_or_names_faults({FILE: text})


@settings(deadline=None)
@given(st.text(max_size=300))
def test_any_csv(text):
    reads_or_names_faults(with_csv(text))


cells = st.sampled_from(
    ["", "x", "1", "-1", "nan", "1e999", "a b", '"', '"a', "a,b", "=1", "\u2028", "tom", "yard", "04", "#"]
)


@settings(deadline=None)
@given(st.lists(st.lists(cells, max_size=15).map(",".join), max_size=4).map("\n".join))
def test_any_rows_under_a_sound_heading(rows):
    reads_or_names_faults(with_csv(f"{HEADING}\n{rows}"))


def test_brackets_without_end_are_a_fault_not_a_crash():
    reads_or_names_faults({FILE: "a = " + "[" * 20000})
    reads_or_names_faults({FILE: "a = " + "[" * 300 + "]" * 300})
    reads_or_names_faults({FILE: FLEET.replace("held_l = 115", "held_l = " + "{a=" * 200 + "1" + "}" * 200)})
