"""Binary time logs of task controllers (ISO 11783-10, TLG): a header in XML, records in little-endian binary.

A record is the time of day [ms] and the day [since 1 January 1980], the fields of the position that the header leaves
empty, the number of values, and for each its place in the header and a signed 32-bit value. The layout was read in the
open-source library isoxml 1.11.2 (npm, Apache-2.0) and agrees with its reading; the standard's own text was not seen.
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from xml.etree.ElementTree import Element

from carewatch.sources.task_files import TaskFiles, trouble

FIRST_DAY = datetime(1980, 1, 1)  # noqa: DTZ001 - the clock of the task controller, which has no zone
FIRST_YEAR, LAST_YEAR = 2000, 2100  # chosen: outside of these the clock was not set yet
WORK_STATE = 0x008D  # 141 Actual Work State: 0 off, 1 on, 2 error, 3 undefined
SECTION_STATES = range(0x00A1, 0x00B1)  # 161 to 176: two bits for each of 16 sections, the same meanings
ON = 1
QUARTER = timedelta(minutes=15)
FURTHEST_ZONE = timedelta(hours=14, minutes=15)
LONGEST_STEP = timedelta(minutes=10)  # chosen: between records further apart nobody knows whether it went on
NEW_SHIFT_AFTER = timedelta(hours=4)  # as everywhere: a gap of four hours starts a new shift

_WHEN = struct.Struct("<IH")
_VALUE = struct.Struct("<Bi")
_POSITION = (  # attribute of PTN -> how it is stored
    ("A", "i"), ("B", "i"), ("C", "i"), ("D", "B"), ("E", "H"), ("F", "H"), ("G", "B"), ("H", "I"), ("I", "H"),
)  # fmt: skip

Column = tuple[int, str]
"""A value's meaning: the number in the data dictionary, the id of the device element."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What was logged at one moment; `at`: UTC where the receiver gave it, else the controller's own clock (naive)."""

    at: datetime
    values: Mapping[Column, int]
    behind_utc: timedelta | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Header:
    columns: tuple[Column, ...]
    position: struct.Struct
    stored: tuple[str, ...]


def read_log(files: TaskFiles, name: str) -> list[Record]:
    """The records of one log, in order; a last one that was cut off is left out."""
    header = _header(files, f"{name}.XML".upper())
    member = f"{name}.BIN".upper()
    data = files.contents.get(member)
    if data is None:
        raise trouble(files.name, member, "is named, but is not there.", "Copy the whole folder, or the whole .zip.")
    return _in_utc(list(_records(data, header, files.called(member))))


def _in_utc(records: list[Record]) -> list[Record]:
    """The same on UTC, if the receiver told it anywhere in this log; clocks differ by whole quarters of an hour."""
    told = next((one.behind_utc for one in records if one.behind_utc is not None), None)
    if told is None:
        return records
    behind = QUARTER * round(told / QUARTER)
    return [Record(at=(one.at + behind).replace(tzinfo=UTC), values=one.values) for one in records]


def _header(files: TaskFiles, member: str) -> _Header:
    time = files.xml(member)
    where = files.called(member)
    if time.tag != "TIM" or time.get("A") != "":
        raise trouble(where, "TIM", "is no heading of a time log.", "Export it again.")
    position = time.find("PTN")
    given = [(key, code) for key, code in _POSITION if position is not None and position.get(key) == ""]
    columns = tuple(_column(one, number, where) for number, one in enumerate(time.iter("DLV"), start=1))
    return _Header(
        columns=columns,
        position=struct.Struct("<" + "".join(code for _, code in given)),
        stored=tuple(key for key, _ in given),
    )


def _column(one: Element, number: int, where: str) -> Column:
    return dictionary_number(one, f"DLV[{number}].A", where), one.get("C", "")


def dictionary_number(one: Element, field: str, where: str) -> int:
    """The number of a value in the data dictionary, written as four hexadecimal digits."""
    text = one.get("A", "")
    try:
        return int(text, 16)
    except ValueError:
        problem, fix = "is no entry of the data dictionary.", "Four hexadecimal digits are written there: 0112."
        raise trouble(where, field, problem, fix, value=text[:60]) from None


def _records(data: bytes, header: _Header, where: str) -> Iterator[Record]:
    place, number = 0, 0
    while place + _WHEN.size + header.position.size + 1 <= len(data):
        number += 1
        clock_ms, day = _WHEN.unpack_from(data, place)
        place += _WHEN.size
        position = dict(zip(header.stored, header.position.unpack_from(data, place), strict=True))
        place += header.position.size
        count = data[place]
        place += 1
        if place + count * _VALUE.size > len(data):
            return
        values = {}
        for _ in range(count):
            column, value = _VALUE.unpack_from(data, place)
            place += _VALUE.size
            if column >= len(header.columns):
                problem = f"names value {column}, but the heading has {len(header.columns)}."
                raise trouble(where, f"record {number}", problem, "Heading and log do not belong together.")
            values[header.columns[column]] = value
        at = FIRST_DAY + timedelta(days=day, milliseconds=clock_ms)
        if FIRST_YEAR <= at.year < LAST_YEAR:
            yield Record(at=at, values=values, behind_utc=_behind_utc(at, position))


def _behind_utc(at: datetime, position: Mapping[str, int]) -> timedelta | None:
    utc_ms, utc_day = position.get("H"), position.get("I")
    if utc_ms is None or not utc_day:
        return None
    behind = FIRST_DAY + timedelta(days=utc_day, milliseconds=utc_ms) - at
    return behind if abs(behind) <= FURTHEST_ZONE else None


# ---------------------------------------------------------------- what they mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Work stopped then (for a shift or for good); `hours` [h] with work on since the log began."""

    at: datetime
    hours: float


