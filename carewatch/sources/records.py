"""The CSV files of a scenario: what the weather really was, and when the forecast services were silent."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from carewatch.errors import BadInput
from carewatch.sources.tree import number
from carewatch.weather.forecast import FloatArray
from carewatch.weather.intervals import HOUR, floor_hour, parse_instant
from carewatch.weather.readings import Readings, readings_of
from carewatch.weather.series import COLDEST_BELIEVED_C, WARMEST_BELIEVED_C, nothing

TIME = "time_utc"
RANGES: Mapping[str, tuple[float, float]] = {
    "air_c": (COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
    "dew_c": (COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
    "wind_mps": (0.0, 120.0),
    "cloud_fraction": (0.0, 1.0),
}
LONGEST_RECORD_H = 24 * 3700  # chosen: ten years


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """What really happened at a site, hourly from `start_at`; NaN where nothing was recorded."""

    start_at: datetime
    values: Mapping[str, FloatArray]

    @property
    def hours(self) -> int:
        """Number of hour marks."""
        return int(self.values["air_c"].shape[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A time in which a site got no new forecast; `site` may be `*` for all."""

    site: str
    from_at: datetime
    to_at: datetime

    def holds(self, site: str, now: datetime) -> bool:
        """Whether the site is cut off at `now`."""
        return self.site in (site, "*") and self.from_at <= now < self.to_at


def readings_of_record(weather: Weather) -> Readings | None:
    """The record as readings, for looking back; no site learns from what no thermometer of its own has read."""
    rows = {
        weather.start_at + hour * HOUR: {name: float(values[hour]) for name, values in weather.values.items()}
        for hour in range(weather.hours)
    }
    return readings_of(rows, by="the record of what really happened", is_at_site=False)


def read_weather(path: Path) -> Weather:
    """The hourly record in `weather/SITE.csv`."""
    rows = [(line, _hour(path, line, row), _values(path, line, row)) for line, row in _rows(path, (TIME, *RANGES))]
    if not rows:
        raise BadInput(f"{path}: there are no rows below the header; write one per hour.")
    for (_, before, _), (line, moment, _) in pairwise(rows):
        if moment <= before:
            raise BadInput(f"{path}:{line}: {TIME} = {moment:%Y-%m-%dT%H:%MZ} is not after the row above.")
    start_at = rows[0][1]
    hours = (rows[-1][1] - start_at) // HOUR + 1
    if hours > LONGEST_RECORD_H:
        raise BadInput(f"{path}: {TIME} spans more than {LONGEST_RECORD_H // 24} days; check the years.")
    series = {name: nothing(hours) for name in RANGES}
    for _, moment, values in rows:
        for name, value in values.items():
            series[name][(moment - start_at) // HOUR] = value
    return Weather(start_at=start_at, values=series)


def read_outages(path: Path) -> tuple[Outage, ...]:
    """The silences in `forecasts/outages.csv`; none if there is no such file."""
    if not path.is_file():
        return ()
    outages = []
    for line, row in _rows(path, ("site", "from_utc", "to_utc")):
        from_at, to_at = (_instant(path, line, row, column) for column in ("from_utc", "to_utc"))
        if to_at <= from_at:
            raise BadInput(f"{path}:{line}: to_utc = {row['to_utc']} must lie after from_utc.")
        outages.append(Outage(site=row["site"].strip(), from_at=from_at, to_at=to_at))
    return tuple(outages)


def _rows(path: Path, columns: tuple[str, ...]) -> Iterator[tuple[int, dict[str, str]]]:
    """The rows of a CSV file with their line numbers; every column must be there."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise BadInput(f"{path}: there is no such file.") from error
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: cannot be read; save it as CSV in UTF-8.") from error
    reader = csv.DictReader(text.splitlines(), strict=True)
    try:
        missing = [column for column in columns if column not in (reader.fieldnames or ())]
        if missing:
            raise BadInput(f"{path}:1: the column {missing[0]} is missing; the header must be {','.join(columns)}.")
        for row in reader:
            if None in row or None in row.values():
                raise BadInput(f"{path}:{reader.line_num}: this row does not have as many values as the header.")
            yield reader.line_num, row
    except csv.Error as error:
        raise BadInput(f"{path}:{reader.line_num}: is not a CSV row ({error}).") from error


def _instant(path: Path, line: int, row: Mapping[str, str], column: str) -> datetime:
    raw = row[column].strip()
    try:
        has_zone = datetime.fromisoformat(raw).utcoffset() is not None
        return parse_instant(raw if has_zone else f"{raw}Z" if "T" in raw or " " in raw else f"{raw}T00:00Z")
    except (ValueError, BadInput) as error:
        raise BadInput(f"{path}:{line}: {column} = {raw!r} is no time; write it as 2026-10-03T12:00Z.") from error


def _hour(path: Path, line: int, row: Mapping[str, str]) -> datetime:
    moment = _instant(path, line, row, TIME)
    if moment != floor_hour(moment):
        raise BadInput(f"{path}:{line}: {TIME} = {row[TIME]} must be a full hour.")
    return moment


def _values(path: Path, line: int, row: Mapping[str, str]) -> dict[str, float]:
    return {name: _value(path, line, name, row[name].strip(), span) for name, span in RANGES.items()}


def _value(path: Path, line: int, name: str, raw: str, span: tuple[float, float]) -> float:
    """A number in its range; an empty cell is not known."""
    if not raw:
        return np.nan
    value = number(raw)
    lowest, highest = span
    if not lowest <= value <= highest:
        raise BadInput(f"{path}:{line}: {name} = {raw!r} must be a number from {lowest:g} to {highest:g}, or empty.")
    return value
