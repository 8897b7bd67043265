"""What people answered about a duty, read from the logbook. An answer is a promise; only evidence closes a duty."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from carewatch.logbook.entries import Assigned, Declined, Entry, EntryKind, Promised, RiskAccepted

EVIDENCE_OF_PROTECTION = frozenset(
    {
        EntryKind.MOVED,
        EntryKind.HEAT_CHANGED,
        EntryKind.RINSED,
        EntryKind.BLOWN_OUT,
        EntryKind.DRAINED,
        EntryKind.ANTIFREEZE_RUN,
        EntryKind.STRENGTH_MEASURED,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """The latest answers to one duty. `accepted_by` and `declined_by` are person ids."""

    assigned_to: str | None = None
    promised_by: str | None = None
    promised_until: datetime | None = None
    accepted_by: str | None = None
    declined_by: str | None = None
    declined_at: datetime | None = None


def answers_to(duty_key: str, entries: Iterable[Entry]) -> Answers:
    """Fold the answers to one duty, later ones over earlier ones, in the order they happened."""
    given: dict[str, str | datetime | None] = {}
    for entry in sorted(entries, key=lambda entry: (entry.happened_at, entry.recorded_at, entry.id)):
        who = entry.on_behalf_of or entry.by
        match entry.detail:
            case Assigned(duty=duty, to=to) if duty == duty_key:
                given |= {"assigned_to": to, "declined_by": None, "declined_at": None}
            case Promised(duty=duty, by_at=by_at) if duty == duty_key:
                given |= {"promised_by": who, "promised_until": by_at, "declined_by": None, "declined_at": None}
            case RiskAccepted(duty=duty) if duty == duty_key:
                given |= {"accepted_by": who}
            case Declined(duty=duty) if duty == duty_key:
                given |= {"declined_by": who, "declined_at": entry.happened_at, "promised_until": None}
            case _:
                pass
    return Answers(**given)  # type: ignore[arg-type]  # keys and types are those written above


def evidence_since(opened_at: datetime, entries: Iterable[Entry]) -> Entry | None:
    """The newest entry that may have made contents or place safe and was recorded after `opened_at`."""
    found = [entry for entry in entries if entry.kind in EVIDENCE_OF_PROTECTION and entry.recorded_at >= opened_at]
    return max(found, key=lambda entry: (entry.happened_at, entry.recorded_at), default=None)
