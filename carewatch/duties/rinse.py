"""The duty to flush both valve sides after a shift of spraying. It belongs to the shift, not to the calendar day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from carewatch.duties.answers import answers_to
from carewatch.duties.duty import UNDONE, Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local, by_machine, local_day
from carewatch.logbook.shift import SHIFT_GAP
from carewatch.weather.nights import NOON

BEFORE_SHIFT_END = timedelta(minutes=20)
AFTER_LAST_ACTIVITY = timedelta(minutes=10)
AFTER_SHIFT = timedelta(hours=2)  # the evening message passes quiet hours for this long after the last activity
STARTED = "%Y-%m-%dT%H:%MZ"
TIME_FOR_BOTH = timedelta(hours=2)  # chosen: told this long before the deadline, both can still be done
STILL_DUE = frozenset({DutyState.OPEN, DutyState.ACCEPTED})


def rinse_duties(facts: Facts, protects: Iterable[Duty], now: datetime) -> list[Duty]:
    """Rinse duties: for the latest shift of each machine, and older open ones that a new shift has overtaken."""
    duties, ledger = [], by_machine(duty for duty in facts.duties.values() if duty.kind is DutyKind.RINSE)
    protect_by = {duty.machine: duty.due_at for duty in protects if duty.state in UNDONE}
    for one in facts.machines:
        known = ledger.get(one.machine.id, [])
        current = _for_latest_shift(one, known, protect_by.get(one.machine.id), now)
        if current:
            duties.append(current)
        over = DutyState.CANCELLED if one.state.is_retired else DutyState.LAPSED
        duties += [
            replace(duty, state=over)
            for duty in known
            if duty.state in STILL_DUE and (current is None or duty.key != current.key)
        ]
    return duties


def rinse_key(one: MachineFacts, known: Iterable[Duty]) -> str | None:
    """Key of the rinse duty of the latest shift; None if it never sprayed.

    A late entry may move the start of a shift that has its duty already: `known` ones of the same shift keep their key.
    """
    started_at, sprayed_at = one.state.last_shift_started_at, one.state.last_sprayed_at
    if started_at is None or sprayed_at is None:
        return None
    prefix = f"{DutyKind.RINSE}|{one.machine.id}|"
    for duty in known:
        if duty.kind is DutyKind.RINSE and duty.key.startswith(prefix):
            stamp = datetime.strptime(duty.key.removeprefix(prefix), STARTED).replace(tzinfo=UTC)
            if started_at - SHIFT_GAP < stamp <= sprayed_at:
                return duty.key
    return prefix + started_at.strftime(STARTED)


def planned_end_at(one: MachineFacts, on: date) -> datetime | None:
    """When the planned shift of a day ends; an end before noon is that of a night shift. None: no planned shift."""
    shift_end = one.machine.shift_end
    if shift_end is None:
        return None
    return at_local(on if shift_end >= NOON else on + timedelta(days=1), shift_end, one.site.tz)


def leaves_field_at(one: MachineFacts) -> datetime | None:
    """When to tell the operator: 20 min before the planned end of the shift, else 10 min after the last activity.

    A planned end before the shift began belongs to the next day. A shift that ended hours before its plan counts from
    the gap that ends a shift.
    """
    started_at, sprayed_at = one.state.last_shift_started_at, one.state.last_sprayed_at
    if started_at is None or sprayed_at is None:
        return None
    if one.machine.shift_end is None:
        return sprayed_at + AFTER_LAST_ACTIVITY
    on = local_day(started_at, one.site.tz)
    ends_at = at_local(on, one.machine.shift_end, one.site.tz)
    if ends_at <= started_at:
        ends_at = at_local(on + timedelta(days=1), one.machine.shift_end, one.site.tz)
    return min(ends_at - BEFORE_SHIFT_END, sprayed_at + SHIFT_GAP)


def told_at(one: MachineFacts, *, leaves_at: datetime, protect_by: datetime | None) -> datetime:
    """When an operator is told: on leaving the field, or earlier where that is too late to protect the machine.

    Flushing and protecting are one instruction in one order.
    """
    if protect_by is None or leaves_at <= protect_by - timedelta(minutes=one.machine.protect_min):
        return leaves_at
    return min(leaves_at, protect_by - TIME_FOR_BOTH)


def _for_latest_shift(one: MachineFacts, ledger: list[Duty], protect_by: datetime | None, now: datetime) -> Duty | None:
    key, started_at, sprayed_at = rinse_key(one, ledger), one.state.last_shift_started_at, one.state.last_sprayed_at
    if key is None or started_at is None or sprayed_at is None or one.state.is_retired:
        return None
    known = next((duty for duty in ledger if duty.key == key), None)
    is_rinsed = not one.state.unrinsed_sides
    if known is None:
        leaves_at = leaves_field_at(one)
        is_time = leaves_at is not None and told_at(one, leaves_at=leaves_at, protect_by=protect_by) <= now
        if is_rinsed or not is_time:
            return None
        known = _opened(one, key, started_at, sprayed_at, now)
    if is_rinsed:
        return replace(known, state=DutyState.DONE)
    answers = answers_to(key, one.entries)
    return replace(
        known,
        state=DutyState.ACCEPTED if answers.accepted_by else DutyState.OPEN,
        assigned_to=answers.assigned_to,
        opened_at=now if known.state is DutyState.DONE else known.opened_at,  # it sprayed again: asked anew
        due_at=_due_at(one, known.night, sprayed_at),
        because=_because(one),
    )


def _opened(one: MachineFacts, key: str, started_at: datetime, sprayed_at: datetime, now: datetime) -> Duty:
    on = local_day(started_at, one.site.tz)
    return Duty(
        key=key,
        machine=one.machine.id,
        kind=DutyKind.RINSE,
        night=on,
        assigned_to=None,
        opened_at=now,
        due_at=_due_at(one, on, sprayed_at),
        state=DutyState.OPEN,
        because=_because(one),
    )


def _due_at(one: MachineFacts, on: date, sprayed_at: datetime) -> datetime:
    return max(at_local(on, one.fleet.night_at, one.site.tz), sprayed_at + AFTER_SHIFT)


def _because(one: MachineFacts) -> tuple[str, ...]:
    sides, labels = one.state.unrinsed_sides, {side.key: side.label for side in one.machine.sides}
    if not sides:
        return ()
    missing = " and ".join(labels.get(side, side) for side in sides)
    if len(one.machine.sides) == 1:
        return ("Product sits in the valves.",)
    if len(sides) == len(one.machine.sides):
        return (f"Product sits in both valve sides, {missing}.",)
    return (f"Half flushed: the {missing} side still holds product.",)
