"""What a line of the logbook may look like: one pydantic model per kind, made from the details of entries.py."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, fields
from datetime import UTC, datetime
from functools import cache
from typing import Annotated, Any, Literal, get_args, get_type_hints

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    Strict,
    WithJsonSchema,
    create_model,
    model_validator,
)
from pydantic_core import PydanticCustomError

from carewatch.logbook.antifreeze import COLDEST_READING_C
from carewatch.logbook.care import CareDetail
from carewatch.logbook.entries import Channel, EntryKind
from carewatch.logbook.findings import HOW_TO_WRITE, Decision, Finding, FindingKind, finding_from_text
from carewatch.logbook.kinds import DETAIL_TYPES, HELP

FIRST_YEAR, LAST_YEAR = 2000, 2100  # chosen: outside of these a date is a slip
LONGEST_TEXT = 4000
LONGEST_WORD = 200
MOST_NUMBERS = 2000  # chosen: more positions than any boom has
MOST_FINDINGS = 500
LONGEST_SHOWN = 40


def _instant(value: object) -> datetime:
    """An instant with its zone, as UTC."""
    if isinstance(value, datetime):
        moment = value
    elif isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            raise _refused("is not a date and time.", "Write 2026-10-02T18:00:00Z.") from None
    else:
        raise _refused("is not a date and time.", "Write 2026-10-02T18:00:00Z, in quotation marks.")
    if moment.tzinfo is None:
        raise _refused("has no time zone.", "Put Z (UTC) or an offset such as +02:00 behind it.")
    if not FIRST_YEAR <= moment.year < LAST_YEAR:
        raise _refused(f"lies outside {FIRST_YEAR} to {LAST_YEAR}.", "Correct the year.")
    return moment.astimezone(UTC)


def _clean(value: str) -> str:
    if "\x00" in value:
        raise _refused("holds a character that is no text.", "Leave it out.")
    return value


def _listed(value: object) -> object:
    """One word may stand for a list of one."""
    return [value] if isinstance(value, str) else value


def _not_negative_as_slip(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool) and value < 0:
        raise _refused(
            "is no strength; figures such as -50 on a jug are burst ratings and protect no valve.",
            "Write the share by volume (0 to 100), or the first-ice point you read as first_ice_c.",
        )
    return value


def _burst_rating(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool) and value < COLDEST_READING_C:
        raise _refused(
            f"is colder than {COLDEST_READING_C:g} °C: that is a burst rating or a slip, not a first-ice point.",
            "Write the temperature read on the instrument, in °C.",
        )
    return value


def _numbers(value: object) -> object:
    """Positions or sections: 14, "14", "1-12" or a list of these."""
    told = value if isinstance(value, list | tuple) else [value]
    found: list[object] = []
    for one in told:
        first, dash, last = one.partition("-") if isinstance(one, str) else ("", "", "")
        if dash and _is_count(first) and _is_count(last) and int(first) <= int(last) < int(first) + MOST_NUMBERS:
            found.extend(range(int(first), int(last) + 1))
        elif isinstance(one, str) and _is_count(one):
            found.append(int(one))
        elif isinstance(one, str):
            raise _refused(f"holds {one[:LONGEST_SHOWN]!r}, which is no number.", "Write 14, or a span such as 12-20.")
        else:
            found.append(one)
    return sorted(set(found)) if all(type(one) is int for one in found) else found  # type: ignore[type-var]


def _is_count(text: str) -> bool:
    return text.strip().isascii() and text.strip().isdigit() and len(text.strip()) < 6


def _findings(value: object) -> object:
    if isinstance(value, str):
        return [part for part in (one.strip() for one in value.replace(";", ",").split(",")) if part]
    return [value] if isinstance(value, dict) else value


def _finding(value: object) -> object:
    """A finding from its one line, or from an object with position, what and, where there is one, the side."""
    if not isinstance(value, str):
        return value
    try:
        return finding_from_text(_clean(value))
    except ValueError as trouble:
        problem, _, fix = str(trouble).partition(". ")
        raise _refused(f"{problem}.", fix or HOW_TO_WRITE) from None


def _refused(problem: str, fix: str) -> PydanticCustomError:
    return PydanticCustomError("carewatch", "{problem} {fix}", {"problem": problem, "fix": fix})


Instant = Annotated[
    datetime, BeforeValidator(_instant), WithJsonSchema({"type": "string", "format": "date-time"})
]  # fmt: skip
Word = Annotated[str, Strict(), Field(min_length=1, max_length=LONGEST_WORD), AfterValidator(_clean)]
Text = Annotated[str, Strict(), Field(max_length=LONGEST_TEXT), AfterValidator(_clean)]
Words = Annotated[tuple[Word, ...], Field(min_length=1, max_length=20), BeforeValidator(_listed)]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Count = Annotated[int, Strict(), Field(ge=1, le=10_000)]

Numbers = Annotated[tuple[Count, ...], Field(min_length=1, max_length=MOST_NUMBERS), BeforeValidator(_numbers)]


class FindingLine(BaseModel):
    """One thing found at one position; may also be written in one line: 14 front seat_worn."""

    model_config = ConfigDict(extra="forbid", frozen=True, from_attributes=True)

    position: Count
    what: FindingKind
    side: Word | None = None
    is_slight: Annotated[bool, Strict()] = False
    decision: Decision | None = None

    def found(self) -> Finding:
        """The value everything else works with."""
        return Finding(
            position=self.position, what=self.what, side=self.side, is_slight=self.is_slight, decision=self.decision
        )  # fmt: skip


OneFinding = Annotated[
    FindingLine,
    BeforeValidator(_finding, json_schema_input_type=FindingLine | str),
    AfterValidator(FindingLine.found),
]
Findings = Annotated[tuple[OneFinding, ...], Field(max_length=MOST_FINDINGS), BeforeValidator(_findings)]

_TYPES: Mapping[Any, Any] = {
    str: Word,
    bool: Annotated[bool, Strict()],
    int: Count,
    datetime: Instant,
    tuple[str, ...]: Words,
    tuple[str, ...] | None: Words | None,
    tuple[int, ...] | None: Numbers | None,
    tuple[Finding, ...]: Findings,
    float | None: Number | None,
    int | None: Count | None,
    bool | None: Annotated[bool, Strict()] | None,
    str | None: Word | None,
}

_LITRES = Annotated[float, Strict(), Field(ge=0.0, le=100_000.0, allow_inf_nan=False)]
_COUNTER = Annotated[float, Strict(), Field(ge=0.0, le=1_000_000.0, allow_inf_nan=False)]
_STRENGTH = Annotated[
    float, Strict(), BeforeValidator(_not_negative_as_slip), Field(ge=0.0, le=100.0, allow_inf_nan=False)
]  # fmt: skip
_FIRST_ICE = Annotated[
    float, Strict(), BeforeValidator(_burst_rating), Field(ge=COLDEST_READING_C, le=0.0, allow_inf_nan=False)
]  # fmt: skip
_QUANTITY = Annotated[int, Strict(), Field(ge=0, le=10_000)]
_COST = Annotated[float, Strict(), Field(ge=0.0, le=1_000_000.0, allow_inf_nan=False)]
_AIR = Annotated[float, Strict(), Field(ge=-90.0, le=60.0, allow_inf_nan=False)]
_HOURS = Annotated[float, Strict(), Field(ge=0.0, le=48.0, allow_inf_nan=False)]

# Fields whose meaning narrows what their type allows, wherever they occur.
_BY_NAME: Mapping[str, Any] = {
    "litres": _LITRES | None,
    "hours": _HOURS | None,
    "strength_vol_pct": _STRENGTH | None,
    "first_ice_c": _FIRST_ICE | None,
    "air_c": _AIR,
    "quantity": _QUANTITY | None,
    "cost": _COST | None,
    "instrument": Text,
    "reason": Text,
    "text": Text,
}


class Line(BaseModel):
    """What every line has."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: Word | None = None
    machine: Word
    happened_at: Instant
    recorded_at: Instant | None = None
    by: Word
    on_behalf_of: Word | None = None
    channel: Channel = Channel.FILE


