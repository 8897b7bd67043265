"""Kinds of values a person writes in a file, each with the check that belongs to it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from datetime import date, datetime, time
from enum import StrEnum
from functools import lru_cache
from typing import Annotated, Any, NoReturn, TypeVar
from zoneinfo import available_timezones

from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from carewatch.roster.document import advice, nearest, shown
from carewatch.roster.model import PLUMBING_PARTS, TimeSpan

NAME_LENGTH = 80  # chosen: longer names break subjects and tables
SENTENCE_LENGTH = 200  # chosen: what fits on a few lines of a phone
ID_LENGTH = 40  # chosen: ids stand in addresses of pages, file names and Message-IDs
EMAIL_LENGTH = 254  # RFC 5321 4.5.3.1.3: a path is at most 256 octets with its angle brackets
LOCAL_PART_LENGTH = 64  # RFC 5321 4.5.3.1.1
FORECAST_SOURCES = ("nws", "met_norway", "open_meteo")

ID_PATTERN = re.compile(r"[a-z0-9]+(?:[-_][a-z0-9]+)*")
# The addresses mail servers accept without an extension: dot-string of RFC 5321 4.1.2 in ASCII, at a host name.
EMAIL_PATTERN = re.compile(
    r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*"
    r"@(?=.{1,253}$)(?:localhost|(?:[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?\.)+[A-Za-z][A-Za-z0-9-]*[A-Za-z0-9])"
)
NOZZLE_PATTERN = re.compile(r"0[1-9]5?|[1-9]\d")  # codes as duties/nozzles.py reads them
INVISIBLE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}  # Unicode categories that draw nothing or move the line


def refuse(problem: str, fix: str) -> NoReturn:
    """Raise what `complaints.py` turns into a fault with these words."""
    raise PydanticCustomError("carewatch", "{problem} {fix}", {"problem": problem, "fix": fix})


def _text(value: object) -> str:
    if not isinstance(value, str):
        refuse("is not a text.", "Put it in quotation marks.")
    return value


def to_slug(text: str) -> str:
    """An id made from any text: `North Yard 2` -> `north-yard-2`."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:ID_LENGTH].strip("-") or "name-1"


def _id(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        refuse("is a number.", f'Put ids in quotation marks: "{shown(value)}".')
    text = _text(value)
    if len(text) > ID_LENGTH or not ID_PATTERN.fullmatch(text):
        refuse(
            f"is no id: small letters a-z, digits and single - or _ between them, at most {ID_LENGTH}.",
            f'Write "{to_slug(text)}".',
        )
    return text


def _name(value: object) -> str:
    return _on_one_line(value, NAME_LENGTH, if_empty="Write the name people use.")


def _sentence(value: object) -> str:
    return _on_one_line(value, SENTENCE_LENGTH, if_empty="Write in a few words what one sees.")


def _on_one_line(value: object, longest: int, *, if_empty: str) -> str:
    text = _text(value).strip()
    if not text:
        refuse("is empty.", if_empty)
    if any(unicodedata.category(character) in INVISIBLE for character in text):
        refuse("holds line breaks or invisible characters.", "Type it again by hand, on one line.")
    if len(text) > longest:
        refuse(f"is {len(text)} characters long.", f"Use at most {longest}.")
    return text


def _currency(value: object) -> str:
    text = _text(value)
    if not re.fullmatch(r"[A-Z]{3}", text):
        refuse("is no currency.", 'Write its three capital letters (ISO 4217), such as "USD" or "EUR".')
    return text


def _email(value: object) -> str:
    text = _text(value).strip()
    local = text.rpartition("@")[0]
    if len(text) > EMAIL_LENGTH or len(local) > LOCAL_PART_LENGTH or not EMAIL_PATTERN.fullmatch(text):
        refuse("is not a mail address.", 'Write one plain address, such as "ana@farm.example".')
    return text


def _phone(value: object) -> str:
    text = _text(value).strip()
    if not re.fullmatch(r"\+?[0-9][0-9 ()./-]{3,28}[0-9]", text):
        refuse("is not a telephone number.", 'Write digits with the country code, such as "+1 515 555 0134".')
    return text


def _local_time(value: object) -> time:
    if isinstance(value, time) and value.tzinfo is None:
        return value.replace(microsecond=0)
    found = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", value.strip()) if isinstance(value, str) else None
    if found is None:
        refuse("is not a time of day.", 'Write hours and minutes on the 24-hour clock, such as "06:30" or "21:15".')
    return time(int(found[1]), int(found[2]))


def _local_date(value: object) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value.strip()):
            return date.fromisoformat(value.strip())
    except ValueError:
        pass
    refuse("is not a date.", "Write year, month and day, such as 2026-11-28.")


