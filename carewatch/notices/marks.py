"""The instants at which the plan may say something else although no fact changed; no need to look in between."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import NIGHT_IS_OVER_AT, MachineFacts, at_local, local_day
from carewatch.duties.rinse import leaves_field_at, told_at
from carewatch.duties.say import asks_at
from carewatch.duties.thaw import NOTICE_BEFORE_WORK, notice_at
from carewatch.notices.desk import Desk
from carewatch.notices.evening import protect_told_at
from carewatch.notices.no_forecast import BEFORE_EVENING
from carewatch.notices.said import EARLIER_BY, NIGHT_KINDS
from carewatch.notices.still_wet import NEXT_CONTACT_AFTER, everyone_told_at, late_at
from carewatch.weather.lows import STALE_AGE_H
from carewatch.weather.nights import NOON

ONE_DAY = timedelta(days=1)
MIDNIGHT = time(0)
SETTLED = frozenset({DutyState.DONE, DutyState.CANCELLED, DutyState.ACCEPTED})  # only new facts wake them again


def next_due_at(desk: Desk) -> datetime:
    """The earliest instant after now at which anything may become due; at the latest in a day."""
    return min((moment for moment in _marks(desk) if moment > desk.now), default=desk.now + ONE_DAY)


def _marks(desk: Desk) -> Iterator[datetime]:
    for fleet in desk.facts.roster.fleets:
        for on in (local_day(desk.now, fleet.tz), local_day(desk.now, fleet.tz) + ONE_DAY):
            day_mail_at = at_local(on, fleet.day_mail_at, fleet.tz)
            yield from (day_mail_at, day_mail_at + EARLIER_BY)
            yield at_local(on, fleet.work_ends_at, fleet.tz) - BEFORE_EVENING
        for person in fleet.people:
            yield from _daily(desk, MIDNIGHT, fleet.zone)  # absences, weekends
            if person.quiet is not None:
                for ends_at in _daily(desk, person.quiet.end, fleet.zone):
                    yield from (ends_at, ends_at + EARLIER_BY)
            written = desk.sent_to(person.id, NIGHT_KINDS, within=ONE_DAY)
            yield from (notice.created_at + EARLIER_BY for notice in written)
    for weather in desk.facts.weather.values():
        for forecast in (weather.forecast, weather.second):
            if forecast is not None:
                yield forecast.issued_at + timedelta(hours=STALE_AGE_H)
    for one in desk.facts.machines:
        yield from _machine_marks(desk, one)


def _machine_marks(desk: Desk, one: MachineFacts) -> Iterator[datetime]:
    zone = one.site.zone
    yield from _daily(desk, NOON, zone)
    yield from _daily(desk, NIGHT_IS_OVER_AT, zone)
    yield from (at - NOTICE_BEFORE_WORK for at in _daily(desk, one.fleet.work_starts_at, zone))
    yield from _daily(desk, one.fleet.night_at, zone)
    leaves_at = leaves_field_at(one)
    yield from (asks_at(one, desk.now), asks_at(one, desk.now + ONE_DAY), *((leaves_at,) if leaves_at else ()))
    if one.state.stands.heat_known_until:
        yield one.state.stands.heat_known_until
    for duty in desk.of_machine.get(one.machine.id, ()):
        if duty.state not in SETTLED and (duty.due_at > desk.now - ONE_DAY or duty.promised_until):
            yield from _duty_marks(one, duty, leaves_at)


def _duty_marks(one: MachineFacts, duty: Duty, leaves_at: datetime | None) -> Iterator[datetime]:
    yield duty.due_at
    if duty.promised_until:
        yield duty.promised_until
    if duty.kind is DutyKind.THAW:
        yield notice_at(duty)
    if duty.kind is DutyKind.PROTECT:
        late = late_at(one, duty)
        yield from (late, late + NEXT_CONTACT_AFTER, everyone_told_at(one, duty), protect_told_at(one, duty))
        if leaves_at is not None:
            yield told_at(one, leaves_at=leaves_at, protect_by=duty.due_at)
        outlook = one.outlook(duty.night)
        if outlook and outlook.first_ice_at:
            yield outlook.first_ice_at


def _daily(desk: Desk, moment: time, zone: str) -> Iterator[datetime]:
    tz = ZoneInfo(zone)
    today = local_day(desk.now, tz)
    yield from (at_local(on, moment, tz) for on in (today, today + ONE_DAY))
