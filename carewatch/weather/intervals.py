"""ISO 8601 durations and intervals as forecast services write them; what cannot be read surely is refused."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from carewatch.errors import BadInput

HOUR = timedelta(hours=1)
FIRST_YEAR, LAST_YEAR = 1850, 2200  # chosen: every weather record and forecast; arithmetic stays within datetime
LONGEST = timedelta(days=40)  # chosen: no forecast service looks further ahead than 35 days

_DURATION = re.compile(
    r"P(?:(?P<days>\d{1,4})D)?(?:T(?=\d)(?:(?P<hours>\d{1,4})H)?(?:(?P<minutes>\d{1,5})M)?(?:(?P<seconds>\d{1,6})S)?)?",
    re.ASCII,
)


def parse_duration(text: str) -> timedelta:
    """Length of `PT14H`, `P1DT9H` and the like; months and years have no fixed length and are refused."""
    found = _DURATION.fullmatch(text)
    parts = {unit: int(amount) for unit, amount in found.groupdict().items() if amount} if found else {}
    length = timedelta(**parts)
    if not timedelta(0) < length <= LONGEST:
        raise BadInput(f"{text!r} is not a duration between one second and {LONGEST.days} days.")
    return length


def parse_instant(text: str) -> datetime:
    """A moment in UTC from ISO 8601 text that names its offset."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise BadInput(f"{text!r} is not a date and time such as 2026-10-03T12:00:00Z.") from error
    if moment.utcoffset() is None:
        raise BadInput(f"{text!r} does not say which time zone it is in.")
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise BadInput(f"{text!r} lies outside the years {FIRST_YEAR} to {LAST_YEAR}.")
    return moment.astimezone(UTC)


def parse_interval(text: str) -> tuple[datetime, datetime]:
    """Start and end of `start/duration`, `start/end` or `duration/end`."""
    first, slash, last = (part.strip() for part in text.partition("/"))
    if not slash:
        raise BadInput(f"{text!r} is not a time interval: there is no '/'.")
    if first.startswith("P"):
        end_at = parse_instant(last)
        return end_at - parse_duration(first), end_at
    start_at = parse_instant(first)
    end_at = start_at + parse_duration(last) if last.startswith("P") else parse_instant(last)
    if not start_at < end_at <= start_at + LONGEST:
        raise BadInput(f"{text!r} is not a time interval: it must end after it starts.")
    return start_at, end_at


def floor_hour(moment: datetime) -> datetime:
    """The full UTC hour at or before a moment."""
    return moment.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def ceil_hour(moment: datetime) -> datetime:
    """The full UTC hour at or after a moment."""
    floor = floor_hour(moment)
    return floor if floor == moment else floor + HOUR
