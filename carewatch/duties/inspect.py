"""The duty to inspect a machine: every so many spray hours since the last time, announced before it is due."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from carewatch.duties.answers import answers_to
from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local, by_machine, local_day

ANNOUNCED_AT = 0.9  # chosen: at 8 h a day some nine working days ahead, so that it can be put before a rush
SLOWEST_A_DAY = 0.05  # chosen: at less than this no date can be named
SAME_H = 0.5  # chosen: sides that differ by less ran the same
FURTHEST = timedelta(days=365)
STILL_DUE = frozenset({DutyState.OPEN, DutyState.PROMISED, DutyState.ACCEPTED})


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionDue:
    """How far a machine is from its next inspection [h]: weighted spray hours of the side that ran most.

    `side` None: all ran the same. `about_on`: the local day it will be reached at the pace of the last four weeks that
    are known; None: no pace.
    """

    since_h: float
    every_h: float
    side: str | None
    inspected_at: datetime | None
    about_on: date | None

    @property
    def left_h(self) -> float:
        """Hours until it is due; below zero when it is overdue."""
        return self.every_h - self.since_h

    @property
    def is_reached(self) -> bool:
        """Whether it is due."""
        return self.since_h >= self.every_h

    @property
    def is_near(self) -> bool:
        """Whether it is announced, or due."""
        return self.since_h >= ANNOUNCED_AT * self.every_h


def inspection_due(one: MachineFacts) -> InspectionDue:
    """Where a machine stands; only new facts change it, waiting does not."""
    hours = one.state.hours
    since = hours.since_inspection
    due = InspectionDue(
        since_h=hours.most_since_inspection,
        every_h=one.fleet.inspect_every_h,
        side=_most_used(since),
        inspected_at=hours.inspected_at,
        about_on=None,
    )
    if due.is_reached or hours.known_until is None or hours.a_day < SLOWEST_A_DAY:
        return due
    ahead = min(timedelta(days=due.left_h / hours.a_day), 10 * FURTHEST)
    return replace(due, about_on=local_day(hours.known_until + ahead, one.site.tz))


def _most_used(since: Mapping[str, float]) -> str | None:
    if not since or max(since.values()) - min(since.values()) < SAME_H:
        return None
    return max(since, key=lambda side: since[side])


def inspect_duties(facts: Facts, now: datetime) -> list[Duty]:
    """Inspections announced or due, and known ones that were done or are not near any more."""
    duties, ledger = [], by_machine(duty for duty in facts.duties.values() if duty.kind is DutyKind.INSPECT)
    for one in facts.machines:
        known = {duty.key: duty for duty in ledger.get(one.machine.id, ())}
        current = _current(one, known, now)
        if current is not None:
            duties.append(current)
        duties += [
            replace(duty, state=_ended(one, duty))
            for duty in known.values()
            if duty.state in STILL_DUE and (current is None or duty.key != current.key)
        ]
    return duties


def inspect_key(one: MachineFacts) -> str:
    """One duty for each stretch between two inspections."""
    inspected_at = one.state.hours.inspected_at
    since = "first" if inspected_at is None else f"{local_day(inspected_at, one.site.tz)}"
    return f"{DutyKind.INSPECT}|{one.machine.id}|{since}"


def is_due(duty: Duty) -> bool:
    """Whether it is due rather than announced; `opened_at` is then the moment that became known."""
    return duty.due_at <= duty.opened_at


def _current(one: MachineFacts, known: dict[str, Duty], now: datetime) -> Duty | None:
    due = inspection_due(one)
    if one.state.is_retired or not due.is_near:
        return None
    key = inspect_key(one)
    duty = known.get(key)
    if duty is None or duty.state not in STILL_DUE:
        duty = _opened(one, key, now)
    if due.is_reached:
        duty = duty if is_due(duty) else replace(duty, opened_at=now, due_at=now)
    else:
        duty = replace(duty, due_at=_announced_for(one, due, duty.opened_at))
    answers = answers_to(key, one.entries)
    is_promised = answers.promised_until is not None and answers.promised_until > now
    is_accepted = answers.accepted_by is not None or (duty.state is DutyState.ACCEPTED and not answers.assigned_to)
    state = DutyState.ACCEPTED if is_accepted else DutyState.PROMISED if is_promised else DutyState.OPEN
    return replace(
        duty,
        state=state,
        assigned_to=answers.assigned_to or duty.assigned_to,
        promised_until=answers.promised_until if is_promised else None,
        because=_because(due),
    )


def _opened(one: MachineFacts, key: str, now: datetime) -> Duty:
    return Duty(
        key=key,
        machine=one.machine.id,
        kind=DutyKind.INSPECT,
        night=local_day(now, one.site.tz),
        assigned_to=None,
        opened_at=now,
        due_at=now + FURTHEST,
        state=DutyState.OPEN,
    )


def _announced_for(one: MachineFacts, due: InspectionDue, opened_at: datetime) -> datetime:
    """The end of work of the day it will be reached, at least a day after it was announced."""
    earliest = opened_at + timedelta(days=1)
    if due.about_on is None:
        return opened_at + FURTHEST
    return max(earliest, at_local(due.about_on, one.fleet.work_ends_at, one.site.tz))


def _ended(one: MachineFacts, duty: Duty) -> DutyState:
    """Done by an inspection since; else the hours are not what they seemed, or it is gone."""
    if one.state.is_retired or duty.key == inspect_key(one):
        return DutyState.CANCELLED
    return DutyState.DONE if one.state.hours.inspected_at is not None else DutyState.CANCELLED


def _because(due: InspectionDue) -> tuple[str, ...]:
    """In tens of hours, so that not every reading is a new line of the ledger."""
    since = "in all, no inspection is known" if due.inspected_at is None else "since the last inspection"
    return (f"About {round(due.since_h, -1):.0f} of {due.every_h:.0f} spray hours {since}.",)
