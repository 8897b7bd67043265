"""What people answered about a duty, read from the logbook. An answer is a promise; only evidence closes a duty."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from carewatch.logbook.entries import (
    AirMeasured,
    Assigned,
    Declined,
    Entry,
    EntryKind,
    HeatChanged,
    Promised,
    RiskAccepted,
)
from carewatch.logbook.whereabouts import WARM_C
from carewatch.roster.model import PlaceKind

# A flush alone is none: clean water freezes sooner than most of what was in there.
EVIDENCE_OF_PROTECTION = frozenset(
    {EntryKind.BLOWN_OUT, EntryKind.DRAINED, EntryKind.ANTIFREEZE_RUN, EntryKind.STRENGTH_MEASURED}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """The latest answers to one duty. `accepted_by` and `declined_by` are person ids."""

    assigned_to: str | None = None
    promised_by: str | None = None
    promised_until: datetime | None = None
    accepted_by: str | None = None
    accepted_at: datetime | None = None
    declined_by: str | None = None
    declined_at: datetime | None = None


NO_PROMISE: dict[str, str | datetime | None] = {"promised_by": None, "promised_until": None}
NO_DECISION: dict[str, str | datetime | None] = {
    "accepted_by": None, "accepted_at": None, "declined_by": None, "declined_at": None,
}  # fmt: skip


def answers_to(duty_key: str, entries: Iterable[Entry], *, since: datetime | None = None) -> Answers:
    """Fold the answers to one duty, later ones over earlier ones, in the order they happened.

    Promises and refusals recorded before `since` (the duty was opened anew) count no more; a decision to leave it and
    who it was given to do. "I cannot" takes back one's own promise, not that of somebody else.
    """
    given: dict[str, str | datetime | None] = {}
    for entry in sorted(entries, key=lambda entry: (entry.happened_at, entry.recorded_at, entry.id)):
        who, at = entry.on_behalf_of or entry.by, entry.happened_at
        is_past = since is not None and entry.recorded_at < since
        match entry.detail:
            case Assigned(duty=duty, to=to) if duty == duty_key:
                given |= NO_DECISION | {"assigned_to": to}
            case Promised(duty=duty, by_at=by_at) if duty == duty_key and not is_past:
                given |= NO_DECISION | {"promised_by": who, "promised_until": by_at}
            case RiskAccepted(duty=duty) if duty == duty_key:
                given |= NO_DECISION | {"accepted_by": who, "accepted_at": at}
            case Declined(duty=duty) if duty == duty_key and not is_past:
                if not _somebody_else_will(given, who, at):
                    given |= NO_PROMISE | {"declined_by": who, "declined_at": at}
            case _:
                pass
    return Answers(**given)  # type: ignore[arg-type]  # keys and types are those written above


def _somebody_else_will(given: dict[str, str | datetime | None], who: str, at: datetime) -> bool:
    until = given.get("promised_until")
    return isinstance(until, datetime) and until > at and given.get("promised_by") != who


def evidence_since(opened_at: datetime, entries: Iterable[Entry], *, stands: PlaceKind) -> Entry | None:
    """The newest entry recorded since then that may have made it safe; a move counts only if it stands sheltered."""
    found = [entry for entry in entries if entry.recorded_at >= opened_at and _may_protect(entry, stands)]
    return max(found, key=lambda entry: (entry.happened_at, entry.recorded_at), default=None)


def _may_protect(entry: Entry, stands: PlaceKind) -> bool:
    if entry.kind is EntryKind.MOVED:
        return stands is not PlaceKind.OUTDOORS
    if isinstance(entry.detail, HeatChanged):
        return entry.detail.is_on
    if isinstance(entry.detail, AirMeasured):
        return stands is PlaceKind.HEATED_SHOP and entry.detail.air_c >= WARM_C
    return entry.kind in EVIDENCE_OF_PROTECTION
