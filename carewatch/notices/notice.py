"""A notice: one message to one person, as a value."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class NoticeKind(StrEnum):
    """What sort of message it is."""

    DAY = "day"
    WORSE = "worse"
    STILL_WET = "still_wet"
    EVENING = "evening"
    MORNING_AFTER = "morning_after"
    CANCELLED = "cancelled"
    NO_FORECAST = "no_forecast"
    DIGEST = "digest"
    INSPECTION = "inspection"
    SETTINGS_FAULT = "settings_fault"
    CATCH_UP = "catch_up"
    ANSWER = "answer"
    SIGN_IN = "sign_in"
    TEST = "test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One message to one person. `key` is unique for ever: whoever writes the same key again sends nothing.

    `duties` are the keys of the duties it asks for; `refers_to` the key of the earlier notice it answers or cancels;
    `not_after`: after this instant it is no longer worth sending.
    `facts`: machine -> short fingerprint of what was said (so that a later plan knows whether something got worse).
    """

    key: str
    kind: NoticeKind
    person: str
    to: str
    machines: tuple[str, ...]
    duties: tuple[str, ...]
    subject: str
    text: str
    html: str
    created_at: datetime
    not_after: datetime
    refers_to: str | None = None
    facts: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SentNotice:
    """What the plan needs to know of an earlier notice: all of it but the words.

    `is_refused`: the address `to` said no; it counts until the roster gives the person another one ("": not known).
    """

    key: str
    kind: NoticeKind
    person: str
    machines: tuple[str, ...]
    duties: tuple[str, ...]
    subject: str
    created_at: datetime
    refers_to: str | None
    facts: tuple[tuple[str, str], ...]
    is_refused: bool
    to: str = ""
