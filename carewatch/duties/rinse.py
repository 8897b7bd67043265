"""The duty to flush both valve sides after a shift of spraying. It belongs to the shift, not to the calendar day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, at_local, local_day

BEFORE_SHIFT_END = timedelta(minutes=20)
AFTER_LAST_ACTIVITY = timedelta(minutes=10)
SHIFT_GAP = timedelta(hours=4)  # a longer pause ends a shift
TIME_FOR_BOTH = timedelta(hours=2)  # chosen: told this long before the deadline, both can still be done
WANTS_A_HAND = frozenset({DutyState.OPEN, DutyState.LAPSED})
AFTER_SHIFT = timedelta(hours=2)  # the evening message passes quiet hours for this long after the last activity


def rinse_duties(facts: Facts, protects: Iterable[Duty], now: datetime) -> list[Duty]:
    """Rinse duties: for the latest shift of each machine, and older open ones that a new shift has overtaken."""
    duties = []
    protected_by = {duty.machine: duty.due_at for duty in protects if duty.state in WANTS_A_HAND}
    for one in facts.machines:
        current = _for_latest_shift(facts, one, protected_by.get(one.machine.id), now)
        if current:
            duties.append(current)
        duties += [
            replace(duty, state=DutyState.LAPSED)
            for duty in facts.duties.values()
            if duty.kind is DutyKind.RINSE
            and duty.machine == one.machine.id
            and duty.state is DutyState.OPEN
            and duty.key != rinse_key(one)
        ]
    return duties


def rinse_key(one: MachineFacts) -> str | None:
    """Key of the rinse duty of the latest shift; None if it never sprayed."""
    started_at = one.state.last_shift_started_at
    return None if started_at is None else f"{DutyKind.RINSE}|{one.machine.id}|{started_at:%Y-%m-%dT%H:%MZ}"


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


def _for_latest_shift(facts: Facts, one: MachineFacts, protect_by: datetime | None, now: datetime) -> Duty | None:
    key, started_at, sprayed_at = rinse_key(one), one.state.last_shift_started_at, one.state.last_sprayed_at
    if key is None or started_at is None or sprayed_at is None or one.state.is_retired:
        return None
    known = facts.duties.get(key)
    is_rinsed = not one.state.unrinsed_sides
    if known is None:
        opens_at = leaves_field_at(one)
        if opens_at is not None and protect_by is not None:  # flushing and protecting are one instruction in one order
            opens_at = min(opens_at, protect_by - TIME_FOR_BOTH)
        is_time = opens_at is not None and opens_at <= now
        return None if is_rinsed or not is_time else _opened(one, key, started_at, sprayed_at, now)
    if known.state is DutyState.DONE and is_rinsed:
        return known
    state = DutyState.DONE if is_rinsed else DutyState.OPEN
    return replace(known, state=state, because=_because(one))


def _opened(one: MachineFacts, key: str, started_at: datetime, sprayed_at: datetime, now: datetime) -> Duty:
    on = local_day(started_at, one.site.tz)
    return Duty(
        key=key,
        machine=one.machine.id,
        kind=DutyKind.RINSE,
        night=on,
        assigned_to=None,
        opened_at=now,
        due_at=max(at_local(on, one.fleet.night_at, one.site.tz), sprayed_at + AFTER_SHIFT),
        state=DutyState.OPEN,
        because=_because(one),
    )


def _because(one: MachineFacts) -> tuple[str, ...]:
    sides, labels = one.state.unrinsed_sides, {side.key: side.label for side in one.machine.sides}
    if not sides:
        return ()
    missing = " and ".join(labels.get(side, side) for side in sides)
    if len(sides) == len(one.machine.sides):
        return (f"Product sits on every valve side ({missing}).",)
    return (f"Half rinsed: the {missing} side was not opened.",)
