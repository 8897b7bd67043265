"""Lines of the logbook: there and back, and complaints that name field, value and what to write."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carewatch.errors import BadInput, FaultyFiles
from carewatch.logbook.entries import Channel, Entry, EntryKind, Promised
from carewatch.logbook.kinds import DETAIL_TYPES, HELP
from carewatch.logbook.reading import check_entry, entry_from_json, entry_schema, entry_to_json, read_logbook

EXTRAS: dict[str, dict[str, Any]] = {
    "sprayed": {"product": "uan 28", "sides": ["front"], "hours": 4.5, "counter_h": 812.0},
    "filled": {"liquid": "water", "where": ["rinse_tank"], "litres": 400.0},
    "rinsed": {"sides": ["front", "rear"], "litres": 120.0, "passes": 3},
    "blown_out": {"sides": ["rear"]},
    "drained": {"where": ["pump"]},
    "antifreeze_run": {"fluid": "pg", "sides": ["front"], "strength_vol_pct": 50.0, "litres": 60.0, "route": "boom"},
    "strength_measured": {"section": 2, "side": "rear", "scale": "pg", "first_ice_c": -21.5, "water_reads_water": True},
    "moved": {"site": "hollow", "place": "ford"},
    "heat_changed": {"is_on": False},
    "hours_read": {"counter_h": 640.05, "side": "front"},
    "opened": {"position": 17},
    "connectors_checked": {"positions": [17]},
    "damaged": {"what": "struck", "positions": [3, 4], "text": "hit a post"},
    "symptom": {"what": "drip", "positions": [14], "sides": ["front"]},
    "inspected": {"sections": [2], "findings": ["14 front seat_worn", {"position": 17, "what": "turret_broken"}]},
    "part_replaced": {"part": "seal", "positions": [14], "sides": ["front"], "quantity": 1, "cost": 4.5},
    "revision_fitted": {"revision": "seal-2", "sections": [1]},
    "restocked": {"part": "kit", "quantity": 6, "is_count": True},
    "air_measured": {"air_c": -1.5},
    "thawed": {"found_ice": True},
    "assigned": {"duty": "protect:heron", "to": "tomas"},
    "promised": {"duty": "protect:heron", "by_at": "2026-10-02T21:30:00Z"},
    "risk_accepted": {"duty": "protect:heron"},
    "declined": {"duty": "protect:heron", "reason": "alone in the dark"},
    "voided": {"entry": "e1", "reason": "wrong machine"},
    "note": {"text": "left boom end folded", "position": 3, "side": "rear"},
}


def line(kind: str, **more: Any) -> dict[str, Any]:
    given = {"machine": "heron", "kind": kind, "happened_at": "2026-10-02T18:00:00Z", "by": "ines"}
    return given | EXTRAS.get(kind, {}) | more


def complaint(**more: Any) -> str:
    with pytest.raises(BadInput) as trouble:
        entry_from_json(line(more.pop("kind", "note"), **more), where="phone")
    return str(trouble.value)


# ---------------------------------------------------------------- there and back


def test_every_kind_has_a_detail_and_a_sentence_of_help() -> None:
    assert set(DETAIL_TYPES) == set(HELP) == set(EntryKind)
    assert all(sentence.endswith(".") for sentence in HELP.values())


@pytest.mark.parametrize("kind", list(EntryKind))
def test_a_line_of_any_kind_comes_back_as_it_was(kind: EntryKind) -> None:
    entry = entry_from_json(line(kind.value, id="p-1", on_behalf_of="tomas", channel="page"), where="file")
    assert type(entry.detail) is DETAIL_TYPES[kind]
    assert entry_from_json(json.loads(json.dumps(entry_to_json(entry))), where="file") == entry


def test_the_json_of_an_entry_is_flat() -> None:
    flat = entry_to_json(entry_from_json(line("rinsed", id="p-1"), where="file"))
    assert flat == {
        "id": "p-1",
        "machine": "heron",
        "kind": "rinsed",
        "happened_at": "2026-10-02T18:00:00Z",
        "recorded_at": "2026-10-02T18:00:00Z",
        "by": "ines",
        "channel": "file",
        "sides": ["front", "rear"],
        "litres": 120.0,
        "passes": 3,
    }


def test_a_line_without_id_gets_the_same_one_whenever_it_arrives() -> None:
    early = entry_from_json(line("rinsed"), where="a")
    late = entry_from_json(line("rinsed", recorded_at="2026-10-03T06:00:00Z"), where="b")
    other = entry_from_json(line("rinsed", sides=["rear"]), where="c")
    assert early.id == late.id != other.id


def test_recorded_at_left_out_is_when_it_happened() -> None:
    entry = entry_from_json(line("note", happened_at="2026-10-02T20:00:00+02:00"), where="file")
    assert entry.happened_at == entry.recorded_at == datetime(2026, 10, 2, 18, tzinfo=UTC)


def test_a_promise_keeps_its_time_in_utc() -> None:
    entry = entry_from_json(line("promised", by_at="2026-10-02T23:30:00+02:00"), where="file")
    assert entry.detail == Promised(duty="protect:heron", by_at=datetime(2026, 10, 2, 21, 30, tzinfo=UTC))


def test_one_word_may_stand_for_a_list_of_one() -> None:
    assert entry_from_json(line("rinsed", sides="rear"), where="file").detail.sides == ("rear",)


@pytest.mark.parametrize(
    ("told", "positions"),
    [("14", (14,)), (14, (14,)), ("12-15", (12, 13, 14, 15)), (["3", 1, "5-6"], (1, 3, 5, 6)), (None, None)],
)
def test_positions_may_be_spans_and_single_ones(told: Any, positions: tuple[int, ...] | None) -> None:
    assert entry_from_json(line("symptom", positions=told), where="file").detail.positions == positions


@pytest.mark.parametrize("kind", ["connectors_checked", "damaged", "symptom", "inspected", "part_replaced"])
def test_a_line_from_before_there_were_several_positions_still_reads(kind: str) -> None:
    old = {"machine": "heron", "kind": kind, "happened_at": "2026-10-02T18:00:00Z", "by": "ines"}
    detail = entry_from_json(old | {"text": "drips", "position": 12, "side": "rear"}, where="file").detail
    assert (detail.positions, detail.sides, detail.text) == ((12,), ("rear",), "drips")


def test_several_findings_may_stand_in_one_text() -> None:
    told = entry_from_json(line("inspected", findings="14 front seat worn, 17 turret broken"), where="file").detail
    assert [str(one) for one in told.findings] == ["14 front seat_worn", "17 turret_broken"]


def test_the_schema_knows_every_kind_and_its_fields() -> None:
    schema = entry_schema()
    by_kind = {form["properties"]["kind"]["const"]: form for form in schema["oneOf"]}
    assert set(by_kind) == {kind.value for kind in EntryKind}
    assert {"section", "side", "scale"} <= set(by_kind["strength_measured"]["required"])
    assert all(form["additionalProperties"] is False for form in by_kind.values())


# ---------------------------------------------------------------- complaints


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"kind": "rinse"}, ("kind = rinse", "rinsed?")),
        ({"kind": "blownout"}, ("blown_out?",)),
        ({"kind": None}, ("kind", "missing")),
        ({"kind": "filled", "litres": -4}, ("litres = -4", "0")),
        ({"kind": "filled", "litres": float("nan")}, ("litres",)),
        ({"kind": "antifreeze_run", "strength_vol_pct": 120}, ("strength_vol_pct = 120", "100")),
        ({"kind": "antifreeze_run", "strength_vol_pct": -50}, ("burst rating", "first_ice_c")),
        ({"kind": "antifreeze_run", "route": "hose"}, ("route = hose", "pump", "boom")),
        ({"kind": "strength_measured", "first_ice_c": -50}, ("first_ice_c = -50", "burst rating")),
        ({"kind": "strength_measured", "first_ice_c": 28}, ("first_ice_c = 28",)),
        ({"kind": "strength_measured", "first_ice_c": None}, ("strength_vol_pct", "missing")),
        ({"kind": "strength_measured", "scale": ""}, ("scale",)),
        ({"kind": "rinsed", "sides": []}, ("sides: is empty.",)),
        ({"kind": "rinsed", "side": "front"}, ("side = front", "sides?")),
        ({"kind": "heat_changed", "is_on": "yes"}, ("is_on = yes",)),
        ({"kind": "hours_read", "counter_h": True}, ("counter_h = True",)),
        ({"kind": "opened", "position": 0}, ("position = 0",)),
        ({"kind": "symptom", "what": "other"}, ("text", "Say what was seen")),
        ({"kind": "symptom", "what": "dripp"}, ("what = dripp", "drip")),
        ({"kind": "symptom", "positions": "3-x"}, ("positions", "which is no number")),
        ({"kind": "inspected", "findings": "14 front seet_worn"}, ("findings.0", "Did you mean seat_worn?")),
        ({"kind": "inspected", "findings": [{"position": 3}]}, ("findings.0.what", "missing")),
        ({"kind": "part_replaced", "part": None}, ("part", "parts list")),
        ({"kind": "restocked", "quantity": None}, ("quantity", "how many")),
        ({"kind": "restocked", "quantity": -1}, ("quantity = -1",)),
        ({"kind": "revision_fitted", "revision": None}, ("revision", "missing")),
        ({"happened_at": "2026-10-02T18:00:00"}, ("time zone", "Z")),
        ({"happened_at": "yesterday"}, ("happened_at = yesterday", "2026-10-02T18:00:00Z")),
        ({"happened_at": 1790000000}, ("happened_at",)),
        ({"happened_at": "0001-01-01T00:00:00+05:00"}, ("outside 2000 to 2100",)),
        ({"happened_at": "2026-10-02T18:11:00Z", "recorded_at": "2026-10-02T18:00:00Z"}, ("after it was recorded",)),
        ({"by": ""}, ("by: is empty.",)),
        ({"text": "a\x00b"}, ("no text",)),
        ({"channel": "fax"}, ("channel = fax", "mail")),
    ],
)
def test_a_complaint_names_field_value_and_what_to_write(told: dict[str, Any], words: tuple[str, ...]) -> None:
    said = complaint(**told)
    assert said.startswith("phone: ")
    for word in words:
        assert word in said


def test_a_phone_clock_may_run_ahead_a_little() -> None:
    assert entry_from_json(
        line("note", happened_at="2026-10-02T18:10:00Z", recorded_at="2026-10-02T18:00:00Z"), where="phone"
    )


def test_a_file_lists_everything_wrong_with_line_numbers(book: Any) -> None:
    text = "\n".join(
        [
            json.dumps(line("rinsed")),
            "",
            "{not json",
            json.dumps(line("rinsed", machine="herron")),
            json.dumps(line("rinsd")),
            "[1]",
        ]
    )
    with pytest.raises(FaultyFiles) as trouble:
        read_logbook(text, file="logbook.jsonl", roster=book.roster)
    assert [(fault.line, fault.field) for fault in trouble.value.faults] == [
        (3, "line"),
        (4, "machine"),
        (5, "kind"),
        (6, "line"),
    ]
    assert "Did you mean heron?" in str(trouble.value)


def test_a_good_file_gives_its_entries(book: Any) -> None:
    text = json.dumps(line("rinsed")) + "\n" + json.dumps(line("moved")) + "\n"
    assert [entry.kind.value for entry in read_logbook(text, file="logbook.jsonl", roster=book.roster)] == [
        "rinsed",
        "moved",
    ]


@pytest.mark.parametrize(
    ("kind", "told", "field", "fix"),
    [
        ("rinsed", {"sides": ["frnt"]}, "side", "front"),
        ("sprayed", {"sides": ["left"]}, "side", "front, rear"),
        ("strength_measured", {"side": "rare"}, "side", "rear"),
        ("hours_read", {"side": "back"}, "side", "front, rear"),
        ("note", {"side": "reer"}, "side", "rear"),
        ("filled", {"where": ["hand_wash_tank"]}, "where", "?"),
        ("drained", {"where": ["pmp"]}, "where", "pump"),
        ("strength_measured", {"section": 6}, "section", "1, 2, 3, 4, 5"),
        ("opened", {"position": 73}, "position", "1 to 72"),
        ("symptom", {"positions": [99]}, "positions", "1 to 72"),
        ("damaged", {"sections": [6]}, "sections", "1, 2, 3, 4, 5"),
        ("connectors_checked", {"sides": ["reer"]}, "sides", "rear"),
        ("part_replaced", {"part": "seel"}, "part", "seal"),
        ("restocked", {"part": "kitt"}, "part", "kit"),
        ("revision_fitted", {"revision": "seal2"}, "revision", "seal-2"),
        ("inspected", {"findings": ["99 front drip"]}, "findings.0", "1 to 72"),
        ("inspected", {"findings": ["14 drip"]}, "findings.0", "14 front drip"),
        ("inspected", {"findings": ["14 reer drip"]}, "findings.0", "rear"),
        ("inspected", {"sides": ["rear"], "findings": ["14 front drip"]}, "findings.0", "sides"),
        ("inspected", {"findings": ["30 front drip"]}, "findings.0", "section"),
        ("moved", {"site": "holow"}, "site", "hollow"),
        ("moved", {"place": "fjord"}, "place", "ford"),
        ("note", {"machine": "hern"}, "machine", "heron"),
        ("assigned", {"duty": "protect|crane|2026-10-02"}, "duty", "protect|heron|2026-10-02?"),
        ("promised", {"duty": "protect|crane|2026-10-02"}, "duty", "protect|heron|2026-10-02?"),
        ("risk_accepted", {"duty": "rinse|crane"}, "duty", "Copy"),
        ("declined", {"duty": "thaw|"}, "duty", "Copy"),
    ],
)
def test_what_the_roster_does_not_know_is_told_with_the_nearest(
    book: Any, kind: str, told: dict[str, Any], field: str, fix: str
) -> None:
    faults = check_entry(entry_from_json(line(kind, **told), where="phone"), book.roster)
    assert [fault.field for fault in faults] == [field]
    assert fix in faults[0].fix


@pytest.mark.parametrize("kind", list(EntryKind))
def test_lines_that_fit_have_no_faults(book: Any, kind: EntryKind) -> None:
    assert check_entry(entry_from_json(line(kind.value), where="phone"), book.roster) == ()


def test_an_entry_from_the_future_is_refused_at_the_door(book: Any) -> None:
    entry = book.add("note", 0)
    ahead = replace(entry, recorded_at=entry.happened_at - timedelta(minutes=11), channel=Channel.PAGE)
    assert [fault.field for fault in check_entry(ahead, book.roster)] == ["happened_at"]


# ---------------------------------------------------------------- fuzz

JUNK = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20), st.just(10**400), st.just("\ud800")
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)),
    max_leaves=5,
)
NAMES = sorted(
    {name for extra in EXTRAS.values() for name in extra} | {"id", "machine", "happened_at", "by", "channel"}
)
fuzz = settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@fuzz
@given(
    kind=st.sampled_from([kind.value for kind in EntryKind]),
    junk=st.dictionaries(st.one_of(st.sampled_from(NAMES), st.text(max_size=8)), JUNK, max_size=4),
)
def test_no_line_gives_anything_but_an_entry_or_a_complaint(book: Any, kind: str, junk: dict[str, Any]) -> None:
    try:
        entry = entry_from_json(line(kind) | junk, where="phone")
    except BadInput:
        return
    assert isinstance(entry, Entry)
    assert entry_from_json(json.loads(json.dumps(entry_to_json(entry))), where="phone") == entry
    check_entry(entry, book.roster)
    book.entries = [entry]
    book.fold()


@fuzz
@given(text=st.one_of(st.text(max_size=200), st.binary(max_size=200).map(lambda raw: raw.decode("latin-1"))))
def test_no_file_gives_anything_but_entries_or_faults(text: str) -> None:
    try:
        entries = read_logbook(text, file="logbook.jsonl")
    except FaultyFiles:
        return
    assert all(isinstance(entry, Entry) for entry in entries)


@pytest.mark.parametrize("text", ["[" * 100_000, "9" * 5000, '{"kind": ' + "9" * 5000 + "}", "\ufeff{}", "null"])
def test_monstrous_lines_are_complaints(text: str) -> None:
    with pytest.raises(FaultyFiles):
        read_logbook(text, file="logbook.jsonl")


@pytest.mark.parametrize(
    ("kind", "told", "field"),
    [
        ("filled", {"liquid": "water", "litres": -1.0}, "litres"),
        ("antifreeze_run", {"fluid": "pg", "sides": ("front",), "strength_vol_pct": -50.0}, "strength_vol_pct"),
        ("strength_measured", {"section": 1, "side": "front", "scale": "pg", "first_ice_c": -50.0}, "first_ice_c"),
        ("hours_read", {"counter_h": float("inf")}, "counter_h"),
    ],
)
def test_an_entry_made_from_a_form_passes_the_same_gate(book: Any, kind: str, told: dict[str, Any], field: str) -> None:
    faults = check_entry(book.add(kind, 0, **told), book.roster)
    assert [fault.field for fault in faults] == [field]


def test_a_detail_that_belongs_to_another_kind_is_refused(book: Any) -> None:
    entry = replace(book.add("rinsed", 0, sides=("front",)), kind=EntryKind.MOVED)
    assert {fault.field for fault in check_entry(entry, book.roster)} == {"site", "sides"}


def test_a_program_may_hand_over_instants_instead_of_texts() -> None:
    happened_at = datetime(2026, 10, 2, 18, tzinfo=UTC)
    assert entry_from_json(line("note", happened_at=happened_at), where="gateway").happened_at == happened_at


def test_a_counter_that_began_at_zero_has_a_name() -> None:
    line = {"machine": "heron", "kind": "hours_read", "happened_at": "2026-10-02T18:00:00Z", "by": "ines"}
    told = line | {"counter_h": 2.0, "from_zero": True}
    with pytest.raises(BadInput, match=r"counter: is missing, but from_zero is true\. Name the counter"):
        entry_from_json(told, where="test")
    assert entry_from_json(told | {"counter": "task 1"}, where="test").detail.from_zero
