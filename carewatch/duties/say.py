"""The duty to say something: a working day without a word in season is a question, not "not used"."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local, local_day
from carewatch.duties.rinse import BEFORE_SHIFT_END
from carewatch.logbook.state import Fill
from carewatch.weather.nights import NOON

IN_SEASON_FOR = timedelta(days=10)  # chosen: sprayed this recently means it may have sprayed today
POCKETS_ASKED_AFTER = timedelta(days=3)
SATURDAY = 5


def say_duties(facts: Facts, now: datetime) -> list[Duty]:
    """Questions about today, and earlier ones that nobody answered."""
    duties = []
    for one in facts.machines:
        today = local_day(now, one.site.tz)
        key = f"{DutyKind.SAY}|{one.machine.id}|{today}"
        asked = [
            duty
            for duty in facts.duties.values()
            if duty.kind is DutyKind.SAY and duty.machine == one.machine.id and duty.state is DutyState.OPEN
        ]
        duties += [_moved_on(one, duty, today_key=key) for duty in asked]
        if key not in facts.duties and (why := _question(one, now)):
            duties.append(_opened(one, key, why, now))
    return duties


def asks_at(one: MachineFacts, now: datetime) -> datetime | None:
    """When the day's question is asked: 20 min before the planned shift end (None: it has no planned shift).

    A shift that ends after midnight is asked about when the day's work ends.
    """
    shift_end = one.machine.shift_end
    if shift_end is None:
        return None
    if shift_end < NOON:
        shift_end = one.fleet.work_ends_at
    return at_local(local_day(now, one.site.tz), shift_end, one.site.tz) - BEFORE_SHIFT_END


def _question(one: MachineFacts, now: datetime) -> str | None:
    asked_at = asks_at(one, now)
    if asked_at is None or now < asked_at or one.state.is_retired or one.state.is_laid_up or one.state.season_ended:
        return None
    if _has_word_on(one, local_day(now, one.site.tz)):
        return None
    sprayed_at = one.state.last_sprayed_at
    is_working_day = local_day(now, one.site.tz).weekday() <= SATURDAY
    if is_working_day and sprayed_at is not None and now - sprayed_at <= IN_SEASON_FOR:
        return "No word today: did it spray?"
    if _pockets_are_old(one, now):
        return "Blown out or drained three nights ago: is it still so?"
    return None


def _pockets_are_old(one: MachineFacts, now: datetime) -> bool:
    ages = [
        now - contents.since
        for contents in one.state.contents.values()
        if contents.fill is Fill.POCKETS and contents.since is not None
    ]
    is_third_night = any(age.days > 0 and age.days % POCKETS_ASKED_AFTER.days == 0 for age in ages)
    return is_third_night and any(
        outlook.coldest_air_c is not None and outlook.coldest_air_c < 0 for outlook in one.outlooks[:2]
    )


def _has_word_on(one: MachineFacts, on: object) -> bool:
    return any(local_day(entry.happened_at, one.site.tz) == on for entry in one.entries)


def _opened(one: MachineFacts, key: str, why: str, now: datetime) -> Duty:
    on = local_day(now, one.site.tz)
    return Duty(
        key=key,
        machine=one.machine.id,
        kind=DutyKind.SAY,
        night=on,
        assigned_to=None,
        opened_at=now,
        due_at=max(now, at_local(on, one.fleet.night_at, one.site.tz)),
        state=DutyState.OPEN,
        because=(why,),
    )


def _moved_on(one: MachineFacts, duty: Duty, *, today_key: str) -> Duty:
    if _has_word_on(one, duty.night):
        return replace(duty, state=DutyState.DONE)
    return duty if duty.key == today_key else replace(duty, state=DutyState.LAPSED)