class CareLine(Line):
    """A line about nozzle bodies: one place may be written in the singular, as it was before there were several."""

    @model_validator(mode="before")
    @classmethod
    def _one_of_several(cls, told: Any) -> Any:  # noqa: ANN401 - whatever was sent
        for one in ("position", "section", "side"):
            several = f"{one}s"
            if isinstance(told, dict) and one in told and several in cls.model_fields and several not in told:
                told = {key: value for key, value in told.items() if key != one} | {several: told[one]}
        return told


@cache
def line_model(kind: EntryKind) -> type[Line]:
    """The model of a line of one kind."""
    detail = DETAIL_TYPES[kind]
    hints = get_type_hints(detail)
    columns: dict[str, Any] = {"kind": (Literal[kind.value], Field(description=HELP[kind]))}
    for column in fields(detail):
        default = ... if column.default is MISSING else column.default
        columns[column.name] = (_type_of(column.name, hints[column.name]), default)
    base = CareLine if detail in get_args(CareDetail) else Line
    return create_model(f"{kind.value}_line", __base__=base, __doc__=HELP[kind], **columns)


def _type_of(name: str, hint: Any) -> Any:  # noqa: ANN401 - a type, which has no narrower name
    if name == "counter_h":
        return _COUNTER | None if hint == (float | None) else _COUNTER
    return _BY_NAME.get(name, _TYPES.get(hint, hint))