def _span(value: object) -> TimeSpan:
    parts = value.split("-") if isinstance(value, str) else []
    if len(parts) != 2:
        refuse("is not a span of the day.", 'Write from-to on the 24-hour clock, such as "21:00-06:00".')
    span = TimeSpan(start=_local_time(parts[0]), end=_local_time(parts[1]))
    if span.start == span.end:
        refuse("begins and ends at the same minute.", "Delete the line if there are no quiet hours.")
    return span


@lru_cache(maxsize=1)
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())  # it looks through the disk each time


def _zone(value: object) -> str:
    text = _text(value)
    zones = _zones()
    if text not in zones or text == "Factory" or text.startswith(("posix/", "right/")):
        refuse("is not a time zone.", _zone_advice(text, zones))
    return text


def _zone_advice(text: str, zones: frozenset[str]) -> str:
    cities = {zone.rpartition("/")[2]: zone for zone in sorted(zones) if "/" in zone}
    guess = nearest(text, zones) or cities.get(nearest(text, cities) or "")
    named = f'Did you mean "{guess}"? ' if guess else ""
    return f'{named}Write continent and city of the IANA list, such as "America/Chicago".'


def _nozzle(value: object) -> str:
    if isinstance(value, int | float):
        refuse("is a number.", 'Write the code as stamped on the nozzle, in quotation marks: "04".')
    text = _text(value).strip()
    if not NOZZLE_PATTERN.fullmatch(text):
        refuse("is no nozzle size.", 'Write the code as stamped on the nozzle: "015", "02", "025", "04", "10".')
    return text


def _side(value: object) -> str:
    text = _text(value)
    if not re.fullmatch(r"[a-z][a-z0-9_]{0,19}", text):
        refuse(
            "is no key of a valve side: a small letter, then small letters, digits or _, at most 20.",
            'Write "front" or "rear"; what operators call it goes under side_labels.',
        )
    return text


def one_of(words: tuple[str, ...]) -> BeforeValidator:
    """A check that a text is one of these words, with the nearest one in the message."""

    def check(value: object) -> str:
        if value not in words:
            refuse("is not known here.", advice(value, words))
        return str(value)

    return BeforeValidator(check)


Kind = TypeVar("Kind", bound=StrEnum)


def member_of(kind: type[Kind]) -> BeforeValidator:
    """A check that a text is a member of an enumeration, which it becomes."""
    words = [member.value for member in kind]

    def check(value: object) -> Kind:
        if value not in words:
            refuse("is not known here.", advice(value, words))
        return kind(value)

    return BeforeValidator(check)


def _as(check: Callable[[Any], object]) -> BeforeValidator:
    return BeforeValidator(check)


Id = Annotated[str, _as(_id)]
Name = Annotated[str, _as(_name)]
Sentence = Annotated[str, _as(_sentence)]
Currency = Annotated[str, _as(_currency)]
Email = Annotated[str, _as(_email)]
Phone = Annotated[str, _as(_phone)]
LocalTime = Annotated[time, _as(_local_time)]
LocalDate = Annotated[date, _as(_local_date)]
Span = Annotated[TimeSpan, _as(_span)]
Zone = Annotated[str, _as(_zone)]
Nozzle = Annotated[str, _as(_nozzle)]
SideKey = Annotated[str, _as(_side)]
PlumbingPart = Annotated[str, one_of(PLUMBING_PARTS)]
SourceName = Annotated[str, one_of(FORECAST_SOURCES)]
Ids = Annotated[list[Id], Field(max_length=50)]
