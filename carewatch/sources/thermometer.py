"""A thermometer at the site: a CSV file that a logger writes or a person fills in.

    time_utc,air_c
    2026-10-03T22:00Z,1.8

`air_f` may stand instead of `air_c`; `dew_c`, `wind_mps` (at 10 m) and `cloud_fraction` (0..1) are welcome; other
columns are left alone. A row that cannot be read is left out and named; a last line without its end is still being
written.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from carewatch.errors import BadInput, Fault
from carewatch.roster.model import Site
from carewatch.sources.tree import number
from carewatch.units import f_to_c
from carewatch.weather.intervals import parse_instant
from carewatch.weather.readings import Readings, readings_of
from carewatch.weather.series import COLDEST_BELIEVED_C, WARMEST_BELIEVED_C

BY = "the thermometer at the site"
TIME, AIR_C, AIR_F = "time_utc", "air_c", "air_f"
RANGES = {
    AIR_C: (COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
    "dew_c": (COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
    "wind_mps": (0.0, 120.0),
    "cloud_fraction": (0.0, 1.0),
}
TAIL_BYTES = 1_000_000  # chosen: three months of a reading every five minutes; nothing older is looked at
MOST_FAULTS = 20  # chosen: a file of the wrong kind has a fault in every row


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What a file holds: its readings (None: none that can be used) and what is wrong in it."""

    readings: Readings | None
    faults: tuple[Fault, ...]


class ThermometerFiles:
    """The files `SITE.csv` of a folder, read again when they change."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: dict[str, tuple[tuple[int, int], Record]] = {}

    def path(self, site: Site) -> Path:
        """Where the readings of a site belong."""
        return self._folder / f"{site.id}.csv"

    def record(self, site: Site) -> Record | None:
        """What the site's file holds; None if there is no such file."""
        path = self.path(site)
        try:
            found = path.stat()
            mark = (found.st_mtime_ns, found.st_size)
            known = self._known.get(site.id)
            if known is None or known[0] != mark:
                known = self._known[site.id] = (mark, read_record(path))
        except FileNotFoundError:
            return None
        except OSError as error:
            return Record(readings=None, faults=(_fault(path, None, "(file)", "", _words(error), "Check its rights."),))
        return known[1]

    def readings(self, site: Site) -> Readings | None:
        """What can be used of the site's file; None if there is nothing."""
        record = self.record(site)
        return None if record is None else record.readings


def read_record(path: Path) -> Record:
    """The newest part of a thermometer's file; raises OSError where it cannot be read."""
    header, first_line, lines = _lines(path)
    names = [name.strip().lower() for name in next(csv.reader([header]), [])]
    if TIME not in names or not {AIR_C, AIR_F} & set(names):
        fix = f"Begin the file with a line such as {TIME},{AIR_C}."
        return Record(readings=None, faults=(_fault(path, 1, "(header)", header[:60], "names no time or air.", fix),))
    rows: dict[datetime, dict[str, float]] = {}
    faults: list[Fault] = []
    for number_of_line, line in enumerate(lines, start=first_line):
        if line.strip():
            try:
                moment, values = _row(names, next(csv.reader([line])))
                rows[moment] = values
            except (BadInput, csv.Error) as error:
                where = number_of_line if first_line == 2 else None
                faults.append(_fault(path, where, "(row)", line[:60], str(error), "Correct it, or take the row out."))
    return Record(readings=readings_of(rows, by=BY, is_at_site=True), faults=tuple(faults[:MOST_FAULTS]))


def _lines(path: Path) -> tuple[str, int, list[str]]:
    """The header, the number of the first line that follows (2: the whole file), and the finished lines."""
    with path.open("rb") as file:
        header = file.readline(10_000)
        size = file.seek(0, 2)
        start = max(size - TAIL_BYTES, len(header))
        file.seek(start)
        text = file.read().decode("utf-8", errors="replace")
    lines = text.splitlines()
    if lines and not text.endswith(("\n", "\r")):
        lines.pop()
    is_whole = start == len(header)
    return header.decode("utf-8-sig", errors="replace").strip(), 2 if is_whole else 0, lines if is_whole else lines[1:]


def _row(names: list[str], cells: list[str]) -> tuple[datetime, dict[str, float]]:
    if len(cells) != len(names):
        raise BadInput(f"It has {len(cells)} values, the header {len(names)}.")
    row = dict(zip(names, (cell.strip() for cell in cells), strict=True))
    values = {name: _value(name, row[name]) for name in RANGES if row.get(name)}
    if AIR_C not in values and row.get(AIR_F):
        values[AIR_C] = _believed(AIR_F, row[AIR_F], f_to_c(number(row[AIR_F])))
    return _instant(row[TIME]), values


def _instant(raw: str) -> datetime:
    try:
        has_zone = datetime.fromisoformat(raw).utcoffset() is not None
    except ValueError as error:
        raise BadInput(f"{TIME} = {raw!r} is no time; write it as 2026-10-03T22:00Z.") from error
    return parse_instant(raw if has_zone else f"{raw}Z")


def _value(name: str, raw: str) -> float:
    lowest, highest = RANGES[name]
    value = number(raw)
    if not lowest <= value <= highest:
        raise BadInput(f"{name} = {raw!r} is no number from {lowest:g} to {highest:g}.")
    return value


def _believed(name: str, raw: str, air_c: float) -> float:
    if not COLDEST_BELIEVED_C <= air_c <= WARMEST_BELIEVED_C:
        raise BadInput(f"{name} = {raw!r} is no air temperature.")
    return air_c


def _fault(path: Path, line: int | None, field: str, value: str, problem: str, fix: str) -> Fault:
    return Fault(file=path.as_posix(), line=line, field=field, value=value, problem=problem, fix=fix, is_warning=True)


def _words(error: OSError) -> str:
    return f"cannot be read: {error.strerror}."
