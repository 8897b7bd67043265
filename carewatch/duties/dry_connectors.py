"""The duty to check the connectors of a nozzle body that was opened, before the machine is started again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime, timedelta

from carewatch.duties.answers import Answers, answers_to
from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, by_machine, local_day
from carewatch.logbook.entries import EntryKind
from carewatch.logbook.opened import OpenedBody

TAKES = timedelta(hours=1)  # chosen: drying, cleaning, greasing, closing and a leak check of one body take less
FORGOTTEN_AFTER = timedelta(days=14)  # chosen: a check nobody reported for two weeks is lapsed, not open for ever
STILL_DUE = frozenset({DutyState.OPEN, DutyState.PROMISED, DutyState.ACCEPTED})


def dry_connectors_duties(facts: Facts, now: datetime) -> list[Duty]:
    """One duty for each machine and day on which bodies were opened; closed by a check of the last of them."""
    duties, ledger = [], by_machine(duty for duty in facts.duties.values() if duty.kind is DutyKind.DRY_CONNECTORS)
    for one in facts.machines:
        known = {duty.key: duty for duty in ledger.get(one.machine.id, ())}
        waiting = {} if one.state.is_retired else _by_day(one)
        current = {dry_connectors_key(one, day): bodies for day, bodies in waiting.items()}
        duties += [
            duty
            for (key, bodies), day in zip(current.items(), waiting, strict=True)
            if (duty := _waiting(one, known.get(key), day, bodies, now)) is not None
        ]
        duties += [
            replace(duty, state=_ended(one, duty))
            for duty in known.values()
            if duty.state in STILL_DUE and duty.key not in current
        ]
    return duties


def dry_connectors_key(one: MachineFacts, day: date) -> str:
    """Key of the duty for the bodies opened on a day."""
    return f"{DutyKind.DRY_CONNECTORS}|{one.machine.id}|{day}"


def _by_day(one: MachineFacts) -> dict[date, list[OpenedBody]]:
    found: dict[date, list[OpenedBody]] = {}
    for body in one.bodies.opened:
        found.setdefault(local_day(body.at, one.site.tz), []).append(body)
    return found


def _waiting(
    one: MachineFacts, known: Duty | None, day: date, bodies: list[OpenedBody], now: datetime
) -> Duty | None:  # fmt: skip
    last_at = max(body.at for body in bodies)
    is_forgotten = now - last_at > FORGOTTEN_AFTER
    if is_forgotten and (known is None or known.state not in STILL_DUE):
        return None
    is_new = known is None or known.state not in STILL_DUE
    duty = _opened(one, day, now) if known is None or is_new else known
    answers = answers_to(duty.key, one.entries, since=duty.opened_at)
    return replace(
        duty,
        state=DutyState.LAPSED if is_forgotten else _answered(answers, now),
        assigned_to=answers.assigned_to,
        promised_until=answers.promised_until,
        due_at=last_at + TAKES,
        because=_because(one, bodies),
    )


def _opened(one: MachineFacts, day: date, now: datetime) -> Duty:
    return Duty(
        key=dry_connectors_key(one, day),
        machine=one.machine.id,
        kind=DutyKind.DRY_CONNECTORS,
        night=day,
        assigned_to=None,
        opened_at=now,
        due_at=now,
        state=DutyState.OPEN,
    )


def _answered(answers: Answers, now: datetime) -> DutyState:
    if answers.accepted_by:
        return DutyState.ACCEPTED
    is_promised = answers.promised_until is not None and now < answers.promised_until
    return DutyState.PROMISED if is_promised else DutyState.OPEN


def _ended(one: MachineFacts, duty: Duty) -> DutyState:
    """Done if somebody checked; else the opening was taken back, moved to another day, or the machine is gone."""
    is_checked = any(
        entry.kind is EntryKind.CONNECTORS_CHECKED and entry.recorded_at >= duty.opened_at for entry in one.entries
    )
    return DutyState.DONE if is_checked and not one.state.is_retired else DutyState.CANCELLED


def _because(one: MachineFacts, bodies: list[OpenedBody]) -> tuple[str, ...]:
    first_at = min(body.at for body in bodies)
    told = listed_positions(body.position for body in bodies)
    why = f"The connectors of position {told} have not been checked since the body was opened."
    if len(bodies) > 1:
        why = f"The connectors of positions {told} have not been checked since the bodies were opened."
    sprayed_at = one.state.last_sprayed_at
    if sprayed_at is None or sprayed_at <= first_at:
        return (why,)
    return (why, "It has sprayed since: look for wet or corroded pins first.")


def listed_positions(positions: Iterable[int]) -> str:
    """`7`, `7 and 30`, `3 to 6 and 12`."""
    spans: list[list[int]] = []
    for position in sorted(set(positions)):
        if spans and position == spans[-1][-1] + 1:
            spans[-1].append(position)
        else:
            spans.append([position])
    words = [
        word for span in spans
        for word in ([f"{span[0]} to {span[-1]}"] if len(span) > 2 else map(str, span))
    ]  # fmt: skip
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""
