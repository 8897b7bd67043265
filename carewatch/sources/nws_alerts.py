"""Reading official freeze and frost messages: a mention beside our own outlook, never a reason to lower it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from carewatch.sources.nws_grid import SERVICE, TITLE
from carewatch.sources.terms import brief
from carewatch.sources.tree import decode_object, dig, instant_or_none, objects, text

EVENTS = frozenset({
    "Freeze Warning",
    "Freeze Watch",
    "Frost Advisory",
    "Hard Freeze Warning",
    "Hard Freeze Watch",
    "Cold Weather Advisory",
    "Extreme Cold Warning",
    "Extreme Cold Watch",
})  # fmt: skip
OVER = frozenset({"CAN", "UPG", "EXP"})  # cancelled, replaced by another, expired
_VTEC = re.compile(
    r"/[OTEX]\.([A-Z]{3})\.([A-Z]{4})\.([A-Z]{2})\.([A-Z])\.(\d{4})\.(\d{6}T\d{4}Z)-(\d{6}T\d{4}Z)/", re.ASCII
)
_NO_TIME = "000000T0000Z"  # as a start: already running; as an end: until further notice


@dataclass(frozen=True, slots=True, kw_only=True)
class _Alert:
    identity: str
    event: str
    starts_at: datetime | None
    ends_at: datetime | None
    sent_at: datetime | None
    is_over: bool


def read_alerts(body: bytes, *, zone: ZoneInfo, now: datetime) -> tuple[str, ...]:
    """The freeze and frost messages in force or to come, each once, earliest first."""
    newest: dict[str, _Alert] = {}
    for feature in objects(decode_object(body, service=SERVICE).get("features")):
        for alert in _alerts(dig(feature, "properties")):
            known = newest.get(alert.identity)
            if known is None or _sort_key(known.sent_at) <= _sort_key(alert.sent_at):
                newest[alert.identity] = alert
    live = [alert for alert in newest.values() if not alert.is_over and (alert.ends_at is None or alert.ends_at > now)]
    live.sort(key=lambda alert: (_sort_key(alert.starts_at), alert.identity))
    return tuple(_sentence(alert, zone) for alert in live)


def _alerts(properties: object) -> Iterator[_Alert]:
    """The events one message speaks of: by its codes, or by its own times if it has none."""
    event = text(dig(properties, "event")) or ""
    if event not in EVENTS or dig(properties, "status") != "Actual":
        return
    # a cancelled or replaced message stays in the list of active ones with the type of a live one
    is_over = dig(properties, "urgency") == "Past" or dig(properties, "messageType") == "Cancel"
    sent_at = instant_or_none(dig(properties, "sent"))
    codes = dig(properties, "parameters", "VTEC")
    found = [_VTEC.search(code) for code in codes if isinstance(code, str)] if isinstance(codes, list) else []
    coded = [match.groups() for match in found if match]
    for action, office, phenomenon, significance, count, starts, ends in coded:
        yield _Alert(
            identity=f"{office}.{phenomenon}.{significance}.{count}",
            event=event,
            starts_at=_vtec_time(starts),
            ends_at=_vtec_time(ends),
            sent_at=sent_at,
            is_over=is_over or action in OVER,
        )
    if not coded:
        yield _Alert(
            identity=text(dig(properties, "id")) or event,
            event=event,
            starts_at=instant_or_none(dig(properties, "onset")) or instant_or_none(dig(properties, "effective")),
            # `expires` is the life of the message, not of the event: it counts only where nothing else is said
            ends_at=instant_or_none(dig(properties, "ends")) or instant_or_none(dig(properties, "expires")),
            sent_at=sent_at,
            is_over=is_over,
        )


def _vtec_time(code: str) -> datetime | None:
    if code == _NO_TIME:
        return None
    try:
        return datetime.strptime(code, "%y%m%dT%H%MZ").replace(tzinfo=UTC)
    except ValueError:
        return None


def _sort_key(moment: datetime | None) -> datetime:
    return moment or datetime.min.replace(tzinfo=UTC)


def _sentence(alert: _Alert, zone: ZoneInfo) -> str:
    since = f" from {alert.starts_at.astimezone(zone):%a %H:%M}" if alert.starts_at else ""
    until = f" until {alert.ends_at.astimezone(zone):%a %H:%M}" if alert.ends_at else ""
    return f"{TITLE}: {brief(alert.event)}{since}{until}."
