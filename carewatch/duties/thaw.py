"""The duty to thaw and check a machine that stood wet through a flagged night, before anybody starts it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local, local_day, tonight
from carewatch.duties.protect import Level, level_of
from carewatch.logbook.entries import EntryKind
from carewatch.weather.nights import night_on

NOTICE_BEFORE_WORK = timedelta(minutes=60)  # chosen: read before the first engine starts
FORGOTTEN_AFTER = timedelta(days=7)  # chosen: a check nobody reported for a week is lapsed, not open for ever
STOOD_WET = frozenset({DutyState.OPEN, DutyState.PROMISED, DutyState.LAPSED, DutyState.ACCEPTED})


def thaw_duties(facts: Facts, protects: list[Duty], now: datetime) -> list[Duty]:
    """Thaw duties: the known ones moved on, and new ones for flagged nights that nobody made safe."""
    machines = {one.machine.id: one for one in facts.machines}
    duties = [
        _moved_on(machines[duty.machine], duty, now)
        for duty in facts.duties.values()
        if duty.kind is DutyKind.THAW and duty.state is DutyState.OPEN and duty.machine in machines
    ]
    waiting = {duty.machine for duty in duties if duty.state is DutyState.OPEN}  # one check answers for all nights
    for protect in protects:
        one = machines[protect.machine]
        key = f"{DutyKind.THAW}|{protect.machine}|{protect.night}"
        if one.state.is_retired or key in facts.duties or protect.machine in waiting:
            continue
        if protect.state not in STOOD_WET or _was_second_best(one, protect):
            continue
        if may_be_frozen(one, protect, now) and not _was_thawed_after(one, protect.night):
            duties.append(_opened(one, protect, key, now))
    frozen_now = [
        one for one in facts.machines if not one.state.is_retired and one.is_frozen_before(tonight(now, one.site.tz))
    ]
    known = {duty.machine for duty in duties if duty.state is DutyState.OPEN}
    duties += [
        _opened_frozen(one, now) for one in frozen_now if one.machine.id not in known and _is_unknown(facts, one, now)
    ]
    return duties


def _was_second_best(one: MachineFacts, protect: Duty) -> bool:
    """Blown out and drained before a night that only could freeze it: there is little to look for in the morning."""
    is_could = level_of(one.outlook(protect.night), one.fleet.threshold_tonight) is not Level.FREEZES
    return one.has_only_pockets and is_could


def _is_unknown(facts: Facts, one: MachineFacts, now: datetime) -> bool:
    return f"{DutyKind.THAW}|{one.machine.id}|{tonight(now, one.site.tz)}" not in facts.duties


def _was_thawed_after(one: MachineFacts, night: date) -> bool:
    """Whether somebody thawed it in the second half of that night or the morning after, before he was asked to."""
    midnight = at_local(night + timedelta(days=1), time(0), one.site.tz)
    return any(entry.kind is EntryKind.THAWED and entry.happened_at >= midnight for entry in one.entries)


def may_be_frozen(one: MachineFacts, protect: Duty, now: datetime) -> bool:
    """Whether ice may have formed by now: its early time has passed, or the morning after has come."""
    outlook = one.outlook(protect.night)
    ice_at = outlook.first_ice_at if outlook and not outlook.is_frozen_already else None
    return (ice_at is not None and ice_at <= now) or work_starts_at(one, protect) - NOTICE_BEFORE_WORK <= now


def notice_at(duty: Duty) -> datetime:
    """When people are told: before work starts; found during the day, at once."""
    return duty.due_at - NOTICE_BEFORE_WORK


def work_starts_at(one: MachineFacts, duty: Duty) -> datetime:
    """When work starts, the morning after the night."""
    return at_local(duty.night + timedelta(days=1), one.fleet.work_starts_at, one.site.tz)


def _opened(one: MachineFacts, protect: Duty, key: str, now: datetime) -> Duty:
    return Duty(
        key=key,
        machine=protect.machine,
        kind=DutyKind.THAW,
        night=protect.night,
        assigned_to=protect.assigned_to,
        opened_at=now,
        due_at=max(now, work_starts_at(one, protect)),
        state=DutyState.OPEN,
        because=protect.because,
    )


def _opened_frozen(one: MachineFacts, now: datetime) -> Duty:
    """Ice is there before the night even begins: nobody was asked to protect it, but it must be thawed."""
    night = tonight(now, one.site.tz)
    outlook = one.outlook(night)
    return Duty(
        key=f"{DutyKind.THAW}|{one.machine.id}|{night}",
        machine=one.machine.id,
        kind=DutyKind.THAW,
        night=night,
        assigned_to=None,
        opened_at=now,
        due_at=_next_work_at(one, now),
        state=DutyState.OPEN,
        because=outlook.because if outlook else (),
    )


def _next_work_at(one: MachineFacts, now: datetime) -> datetime:
    """Now during the hours of work, else when they start next."""
    today, zone = local_day(now, one.site.tz), one.site.tz
    if now < at_local(today, one.fleet.work_starts_at, zone):
        return at_local(today, one.fleet.work_starts_at, zone)
    if now < at_local(today, one.fleet.work_ends_at, zone):
        return now
    return at_local(today + timedelta(days=1), one.fleet.work_starts_at, zone)


def _moved_on(one: MachineFacts, duty: Duty, now: datetime) -> Duty:
    if one.state.is_retired:
        return replace(duty, state=DutyState.CANCELLED)
    later = [entry for entry in one.entries if entry.recorded_at >= duty.opened_at]
    if any(entry.kind is EntryKind.THAWED for entry in later):
        return replace(duty, state=DutyState.DONE)
    was_used = any(
        entry.kind is EntryKind.SPRAYED and entry.happened_at > night_on(duty.night, one.site.tz).start_at
        for entry in later
    )
    if was_used or now - duty.opened_at > FORGOTTEN_AFTER:
        return replace(duty, state=DutyState.LAPSED)
    return duty
