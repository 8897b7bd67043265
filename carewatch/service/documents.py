"""Outlooks, notices and duties as the JSON that other programs read. Keys stay; more may be added."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from carewatch.duties.duty import Duty
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.state import Contents, Fill
from carewatch.notices.notice import Notice


def instant(moment: datetime | None) -> str | None:
    """ISO 8601 in UTC with Z, to the second."""
    return None if moment is None else moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def outlook_document(outlook: Outlook) -> dict[str, Any]:
    """One machine, one night."""
    origin = outlook.forecast
    return {
        "machine": outlook.machine,
        "site": outlook.site,
        "night": outlook.night.isoformat(),
        "state": "assessed" if outlook.is_assessed else "not_assessed",
        "urgency": outlook.urgency.value,
        "severity": outlook.severity.value,
        "certainty": outlook.certainty.value,
        "chance": _rounded(outlook.chance, 3) if outlook.is_assessed else None,
        "margin_c": _rounded(outlook.margin_c, 1),
        "coldest_air_c": _rounded(outlook.coldest_air_c, 1),
        "coldest_part_c": _rounded(outlook.coldest_part_c, 1),
        "worst_part": outlook.worst_part,
        "ice_fraction": _rounded(outlook.ice_fraction, 2),
        "first_ice_at": instant(outlook.first_ice_at),
        "first_ice_early_at": instant(outlook.first_ice_early_at),
        "contents": {part: contents_document(contents) for part, contents in outlook.contents.items()},
        "because": list(outlook.because),
        "forecast": None
        if origin is None
        else {
            "source": origin.source,
            "issued_at": instant(origin.issued_at),
            "fetched_at": instant(origin.fetched_at),
            "age_h": _rounded(origin.age_h, 1),
            "licence": origin.licence,
        },
    }


def without_age(document: dict[str, Any]) -> dict[str, Any]:
    """The document without what changes by merely waiting."""
    forecast = document.get("forecast")
    return {**document, "forecast": {**forecast, "age_h": None, "fetched_at": None} if forecast else None}


def contents_document(contents: Contents) -> dict[str, Any]:
    """What one part holds."""
    return {
        "holds": contents.liquid.name,
        "full": contents.fill is Fill.FULL,
        "freezes_at_c": _rounded(contents.freezes_at_c, 1),
        "known_by": contents.known_by,
        "since": instant(contents.since),
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or value != value or abs(value) == float("inf") else round(value, digits)


def notice_line(notice: Notice, *, message_id: str) -> dict[str, Any]:
    """One notice, without its words."""
    return {
        "at": instant(notice.created_at),
        "key": notice.key,
        "kind": notice.kind.value,
        "to": notice.to,
        "machines": list(notice.machines),
        "subject": notice.subject,
        "message_id": message_id,
        "refers_to": notice.refers_to,
        "duties": list(notice.duties),
    }


def duty_line(duty: Duty, *, at: datetime) -> dict[str, Any]:
    """One change of a duty."""
    return {
        "at": instant(at),
        "key": duty.key,
        "machine": duty.machine,
        "kind": duty.kind.value,
        "for": duty.night.isoformat(),
        "opened_at": instant(duty.opened_at),
        "due_at": instant(duty.due_at),
        "state": duty.state.value,
        "assigned_to": duty.assigned_to,
        "promised_until": instant(duty.promised_until),
    }
