"""Counter readings in a table: as spreadsheets write them, and every way to get them wrong."""

from __future__ import annotations

import pytest

from carewatch.errors import FaultyFiles
from carewatch.sources.hours_table import read_hours_table


def rows(text: str):
    return [(one.line, one.machine, one.time, dict(one.hours)) for one in read_hours_table("h.csv", text.encode())]


def test_hours_for_all_or_for_each_side():
    text = "machine,time,hours,hours_front,hours_rear\ns-1,2026-10-19 19:10,812.5,,\ns-2,2026-10-19,,300,200.25\n"
    assert rows(text) == [
        (2, "s-1", "2026-10-19 19:10", {None: 812.5}),
        (3, "s-2", "2026-10-19", {"front": 300.0, "rear": 200.25}),
    ]


@pytest.mark.parametrize(
    "text",
    [
        "machine;time;hours\ns-1;2026-10-19 19:10;812,5\n",
        "machine\ttime\thours\r\ns-1\t2026-10-19 19:10\t812.5\r\n",
        "\ufeffMachine,Time,Hours,remark\n\n# by hand\ns-1,2026-10-19 19:10,812.5,all well\n",
    ],
    ids=["decimal comma", "tabs", "more columns"],
)
def test_the_ways_spreadsheets_write(text):
    assert [row[1:] for row in rows(text)] == [("s-1", "2026-10-19 19:10", {None: 812.5})]


@pytest.mark.parametrize(
    ("text", "line", "field", "says"),
    [
        ("", 1, "(heading)", "names no machine"),
        ("machine,hours\ns-1,5\n", 1, "(heading)", "names no machine"),
        ("machine,time,hours,hours\n", 1, "(heading)", "stands here twice"),
        ("machine,time,hours\n,2026-10-19,5\n", 2, "machine", "is empty"),
        ("machine,time,hours\ns-1,,5\n", 2, "time", "is empty"),
        ("machine,time,hours\ns-1,2026-10-19,\n", 2, "hours", "is empty"),
        ("machine,time,hours\ns-1,2026-10-19,-5\n", 2, "hours", "is no counter reading"),
        ("machine,time,hours\ns-1,2026-10-19,nan\n", 2, "hours", "is no counter reading"),
        ("machine,time,hours\ns-1,2026-10-19,1e999\n", 2, "hours", "is no counter reading"),
        ("machine,time,hours\ns-1,2026-10-19,1_000\n", 2, "hours", "is no counter reading"),
        ('machine,time,hours\ns-1,2026-10-19,"1,234"\n', 2, "hours", "is no counter reading"),
        ("machine,time,hours\ns-1,2026-10-19,1000001\n", 2, "hours", "is no counter reading"),
        ("machine,time,hours\ns-1,2026-10-19,812,5\n", 2, "(row)", "has 4 cells"),
        ('machine,time,hours\ns-1,"2026-10-19,5\n', 2, "(row)", "is not readable as CSV"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_named_with_line_column_and_remedy(text, line, field, says):
    with pytest.raises(FaultyFiles) as caught:
        rows(text)
    (fault,) = caught.value.faults
    assert (fault.file, fault.line, fault.field) == ("h.csv", line, field)
    assert says in fault.problem
    assert fault.fix


@pytest.mark.parametrize("data", [b"\xff\xfe\x00", bytes(10_000_001)], ids=["no text", "too large"])
def test_what_is_no_table_is_refused_whole(data):
    with pytest.raises(FaultyFiles):
        read_hours_table("h.csv", data)


def test_every_bad_row_is_named_at_once_but_no_more_than_anybody_reads():
    with pytest.raises(FaultyFiles) as caught:
        rows("machine,time,hours\n" + "s-1,2026-10-19,x\n" * 50)
    assert len(caught.value.faults) == 20
