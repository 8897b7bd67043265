"""A night runs from local noon to the next local noon and is named by the date of its evening."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

NOON = time(12)


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """One night at a site; `start_at`..`end_at` is 23, 24 or 25 h in UTC."""

    on: date
    start_at: datetime
    end_at: datetime


def night_on(on: date, zone: ZoneInfo) -> Night:
    """The night of the evening of `on`."""
    start_at = datetime.combine(on, NOON, zone).astimezone(UTC)
    end_at = datetime.combine(on + timedelta(days=1), NOON, zone).astimezone(UTC)
    return Night(on=on, start_at=start_at, end_at=end_at)


def night_containing(moment: datetime, zone: ZoneInfo) -> Night:
    """The night that `moment` (aware) lies in; exactly noon starts a new night."""
    local = moment.astimezone(zone)
    on = local.date() if local.time() >= NOON else local.date() - timedelta(days=1)
    return night_on(on, zone)


def nights_from(now: datetime, zone: ZoneInfo, *, count: int) -> tuple[Night, ...]:
    """Night 1 contains `now`; then the nights after it."""
    first = night_containing(now, zone)
    return tuple(night_on(first.on + timedelta(days=ahead), zone) for ahead in range(count))
