"""What a line of the logbook may look like: one pydantic model per kind, made from the details of entries.py."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, fields
from datetime import UTC, datetime
from functools import cache
from typing import Annotated, Any, Literal, get_type_hints

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict, WithJsonSchema, create_model
from pydantic_core import PydanticCustomError

from carewatch.logbook.antifreeze import COLDEST_READING_C
from carewatch.logbook.entries import Channel, EntryKind
from carewatch.logbook.kinds import DETAIL_TYPES, HELP

FIRST_YEAR, LAST_YEAR = 2000, 2100  # chosen: outside of these a date is a slip
LONGEST_TEXT = 4000
LONGEST_WORD = 200


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

_TYPES: Mapping[Any, Any] = {
    str: Word,
    bool: Annotated[bool, Strict()],
    int: Count,
    datetime: Instant,
    tuple[str, ...]: Words,
    tuple[str, ...] | None: Words | None,
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
_AIR = Annotated[float, Strict(), Field(ge=-90.0, le=60.0, allow_inf_nan=False)]
_HOURS = Annotated[float, Strict(), Field(ge=0.0, le=48.0, allow_inf_nan=False)]

# Fields whose meaning narrows what their type allows, wherever they occur.
_BY_NAME: Mapping[str, Any] = {
    "litres": _LITRES | None,
    "hours": _HOURS | None,
    "strength_vol_pct": _STRENGTH | None,
    "first_ice_c": _FIRST_ICE | None,
    "air_c": _AIR,
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


@cache
def line_model(kind: EntryKind) -> type[Line]:
    """The model of a line of one kind."""
    detail = DETAIL_TYPES[kind]
    hints = get_type_hints(detail)
    columns: dict[str, Any] = {"kind": (Literal[kind.value], Field(description=HELP[kind]))}
    for column in fields(detail):
        default = ... if column.default is MISSING else column.default
        columns[column.name] = (_type_of(column.name, hints[column.name]), default)
    return create_model(f"{kind.value}_line", __base__=Line, __doc__=HELP[kind], **columns)


def _type_of(name: str, hint: Any) -> Any:  # noqa: ANN401 - a type, which has no narrower name
    if name == "counter_h":
        return _COUNTER | None if hint == (float | None) else _COUNTER
    return _BY_NAME.get(name, _TYPES.get(hint, hint))