Elements = Collection[str]
"""Ids of device elements."""


def has_work_state(records: Sequence[Record], elements: Elements) -> bool:
    """Whether anything tells when these elements worked."""
    return any(_is_state(ddi) and one in elements for record in records for ddi, one in record.values)


def _is_state(ddi: int) -> bool:
    return ddi == WORK_STATE or ddi in SECTION_STATES


def stops(records: Sequence[Record], elements: Elements, above: Elements = ()) -> list[Stop]:
    """Hours with work on, at the end of each shift.

    On: the work state of any of the `elements` is on, as far as they tell one; any of their sections is on, as far as
    they tell any; and whatever they are part of (`above`) is not off. A value stays until another one is logged.
    """
    state: dict[Column, int] = {}
    found: list[Stop] = []
    on = timedelta()
    last_on_at: datetime | None = None
    is_on = False
    for record, following in zip(records, (*records[1:], None), strict=True):
        if last_on_at is not None and record.at - last_on_at >= NEW_SHIFT_AFTER:
            found.append(Stop(at=last_on_at, hours=on / timedelta(hours=1)))
            last_on_at = None
        if record.values:
            state.update(record.values)
            is_on = _is_on(state, elements, above)
        if is_on:
            step = timedelta() if following is None else following.at - record.at
            step = min(max(step, timedelta()), LONGEST_STEP)
            on += step
            last_on_at = record.at + step
    if last_on_at is not None:
        found.append(Stop(at=last_on_at, hours=on / timedelta(hours=1)))
    return [one for one in found if one.hours > 0.0]


def _is_on(state: Mapping[Column, int], elements: Elements, above: Elements) -> bool:
    whole = [value == ON for (ddi, one), value in state.items() if ddi == WORK_STATE and one in elements]
    sections = [_any_section(value) for (ddi, one), value in state.items() if ddi in SECTION_STATES and one in elements]
    if any(ddi == WORK_STATE and one in above and value != ON for (ddi, one), value in state.items()):
        return False
    return bool(whole or sections) and (not whole or any(whole)) and (not sections or any(sections))


def _any_section(value: int) -> bool:
    return any(value >> shift & 0b11 == ON for shift in range(0, 32, 2))
