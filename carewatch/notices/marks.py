"""The instants at which the plan may say something else although no fact changed; no need to look in between."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from carewatch.duties.duty import DutyKind
from carewatch.duties.facts import NIGHT_IS_OVER_AT, MachineFacts, at_local, local_day
from carewatch.duties.rinse import AFTER_SHIFT, leaves_field_at
from carewatch.duties.say import asks_at
from carewatch.duties.thaw import NOTICE_BEFORE_WORK
from carewatch.notices.desk import Desk
from carewatch.notices.evening import protect_told_at
from carewatch.notices.no_forecast import BEFORE_EVENING
from carewatch.notices.said import EARLIER_BY
from carewatch.notices.still_wet import EVERYONE_AFTER, NEXT_CONTACT_AFTER, late_at
from carewatch.weather.nights import NOON

ONE_DAY = timedelta(days=1)


def next_due_at(desk: Desk) -> datetime:
    """The earliest instant after now at which anything may become due."""
    return min(moment for moment in _marks(desk) if moment > desk.now)


def _marks(desk: Desk) -> Iterator[datetime]:
    for fleet in desk.facts.roster.fleets:
        for on in (local_day(desk.now, fleet.tz), local_day(desk.now, fleet.tz) + ONE_DAY):
            day_mail_at = at_local(on, fleet.day_mail_at, fleet.tz)
            yield from (day_mail_at, day_mail_at + EARLIER_BY)
            yield at_local(on, fleet.work_ends_at, fleet.tz) - BEFORE_EVENING
        for person in fleet.people:
            if person.quiet is not None:
                yield from _daily(desk, person.quiet.end, fleet.tz.key)
    for one in desk.facts.machines:
        yield from _machine_marks(desk, one)


def _machine_marks(desk: Desk, one: MachineFacts) -> Iterator[datetime]:
    zone = one.site.zone
    yield from _daily(desk, NOON, zone)
    yield from _daily(desk, NIGHT_IS_OVER_AT, zone)
    yield from (at - NOTICE_BEFORE_WORK for at in _daily(desk, one.fleet.work_starts_at, zone))
    yield from _daily(desk, one.fleet.night_at, zone)
    yield from (at for at in (leaves_field_at(one), asks_at(one, desk.now)) if at)
    if one.state.last_sprayed_at:
        yield one.state.last_sprayed_at + AFTER_SHIFT
    if one.state.stands.heat_known_until:
        yield one.state.stands.heat_known_until
    for duty in desk.duties.values():
        if duty.machine != one.machine.id:
            continue
        yield duty.due_at
        if duty.kind is DutyKind.PROTECT:
            late = late_at(one, duty)
            yield from (late, late + NEXT_CONTACT_AFTER, late + EVERYONE_AFTER, protect_told_at(one, duty))
            outlook = one.outlook(duty.night)
            if outlook and outlook.first_ice_at:
                yield outlook.first_ice_at
        if duty.promised_until:
            yield duty.promised_until


def _daily(desk: Desk, moment: time, zone: str) -> Iterator[datetime]:
    tz = ZoneInfo(zone)
    today = local_day(desk.now, tz)
    yield from (at_local(on, moment, tz) for on in (today, today + ONE_DAY))
