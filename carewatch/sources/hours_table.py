"""Counter readings in a CSV file, as a spreadsheet or a machine's portal writes them.

    machine,time,hours
    sprayer-3,2026-10-19 19:10,812.5

`hours_front`, `hours_rear` (the keys of the machine's sides) may stand instead of `hours` or beside it. Semicolons and
decimal commas are read as well; a time without a zone is that of the machine's home site, a day alone its end of work.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from carewatch.errors import Fault, FaultyFiles

MACHINE, TIME, HOURS = "machine", "time", "hours"
SIDE_PREFIX = "hours_"
MOST_BYTES = 10_000_000  # chosen: a reading an hour of a hundred machines for a year is half of it
MOST_FAULTS = 20  # chosen: a file of the wrong kind has a fault in every row
MOST_H = 1_000_000.0
_READING = re.compile(r"[0-9]{1,7}(?:\.[0-9]{1,6}|,[0-9]{1,2})?")


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursRow:
    """One row: words for machine and time as they are written, readings [h] by side (None: all)."""

    line: int
    machine: str
    time: str
    hours: Mapping[str | None, float]


def read_hours_table(name: str, data: bytes) -> list[HoursRow]:
    """The rows of a table; FaultyFiles lists what is wrong, and then nothing of it counts."""
    if len(data) > MOST_BYTES:
        problem = f"has {len(data):,} bytes, more than {MOST_BYTES:,}."
        raise FaultyFiles([_fault(name, None, "(file)", "", problem, "Cut it into several.")])
    try:
        text = data.decode("utf-8-sig").replace("\x00", "\ufffd")
    except UnicodeDecodeError:
        raise FaultyFiles([_fault(name, None, "(file)", "", "is no text in UTF-8.", "Save it as CSV UTF-8.")]) from None
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[HoursRow] = []
    faults: list[Fault] = []
    try:
        header = [cell.strip().lower() for cell in next(reader, [])]
        faults += _header_faults(name, header)
        if not faults:
            for line, cells in _filled(reader):
                rows += _row(name, line, header, cells, faults)
    except csv.Error as error:
        faults.append(_fault(name, reader.line_num, "(row)", "", f"is not readable as CSV: {error}.", "Save it again."))
    if faults:
        raise FaultyFiles(faults[:MOST_FAULTS])
    return rows


def _filled(reader: Iterator[list[str]]) -> Iterator[tuple[int, list[str]]]:
    for cells in reader:
        stripped = [cell.strip() for cell in cells]
        if any(stripped) and not stripped[0].startswith("#"):
            yield reader.line_num, stripped  # type: ignore[attr-defined]  # csv.reader is an iterator with line_num


def _header_faults(name: str, header: list[str]) -> list[Fault]:
    told = ",".join(header)[:60]
    columns = [column for column in header if _is_hours(column)]
    if MACHINE not in header or TIME not in header or not columns:
        fix = f"Begin the file with a line such as {MACHINE},{TIME},{HOURS}."
        return [_fault(name, 1, "(heading)", told, "names no machine, time or hours.", fix)]
    twice = [column for place, column in enumerate(header) if column and column in header[:place]]
    return [_fault(name, 1, "(heading)", one, "stands here twice.", "Keep one of the two.") for one in twice]


def _is_hours(column: str) -> bool:
    return column == HOURS or (column.startswith(SIDE_PREFIX) and len(column) > len(SIDE_PREFIX))


def _row(name: str, line: int, header: list[str], cells: list[str], faults: list[Fault]) -> list[HoursRow]:
    if len(cells) > len(header):
        problem = f"has {len(cells)} cells, the heading {len(header)}."
        faults.append(_fault(name, line, "(row)", ",".join(cells)[:60], problem, "Write hours with a point: 812.5."))
        return []
    told = dict(zip(header, cells, strict=False))
    before = len(faults)
    faults += [
        _fault(name, line, column, "", "is empty.", "Every row names a machine and a time.")
        for column in (MACHINE, TIME)
        if not told.get(column)
    ]
    hours: dict[str | None, float] = {}
    for column in header:
        if _is_hours(column) and told.get(column):
            value = _hours(told[column])
            if value is None:
                fix = "Write what the counter shows, in hours: 812.5."
                faults.append(_fault(name, line, column, told[column][:60], "is no counter reading.", fix))
            else:
                hours[None if column == HOURS else column.removeprefix(SIDE_PREFIX)] = value
    if not hours and len(faults) == before:
        faults.append(_fault(name, line, HOURS, "", "is empty.", "Write what the counter shows, or delete the row."))
    if len(faults) > before:
        return []
    return [HoursRow(line=line, machine=told[MACHINE], time=told[TIME], hours=hours)]


def _hours(text: str) -> float | None:
    """812.5 or 812,5; what could be read in two ways (1,234) is none."""
    if not _READING.fullmatch(text):
        return None
    value = float(text.replace(",", "."))
    return value if value <= MOST_H else None


def _fault(file: str, line: int | None, field: str, value: str, problem: str, fix: str) -> Fault:
    return Fault(file=file, line=line, field=field, value=value, problem=problem, fix=fix)
