"""The instants at which the plan may say something else although no fact changed; no need to look in between."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import NIGHT_IS_OVER_AT, MachineFacts, at_local, local_day
from carewatch.duties.protect import THAWS_WITHIN, Level, level_of
from carewatch.duties.rinse import leaves_field_at, told_at
from carewatch.duties.say import asks_at
from carewatch.duties.thaw import NOTICE_BEFORE_WORK, notice_at
from carewatch.notices.desk import Desk
from carewatch.notices.evening import protect_told_at
from carewatch.notices.no_forecast import BEFORE_EVENING
from carewatch.notices.said import EARLIER_BY, NIGHT_KINDS
from carewatch.notices.still_wet import NEXT_CONTACT_AFTER, everyone_told_at, late_at
from carewatch.roster.model import Fleet
from carewatch.weather.lows import STALE_AGE_H
from carewatch.weather.nights import NOON, night_on

ONE_DAY = timedelta(days=1)
MIDNIGHT = time(0)
QUIET_STATES = frozenset({DutyState.DONE, DutyState.ACCEPTED})
SETTLED = frozenset({DutyState.DONE, DutyState.CANCELLED, DutyState.ACCEPTED})  # only new facts wake them again


def next_due_at(desk: Desk) -> datetime:
    """The earliest instant after now at which anything may become due; at the latest in a day."""
    return min((moment for moment in _marks(desk) if moment > desk.now), default=desk.now + ONE_DAY)


def _marks(desk: Desk) -> Iterator[datetime]:
    for fleet in desk.facts.roster.fleets:
        yield from _fleet_marks(desk, fleet)
    for weather in desk.facts.weather.values():
        for forecast in (weather.forecast, weather.second):
            if forecast is not None:
                yield forecast.issued_at + timedelta(hours=STALE_AGE_H)
    for one in desk.facts.machines:
        yield from _machine_marks(desk, one)


def _fleet_marks(desk: Desk, fleet: Fleet) -> Iterator[datetime]:
    yield from _daily(desk, fleet.day_mail_at, fleet.zone)
    machines = list(desk.facts.of(fleet))
    has_open = any(
        duty.state not in QUIET_STATES for one in machines for duty in desk.of_machine.get(one.machine.id, ())
    )
    if has_open:
        yield from (at + EARLIER_BY for at in _daily(desk, fleet.day_mail_at, fleet.zone))
    if any(desk.level(one) is Level.NOT_ASSESSED for one in machines):
        yield from (at - BEFORE_EVENING for at in _daily(desk, fleet.work_ends_at, fleet.zone))
    for person in fleet.people:
        if person.absences or not person.works_weekends:
            yield from _daily(desk, MIDNIGHT, fleet.zone)
        if person.quiet is not None and (has_open or desk.told.expired):
            for ends_at in _daily(desk, person.quiet.end, fleet.zone):
                yield from (ends_at, ends_at + EARLIER_BY)
        written = desk.sent_to(person.id, NIGHT_KINDS, within=ONE_DAY)
        yield from (notice.created_at + EARLIER_BY for notice in written)


def _machine_marks(desk: Desk, one: MachineFacts) -> Iterator[datetime]:
    if any(level_of(outlook, one.fleet.threshold_tonight) is not Level.SAFE for outlook in one.outlooks[:3]):
        yield from _daily(desk, NIGHT_IS_OVER_AT, one.site.zone)  # another evening is "tonight": its duty may open
        yield from _daily(desk, NOON, one.site.zone)
    leaves_at = leaves_field_at(one)
    yield from (asks_at(one, desk.now), asks_at(one, desk.now + ONE_DAY), *((leaves_at,) if leaves_at else ()))
    if one.state.stands.heat_known_until:
        yield one.state.stands.heat_known_until
    for duty in desk.of_machine.get(one.machine.id, ()):
        if duty.state not in SETTLED and (duty.due_at > desk.now - ONE_DAY or duty.promised_until):
            yield from _duty_marks(one, duty, leaves_at)


def _duty_marks(one: MachineFacts, duty: Duty, leaves_at: datetime | None) -> Iterator[datetime]:
    yield duty.due_at
    yield at_local(local_day(duty.due_at, one.site.tz), one.fleet.night_at, one.site.tz)
    if duty.promised_until:
        yield duty.promised_until
    if duty.kind is DutyKind.THAW:
        yield from (notice_at(duty), duty.opened_at + THAWS_WITHIN)
    if duty.kind is DutyKind.PROTECT:
        late = late_at(one, duty)
        yield from (late, late + NEXT_CONTACT_AFTER, everyone_told_at(one, duty), protect_told_at(one, duty))
        yield night_on(duty.night, one.site.tz).end_at
        yield at_local(duty.night + ONE_DAY, one.fleet.work_starts_at, one.site.tz) - NOTICE_BEFORE_WORK
        if leaves_at is not None:
            yield told_at(one, leaves_at=leaves_at, protect_by=duty.due_at)
        outlook = one.outlook(duty.night)
        if outlook and outlook.first_ice_at:
            yield outlook.first_ice_at


def _daily(desk: Desk, moment: time, zone: str) -> Iterator[datetime]:
    tz = ZoneInfo(zone)
    today = local_day(desk.now, tz)
    yield from (at_local(on, moment, tz) for on in (today, today + ONE_DAY))
