"""The duty to protect one machine for one night: when it opens, by when it is due, what closes it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from enum import StrEnum

from carewatch.duties.answers import Answers, answers_to, evidence_since
from carewatch.duties.daylight import sunset_at
from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local, by_machine, tonight
from carewatch.duties.rinse import AFTER_LAST_ACTIVITY, planned_end_at
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.entries import Entry
from carewatch.weather.nights import night_on

LIKELY_CHANCE = 0.5  # above: "freezes"; from the threshold up to it: "could freeze"
CLOSING_SHARE = 0.5  # of the threshold: below it a night counts as protected; the gap stops flapping
DEADLINE_STEP = timedelta(minutes=30)
THAWS_WITHIN = timedelta(hours=6)  # chosen: a silent machine is not left out of the next night's warning
HEARD_FOR = timedelta(hours=1)  # chosen: nobody is late before the day mail could be read
FLUSH_TAKES = timedelta(minutes=15)  # chosen: driving to the spot and flushing both sides
DAYLIGHT_NEEDED = timedelta(hours=2)  # chosen: with less daylight left the deadline may lie after dark
STILL_POSSIBLE = frozenset({DutyState.OPEN, DutyState.PROMISED, DutyState.LAPSED})


class Level(StrEnum):
    """How a night stands for one machine, in the words people read."""

    NOT_ASSESSED = "not_assessed"
    FREEZES = "freezes"
    COULD = "could"
    SAFE = "safe"


def level_of(outlook: Outlook | None, threshold: float) -> Level:
    """The word for an outlook; what was not assessed is never safe. An unusable forecast can alarm all the same."""
    if outlook is None or outlook.chance is None:
        return Level.NOT_ASSESSED
    if outlook.chance > LIKELY_CHANCE:
        return Level.FREEZES
    if outlook.chance >= threshold:
        return Level.COULD
    return Level.SAFE if outlook.is_assessed else Level.NOT_ASSESSED


def protect_key(machine: str, night: object) -> str:
    """Key of the duty to protect a machine for a night."""
    return f"{DutyKind.PROTECT}|{machine}|{night}"


def protect_duties(facts: Facts, now: datetime) -> list[Duty]:
    """Every protect duty as it stands at `now`: those in the ledger that can still change, and the new ones."""
    duties, ledger = [], by_machine(duty for duty in facts.duties.values() if duty.kind is DutyKind.PROTECT)
    for one in facts.machines:
        nights = {tonight(now, one.site.tz)}
        nights |= {duty.night for duty in ledger.get(one.machine.id, ()) if not _is_settled(duty, one, now)}
        duties += [duty for night in sorted(nights) if (duty := _judge(facts, one, night, now))]
    return duties


def _is_settled(duty: Duty, one: MachineFacts, now: datetime) -> bool:
    """Whether its night is over and its last word written."""
    is_over = night_on(duty.night, one.site.tz).end_at <= now
    return is_over and duty.state not in (DutyState.OPEN, DutyState.PROMISED)


def _judge(facts: Facts, one: MachineFacts, night: date, now: datetime) -> Duty | None:
    known = facts.duties.get(protect_key(one.machine.id, night))
    outlook = one.outlook(night)
    level = level_of(outlook, one.fleet.threshold_tonight)
    if known is None:
        if outlook is None or one.state.is_retired or level not in (Level.FREEZES, Level.COULD):
            return None
        if one.is_frozen_before(night) and not _had_time_to_thaw(facts, one, now):
            return None  # protecting comes too late: it must be thawed first (thaw.py)
        known = _opened(one, outlook, now)
    return _moved_on(one, known, outlook, now)


def _had_time_to_thaw(facts: Facts, one: MachineFacts, now: datetime) -> bool:
    """Whether people were told to thaw it hours ago: by then it may well be liquid again, and another night comes."""
    return any(
        duty.kind is DutyKind.THAW and duty.machine == one.machine.id and now - duty.opened_at >= THAWS_WITHIN
        for duty in facts.duties.values()
        if duty.state is DutyState.OPEN
    )


def _opened(one: MachineFacts, outlook: Outlook, now: datetime) -> Duty:
    return Duty(
        key=protect_key(one.machine.id, outlook.night),
        machine=one.machine.id,
        kind=DutyKind.PROTECT,
        night=outlook.night,
        assigned_to=None,
        opened_at=now,
        due_at=deadline(one, outlook, opened_at=now),
        state=DutyState.OPEN,
        because=outlook.because,
    )


def _moved_on(one: MachineFacts, known: Duty, outlook: Outlook | None, now: datetime) -> Duty:
    """The same duty with what has happened since. Its night over, safe, or as answered."""
    if one.state.is_retired and known.state in STILL_POSSIBLE:
        return replace(known, state=DutyState.CANCELLED)
    answers = answers_to(known.key, one.entries, since=known.opened_at)
    evidence = evidence_since(known.opened_at, one.entries, stands=one.state.stands.kind)
    is_closed = known.state in (DutyState.DONE, DutyState.CANCELLED)
    duty = replace(known, assigned_to=answers.assigned_to, promised_until=answers.promised_until)
    if night_on(known.night, one.site.tz).end_at <= now:
        return replace(duty, state=DutyState.LAPSED if known.state in STILL_POSSIBLE else known.state)
    if outlook is None or outlook.chance is None:  # nothing new is known: neither closed nor opened again by that
        if evidence and _came_into_heat(one, known, evidence):
            return replace(duty, state=DutyState.DONE)
        return replace(duty, state=known.state if is_closed else _answered_state(answers, now))
    duty = replace(duty, because=outlook.because)
    if outlook.is_assessed and outlook.chance < CLOSING_SHARE * one.fleet.threshold_tonight:
        return replace(duty, state=DutyState.DONE if evidence else DutyState.CANCELLED)
    if is_closed:
        is_past = known.night < tonight(now, one.site.tz)  # what is filled in the morning is a matter of the next night
        if outlook.chance < one.fleet.threshold_tonight or one.state.is_retired or is_past:
            return replace(duty, state=known.state)
        answers = answers_to(known.key, one.entries, since=now)  # what was promised for the first time is past
        duty = replace(duty, opened_at=now, due_at=deadline(one, outlook, opened_at=now), promised_until=None)
    else:
        # A deadline follows the forecast and the shift until it has passed; then it stays, so that nobody is let off.
        passed = known.due_at <= now
        duty = duty if passed else replace(duty, due_at=deadline(one, outlook, opened_at=known.opened_at))
    return replace(duty, state=_answered_state(answers, now))


def _came_into_heat(one: MachineFacts, known: Duty, evidence: Entry) -> bool:
    """Whether it was brought into heat for the whole night before the early ice of the last forecast there was."""
    in_time = evidence.happened_at <= known.due_at + timedelta(minutes=one.machine.protect_min)
    return in_time and one.is_heated_until(night_on(known.night, one.site.tz).end_at)


def _answered_state(answers: Answers, now: datetime) -> DutyState:
    if answers.accepted_by:
        return DutyState.ACCEPTED
    if answers.promised_until is None:
        return DutyState.OPEN
    return DutyState.PROMISED if now < answers.promised_until else DutyState.LAPSED


def deadline(one: MachineFacts, outlook: Outlook, *, opened_at: datetime) -> datetime:
    """By when somebody must have protected it.

    Early first ice minus the working time; before the end of work and before dark if that leaves two hours, but with
    time for the work after a shift that is going on; in steps of 30 min of the site's clock; never before `opened_at`,
    nor sooner than an hour after the day mail of that day.
    """
    fleet, zone = one.fleet, one.site.tz
    evening = at_local(outlook.night, fleet.work_ends_at, zone)
    dark_at = sunset_at(one.site, outlook.night)
    if dark_at is not None and opened_at + DAYLIGHT_NEEDED <= dark_at < evening:
        evening = dark_at
    working_until = _works_until(one, outlook.night)
    if working_until is not None:
        evening = max(evening, working_until + FLUSH_TAKES + timedelta(minutes=one.machine.protect_min))
    ice_at = one.new_ice_at(outlook.night)
    latest = ice_at - timedelta(minutes=one.machine.protect_min) if ice_at else evening
    heard_at = at_local(outlook.night, fleet.day_mail_at, fleet.tz) + HEARD_FOR
    return max(opened_at, heard_at, _step_down(min(evening, latest)))


def _works_until(one: MachineFacts, night: date) -> datetime | None:
    """When the shift of that day ends, planned or by its last activity; None: it has not sprayed that day."""
    sprayed_at = one.state.last_sprayed_at
    if sprayed_at is None or tonight(sprayed_at, one.site.tz) != night:
        return None
    return max(sprayed_at + AFTER_LAST_ACTIVITY, planned_end_at(one, night) or sprayed_at)


def _step_down(moment: datetime) -> datetime:
    """Down to a full half hour (zones with odd offsets are whole quarter hours: close enough to read)."""
    return moment - timedelta(seconds=moment.timestamp() % DEADLINE_STEP.total_seconds())
