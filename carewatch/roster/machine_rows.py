"""Machines from a CSV file: the same keys as [[machine]], one row each, lists separated by blanks."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from carewatch.errors import Fault
from carewatch.roster.document import Document, advice, shown
from carewatch.roster.tables import FiguresTable, MachineTable

MOST_CELLS = 400  # chosen: more columns than that is not a list of machines
DECIMALS = {
    name for model in (MachineTable, FiguresTable) for name, field in model.model_fields.items()
    if float in (field.annotation, *getattr(field.annotation, "__args__", ()))
}  # fmt: skip
WHOLE_NUMBERS = {"protect_min"}
LISTS = {"operators", "sides", "plumbing"}
YES_NO = {"held_is_measured"}
OF_SIDES = {"side_labels", "iso_sides"}
YES_NO_WORDS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One machine of a CSV: its keys as the TOML would hold them, in a document that knows its lines."""

    number: int
    document: Document
    table: dict[str, Any]


def read_rows(name: str, text: str) -> tuple[list[Row], list[Fault]]:
    """The machines of a CSV text and what is wrong with its form."""
    text = text.removeprefix("\ufeff").replace("\x00", "\ufffd")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    rows: list[Row] = []
    faults: list[Fault] = []
    try:
        header = [cell.strip() for cell in next(reader, [])]
        faults.extend(_header_faults(name, header))
        if faults:
            return rows, faults
        for line, cells in _filled(reader):
            if len(cells) > len(header):
                faults.append(_row_fault(name, line, f"row has {len(cells)} cells, the heading {len(header)}."))
                continue
            rows.append(_row(name, line, len(rows), dict(zip(header, cells, strict=False))))
    except csv.Error as error:
        faults.append(_row_fault(name, reader.line_num, f"is not readable as CSV: {error}."))
    return rows, faults


def _delimiter(text: str) -> str:
    """Spreadsheets in countries with a decimal comma write semicolons."""
    heading = text.lstrip("\r\n").split("\n", 1)[0]
    return max(",;\t", key=heading.count)


def _filled(reader: Iterator[list[str]]) -> Iterator[tuple[int, list[str]]]:
    for cells in reader:
        stripped = [cell.strip() for cell in cells]
        while stripped and not stripped[-1]:
            stripped.pop()
        if stripped and not stripped[0].startswith("#"):
            yield reader.line_num, stripped  # type: ignore[attr-defined]  # csv.reader is an iterator with line_num


def _header_faults(name: str, header: list[str]) -> list[Fault]:
    if not any(header):
        return [_row_fault(name, 1, "has no heading.")]
    faults = []
    for column, key in enumerate(header):
        if key in header[:column]:
            faults.append(_column_fault(name, key, "stands here twice.", "Keep one of the two columns."))
        elif not _is_known(key):
            faults.append(_column_fault(name, key, "is not a column here.", advice(key, MachineTable.model_fields)))
    return faults[:MOST_CELLS]


def _is_known(key: str) -> bool:
    first, _, rest = key.partition(".")
    if first == "figures":
        part, _, figure = rest.rpartition(".")
        return bool(part) and figure in FiguresTable.model_fields
    return first in MachineTable.model_fields and (bool(rest) == (first in OF_SIDES))


def _column_fault(name: str, key: str, problem: str, fix: str) -> Fault:
    return Fault(file=name, line=1, field="(heading)", value=shown(key), problem=problem, fix=fix)


def _row_fault(name: str, line: int, problem: str) -> Fault:
    fix = "The first line names the columns; put cells that hold a comma or a line break in double quotation marks."
    return Fault(file=name, line=line, field="(row)", value="", problem=problem, fix=fix)


def _row(name: str, line: int, number: int, cells: dict[str, str]) -> Row:
    table: dict[str, Any] = {}
    for key, cell in cells.items():
        if not cell:
            continue
        first, _, rest = key.partition(".")
        if first == "figures":
            part, _, figure = rest.rpartition(".")
            table.setdefault(first, {}).setdefault(part, {})[figure] = _value(figure, cell)
        elif rest:
            table.setdefault(first, {})[rest] = cell
        else:
            table[key] = _value(key, cell)
    document = Document(name=name, data=table, lines={f"machine[{number + 1}]": line})
    return Row(number=number, document=document, table=table)


def _value(key: str, cell: str) -> object:
    """A cell as TOML would give it; what cannot be read stays text and is refused with the other faults."""
    if key in LISTS:
        return cell.split()
    if key == "sections":
        return [_whole(word) for word in cell.split()]
    if key in YES_NO:
        return YES_NO_WORDS.get(cell.lower(), cell)
    if key in WHOLE_NUMBERS:
        return _whole(cell)
    return _decimal(cell) if key in DECIMALS else cell


def _whole(word: str) -> int | str:
    return int(word) if word.isascii() and word.isdigit() and len(word) < 10 else word


def _decimal(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell
