"""A table of nights that were forecast and observed, read from CSV text; every bad line is named."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from io import StringIO
from math import isfinite

from carewatch.errors import BadInput, Fault, FaultyFiles
from carewatch.units import c_to_f, f_to_c

FORECAST_NAME = re.compile(r"(?:fc|fcst|forecast)_?(?P<lead>\d+(?:\.\d+)?)_?h?(?:_?(?P<unit>[cf]))?", re.IGNORECASE)
LIKE_FORECAST = re.compile(r"(?:fc|fcst|forecast).*\d.*", re.IGNORECASE)
OBSERVED_NAME = re.compile(r"obs(?:erved)?(?:_\w+?)??(?:_(?P<unit>[cf]))?", re.IGNORECASE)
COLDEST_C, WARMEST_C = -90.0, 60.0  # below and above any air temperature measured on Earth
MOST_SHOWN = 60  # chosen: characters of a line in a message
LONGEST_LEAD_H = 24.0 * 16  # chosen: no service gives a night's low further ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastColumn:
    """One forecast column: its name in the table and how long before the morning it was issued."""

    name: str
    lead_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One night at one place [°C]; None where the table has no value. `line` counts from 1."""

    line: int
    night: date
    place: str
    forecast_c: tuple[float | None, ...]
    observed_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PairsTable:
    """All nights of a table, in its order, with the forecast columns by lead and the unit it was written in."""

    columns: tuple[ForecastColumn, ...]
    rows: tuple[Row, ...]
    unit: str
    place_columns: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Which cell of a line is what."""

    width: int
    date_at: int
    place_at: tuple[int, ...]
    forecast_at: tuple[int, ...]
    observed_at: int
    observed_name: str
    columns: tuple[ForecastColumn, ...]
    unit: str
    place_columns: tuple[str, ...]


def read_pairs(text: str, *, file: str, unit: str | None = None) -> PairsTable:
    """Read a table with a date, columns that name the place, forecast columns and one observed column.

    Parameters
    ----------
    text : str
        CSV with a header: `date` (YYYY-MM-DD); forecast lows with the lead in hours and the unit in the name, such as
        `fc24_f`; one observed low, such as `obs_lo_f`; every other column names the place. An empty cell is missing.
    file : str
        Name for messages.
    unit : str, optional
        `c` or `f` where the names do not say it.

    Raises
    ------
    FaultyFiles
        With every fault: file, line, column, value, and what to write instead.
    """
    if unit not in {None, "c", "f"}:
        raise BadInput(f'A unit of "{unit}" is not known; write c or f.')
    lines = csv.reader(StringIO(text.removeprefix("\ufeff")), strict=True)
    try:
        header = next(lines, [])
        layout = _layout([name.strip() for name in header], file=file, unit=unit)
        numbered = [(lines.line_num, cells) for cells in lines if any(cell.strip() for cell in cells)]
    except csv.Error as error:
        fix = "Save the table as plain CSV, one night a line."
        raise FaultyFiles([_fault(file, lines.line_num, "line", "", f"It cannot be read: {error}.", fix)]) from error
    faults: list[Fault] = []
    rows = [row for line, cells in numbered if (row := _row(cells, layout, file=file, line=line, faults=faults))]
    faults += _repeated(rows, file=file)
    if not numbered:
        faults.append(_fault(file, None, "table", "", "It holds no night.", "Add one line for each night and place."))
    if faults:
        raise FaultyFiles(sorted(faults, key=lambda fault: fault.line or 0))
    return PairsTable(columns=layout.columns, rows=tuple(rows), unit=layout.unit, place_columns=layout.place_columns)


def _layout(names: Sequence[str], *, file: str, unit: str | None) -> _Layout:
    lowered = [name.lower() for name in names]
    forecast = {at: found for at, name in enumerate(names) if (found := FORECAST_NAME.fullmatch(name))}
    observed = {at: found for at, name in enumerate(names) if (found := OBSERVED_NAME.fullmatch(name))}
    faults = [
        *_missing_columns(names, forecast=len(forecast), observed=len(observed), file=file),
        *_twice(lowered, file=file),
        *_impossible_leads(names, file=file),
    ]
    said = {names[at]: found["unit"].lower() for at, found in (forecast | observed).items() if found["unit"]}
    units = set(said.values()) | ({unit} if unit else set())
    if len(units) != 1 and not faults:
        faults.append(_unit_fault(said, unit, file=file))
    if faults:
        raise FaultyFiles(faults)
    columns = sorted((float(found["lead"]), names[at], at) for at, found in forecast.items())
    (observed_at,) = observed
    place_at = tuple(at for at, name in enumerate(lowered) if name != "date" and at not in forecast | observed)
    return _Layout(
        width=len(names),
        date_at=lowered.index("date"),
        place_at=place_at,
        forecast_at=tuple(at for _, _, at in columns),
        observed_at=observed_at,
        observed_name=names[observed_at],
        columns=tuple(ForecastColumn(name=name, lead_h=lead_h) for lead_h, name, _ in columns),
        unit=units.pop(),
        place_columns=tuple(names[at] for at in place_at),
    )


def _missing_columns(names: Sequence[str], *, forecast: int, observed: int, file: str) -> Iterator[Fault]:
    header = ", ".join(names)[:MOST_SHOWN]
    if len(names) == 1 and re.search(r"[;\t|]", header):
        yield _fault(file, 1, "header", header, "The cells are not parted by commas.", "Save the table with commas.")
        return
    if "date" not in [name.lower() for name in names]:
        near = get_close_matches("date", [name.lower() for name in names], 1)
        hint = f'Is "{near[0]}" meant? ' if near else ""
        yield _fault(file, 1, "header", header, "There is no column date.", f"{hint}Name one column date (YYYY-MM-DD).")
    if not forecast:
        fix = "Name the forecast lows by hours ahead and unit, such as fc24_f or fc48_c."
        yield _fault(file, 1, "header", header, "There is no forecast column.", fix)
    if observed != 1:
        problem = "There is no observed column." if not observed else f"There are {observed} observed columns."
        yield _fault(file, 1, "header", header, problem, "Name exactly one column obs_... with its unit, as obs_lo_f.")


def _twice(lowered: Sequence[str], *, file: str) -> Iterator[Fault]:
    for name in sorted({name for name in lowered if lowered.count(name) > 1}):
        yield _fault(file, 1, "header", name, "This column is there twice.", "Keep one of them or rename it.")


def _impossible_leads(names: Sequence[str], *, file: str) -> Iterator[Fault]:
    for name in names:
        found = FORECAST_NAME.fullmatch(name)
        if found and not 0.0 < float(found["lead"]) <= LONGEST_LEAD_H:
            fix = f"The number is hours ahead; write above 0 and up to {LONGEST_LEAD_H:g}."
            yield _fault(file, 1, "header", name, "This lead is not possible.", fix)
        if not found and LIKE_FORECAST.fullmatch(name):
            fix = "Write fc, the hours ahead and the unit, such as fc24_f."
            yield _fault(
                file, 1, "header", name, "This looks like a forecast column, but its lead cannot be read.", fix
            )


def _unit_fault(said: dict[str, str], unit: str | None, *, file: str) -> Fault:
    if not said and unit is None:
        fix = "End the names with _c or _f, or say --unit c or --unit f."
        return _fault(file, 1, "header", "", "The unit of the temperatures is not said.", fix)
    words = ", ".join(said)
    if unit is not None and len(set(said.values())) == 1:
        fix = "Leave out --unit, or rename the columns."
        return _fault(file, 1, "header", words, f"The names contradict --unit {unit}.", fix)
    return _fault(file, 1, "header", words, "The names mix °C and °F.", "Write all temperatures in one unit.")


def _row(cells: Sequence[str], layout: _Layout, *, file: str, line: int, faults: list[Fault]) -> Row | None:
    if len(cells) != layout.width:
        problem = f"The line has {len(cells)} cells, the header {layout.width}."
        faults.append(_fault(file, line, "line", ",".join(cells)[:MOST_SHOWN], problem, "Give every column its cell."))
        return None
    before = len(faults)
    night = _date(cells[layout.date_at].strip(), file=file, line=line, faults=faults)
    forecast_c = tuple(
        _temperature_c(cells[at].strip(), column.name, layout.unit, file=file, line=line, faults=faults)
        for at, column in zip(layout.forecast_at, layout.columns, strict=True)
    )
    observed_c = _temperature_c(
        cells[layout.observed_at].strip(), layout.observed_name, layout.unit, file=file, line=line, faults=faults
    )
    if night is None or len(faults) > before:
        return None
    place = " ".join(cells[at].strip() for at in layout.place_at)
    return Row(line=line, night=night, place=place, forecast_c=forecast_c, observed_c=observed_c)


def _date(cell: str, *, file: str, line: int, faults: list[Fault]) -> date | None:
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell):
            return date.fromisoformat(cell)
        problem = "This is no date." if cell else "The date is missing."
    except ValueError:
        problem = "There is no such day."
    faults.append(_fault(file, line, "date", cell, problem, "Write it as 2021-10-31."))
    return None


def _temperature_c(cell: str, column: str, unit: str, *, file: str, line: int, faults: list[Fault]) -> float | None:
    if not cell:
        return None
    try:
        value = float(cell)
    except ValueError:
        fix = (
            "Write a point instead of the comma."
            if re.fullmatch(r"[+-]?\d+,\d+", cell)
            else "Write a number, or leave the cell empty where the value is missing."
        )
        faults.append(_fault(file, line, column, cell, "This is no number.", fix))
        return None
    value_c = f_to_c(value) if unit == "f" else value
    if not (isfinite(value_c) and COLDEST_C <= value_c <= WARMEST_C):
        low, high = (c_to_f(limit_c) if unit == "f" else limit_c for limit_c in (COLDEST_C, WARMEST_C))
        fix = f"Write {low:g} to {high:g}, or leave the cell empty where the value is missing."
        faults.append(_fault(file, line, column, cell, f"This temperature is not possible in °{unit.upper()}.", fix))
        return None
    return value_c


def _repeated(rows: Sequence[Row], *, file: str) -> Iterator[Fault]:
    first: dict[tuple[date, str], int] = {}
    for row in rows:
        line = first.setdefault((row.night, row.place), row.line)
        if line != row.line:
            fix = "Keep one line for each night and place, or add the column that tells the places apart."
            value = f"{row.night} {row.place}".strip()
            yield _fault(file, row.line, "date", value, f"This night is on line {line} already.", fix)


def _fault(file: str, line: int | None, field: str, value: str, problem: str, fix: str) -> Fault:
    return Fault(file=file, line=line, field=field, value=value, problem=problem, fix=fix)
