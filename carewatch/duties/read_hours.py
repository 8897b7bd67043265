"""The duty to read the spray-hour counter: once a week in season, where nothing else tells the hours."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local, by_machine, local_day
from carewatch.duties.say import IN_SEASON_FOR, asks_at
from carewatch.logbook.entries import Sprayed

ASKED_EVERY = timedelta(days=7)


def read_hours_duties(facts: Facts, now: datetime) -> list[Duty]:
    """Readings asked for, and those that came or are not needed any more."""
    duties, ledger = [], by_machine(duty for duty in facts.duties.values() if duty.kind is DutyKind.READ_HOURS)
    for one in facts.machines:
        asked = [duty for duty in ledger.get(one.machine.id, ()) if duty.state is DutyState.OPEN]
        duties += [replace(duty, state=_state(one, now)) for duty in asked]
        if not asked and now >= asks_at(one, now) and _state(one, now) is DutyState.OPEN:
            duties.append(_opened(one, now))
    return duties


def _state(one: MachineFacts, now: datetime) -> DutyState:
    state = one.state
    if state.is_retired:
        return DutyState.CANCELLED
    if _is_known(one, now):
        return DutyState.DONE
    sprayed_at = state.last_sprayed_at
    is_in_season = sprayed_at is not None and now - sprayed_at <= IN_SEASON_FOR
    return DutyState.OPEN if is_in_season and not (state.is_laid_up or state.season_ended) else DutyState.LAPSED


def _is_known(one: MachineFacts, now: datetime) -> bool:
    """Whether a reading is fresh, or every spraying of the week was written down with its hours."""
    read_at = one.state.hours.last_read_at
    if read_at is not None and now - read_at < ASKED_EVERY:
        return True
    week = [
        entry.detail
        for entry in one.entries
        if isinstance(entry.detail, Sprayed) and now - entry.happened_at < ASKED_EVERY
    ]
    return bool(week) and all(job.hours is not None for job in week)


def _opened(one: MachineFacts, now: datetime) -> Duty:
    on = local_day(now, one.site.tz)
    return Duty(
        key=f"{DutyKind.READ_HOURS}|{one.machine.id}|{on}",
        machine=one.machine.id,
        kind=DutyKind.READ_HOURS,
        night=on,
        assigned_to=None,
        opened_at=now,
        due_at=max(now, at_local(on, one.fleet.night_at, one.site.tz)),
        state=DutyState.OPEN,
        because=("No reading of the spray-hour counter for a week.",),
    )
