"""The duty to say something: a working day without a word in season is a question, not "not used"."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local, by_machine, local_day
from carewatch.duties.rinse import BEFORE_SHIFT_END
from carewatch.logbook.state import Fill
from carewatch.weather.nights import NOON

IN_SEASON_FOR = timedelta(days=10)  # chosen: sprayed this recently means it may have sprayed today
POCKETS_ASKED_AFTER = timedelta(days=3)
SATURDAY = 5


def say_duties(facts: Facts, now: datetime) -> list[Duty]:
    """Questions about today, and earlier ones that nobody answered."""
    duties, ledger = [], by_machine(duty for duty in facts.duties.values() if duty.kind is DutyKind.SAY)
    for one in facts.machines:
        today = local_day(now, one.site.tz)
        key = f"{DutyKind.SAY}|{one.machine.id}|{today}"
        asked = [duty for duty in ledger.get(one.machine.id, ()) if duty.state is DutyState.OPEN]
        duties += [_moved_on(one, duty, today_key=key) for duty in asked]
        if key not in facts.duties and (why := _question(one, now)):
            duties.append(_opened(one, key, why, now))
    return duties


def asks_at(one: MachineFacts, now: datetime) -> datetime:
    """When the day's question is asked: 20 min before the planned shift ends.

    Without a planned shift, or if it ends after midnight, before the day's work ends.
    """
    shift_end = one.machine.shift_end
    if shift_end is None or shift_end < NOON:
        shift_end = one.fleet.work_ends_at
    return at_local(local_day(now, one.site.tz), shift_end, one.site.tz) - BEFORE_SHIFT_END


def _question(one: MachineFacts, now: datetime) -> str | None:
    if now < asks_at(one, now) or one.state.is_retired or one.state.is_laid_up or one.state.season_ended:
        return None
    if _has_word_on(one, local_day(now, one.site.tz)):
        return None
    sprayed_at = one.state.last_sprayed_at
    is_working_day = local_day(now, one.site.tz).weekday() <= SATURDAY
    if is_working_day and sprayed_at is not None and now - sprayed_at <= IN_SEASON_FOR:
        return "No word today: did it spray?"
    if _pockets_are_old(one, now):
        return "Blown out or drained some nights ago: is it still so?"
    return None


def _pockets_are_old(one: MachineFacts, now: datetime) -> bool:
    """Asked again every third night, while a night below freezing is near."""
    today = local_day(now, one.site.tz)
    ages = [
        today - local_day(contents.since, one.site.tz)
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
