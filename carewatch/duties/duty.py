"""A duty: something one person must do to one machine by a time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum


class DutyKind(StrEnum):
    """What must be done."""

    RINSE = "rinse"
    PROTECT = "protect"
    THAW = "thaw"
    WINTERIZE = "winterize"
    RECOMMISSION = "recommission"
    INSPECT = "inspect"
    DRY_CONNECTORS = "dry_connectors"
    READ_HOURS = "read_hours"
    SAY = "say"


class DutyState(StrEnum):
    """How far a duty is; only evidence closes it (`done`)."""

    OPEN = "open"
    PROMISED = "promised"
    ACCEPTED = "accepted"
    DONE = "done"
    LAPSED = "lapsed"
    CANCELLED = "cancelled"


UNDONE = frozenset({DutyState.OPEN, DutyState.LAPSED})
"""Nobody has done it, promised it in time or decided to leave it: it wants a hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """One duty. `key` is unique for ever: `protect|sprayer-3|2026-10-19`. `night` is the night or shift date it is for.

    `assigned_to` is a person id; `because` the reasons a reader gets; `refers_to` nothing but the machine and night.
    """

    key: str
    machine: str
    kind: DutyKind
    night: date
    assigned_to: str | None
    opened_at: datetime
    due_at: datetime
    state: DutyState
    promised_until: datetime | None = None
    because: tuple[str, ...] = ()
