"""Still wet at the deadline: passes quiet hours, goes to the next contact after 20 and to everyone after 40 minutes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from carewatch.duties.answers import answers_to
from carewatch.duties.daylight import sunset_at
from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import MachineFacts
from carewatch.duties.protect import Level, protect_key
from carewatch.logbook.state import Fill
from carewatch.notices.desk import Desk
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import (
    CAUTIONS,
    NOT_OFFICIAL,
    PROTECT_OPTIONS,
    answer_line,
    dark_step,
    machine_lines,
    protect_steps,
    source_line,
)
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.words import Reader, listed
from carewatch.roster.model import Person
from carewatch.weather.nights import night_on

NEXT_CONTACT_AFTER = timedelta(minutes=20)
EVERYONE_AFTER = timedelta(minutes=40)
STALE_AFTER = timedelta(hours=3)  # chosen: whoever becomes first contact later in the night is not woken for old news
STILL_WET = frozenset({DutyState.OPEN, DutyState.LAPSED})


def still_wet_mails(desk: Desk) -> Iterator[Notice]:
    """One mail a person for all machines that person must hear of now."""
    groups: dict[str, list[tuple[MachineFacts, Duty]]] = {}
    for one in desk.facts.machines:
        duty = desk.protect(one)
        if duty is None or duty.state not in STILL_WET or _is_too_late(desk, one, duty):
            continue
        for person in people_to_tell(desk, one, duty):
            if not _was_told(desk, person, duty, since=late_at(one, duty)):
                groups.setdefault(person.id, []).append((one, duty))
    for person_id, late in groups.items():
        yield _write(desk, desk.facts.roster.person(person_id), late)


def late_at(one: MachineFacts, duty: Duty) -> datetime:
    """From when nobody acting is late: the deadline, a promise that ran out, or somebody saying that they cannot."""
    answers = answers_to(duty.key, one.entries)
    if answers.declined_at is not None:
        return answers.declined_at
    return max(duty.due_at, duty.promised_until) if duty.promised_until else duty.due_at


def people_to_tell(desk: Desk, one: MachineFacts, duty: Duty) -> tuple[Person, ...]:
    """Who must have heard of it by now. A night that only could freeze, or pockets only, wakes nobody further."""
    waited = desk.now - late_at(one, duty)
    if waited < timedelta(0) or (waited > STALE_AFTER and _somebody_was_told(desk, duty)):
        return ()
    chain = desk.address.chain(one.site)
    assigned = tuple(person for person in desk.address.everyone(one) if person.id == duty.assigned_to)
    operators = desk.address.operators(one)[:1]
    first = (*chain[:1], *assigned, *operators)
    if desk.level(one) is not Level.FREEZES or _only_pockets(one) or _is_old_news(desk, one, duty):
        people = first
    elif waited >= EVERYONE_AFTER:
        people = desk.address.everyone(one)
    elif waited >= NEXT_CONTACT_AFTER:
        people = (*first, *chain[1:2])
    else:
        people = first
    return tuple(dict.fromkeys(people))


def _somebody_was_told(desk: Desk, duty: Duty) -> bool:
    return any(duty.key in notice.duties for notice in desk.told.sent if notice.kind is NoticeKind.STILL_WET)


def _is_old_news(desk: Desk, one: MachineFacts, duty: Duty) -> bool:
    """Whether the night before passed just so and nobody said a word since: everyone was woken for it once already."""
    before = desk.duties.get(protect_key(one.machine.id, duty.night - timedelta(days=1)))
    last_word_at = one.state.last_word_at
    is_silent = before is not None and (last_word_at is None or last_word_at <= before.opened_at)
    return is_silent and before is not None and before.state is DutyState.LAPSED


def _only_pockets(one: MachineFacts) -> bool:
    return all(one.state.contents[part].fill is not Fill.FULL for part in one.machine.valve_parts)


def _is_too_late(desk: Desk, one: MachineFacts, duty: Duty) -> bool:
    """After the ice it is the thaw check that counts."""
    thaw = desk.duties.get(f"{DutyKind.THAW}|{one.machine.id}|{duty.night}")
    return thaw is not None or night_on(duty.night, one.site.tz).end_at <= desk.now


def _was_told(desk: Desk, person: Person, duty: Duty, *, since: datetime) -> bool:
    sent = desk.sent_to(person.id, (NoticeKind.STILL_WET,), within=timedelta(days=1))
    return any(duty.key in notice.duties and notice.created_at >= since for notice in sent)


def _write(desk: Desk, person: Person, late: list[tuple[MachineFacts, Duty]]) -> Notice:
    machines = [one for one, _ in late]
    reader = desk.reader(person, machines)
    names = listed(one.machine.name for one in machines)
    is_dark = any((at := sunset_at(one.site, duty.night)) is not None and at <= desk.now for one, duty in late)
    steps = (dark_step(machines), *protect_steps(machines, reader)) if is_dark else protect_steps(machines, reader)
    outlooks = [outlook for one, duty in late if (outlook := one.outlook(duty.night))]
    ice_at = min((outlook.first_ice_at for outlook in outlooks if outlook.first_ice_at), default=None)
    letter = Letter(
        subject=f"Still wet: {names} - {_ice_words(ice_at, desk.now, reader)}",
        opening=f"{names}: no proof that {'it is' if len(machines) == 1 else 'they are'} protected, "
        f"and the time to do it was {reader.clock(min(duty.due_at for _, duty in late))}.",
        rows=tuple(_row(desk, one, duty, reader) for one, duty in late),
        steps_heading="Now, the first that is possible and safe:",
        steps=steps,
        cautions=CAUTIONS,
        answer=answer_line(desk, person),
        options=PROTECT_OPTIONS,
        rest=("Without an answer the next contact is told after 20 minutes, everyone after 40.",),
        footer=(source_line(machines, late[0][1].night, reader), NOT_OFFICIAL),
    )
    first = next((notice for notice in desk.told.sent if set(notice.duties) & {duty.key for _, duty in late}), None)
    stamp = max(late_at(one, duty) for one, duty in late)
    return desk.write(
        letter,
        key=f"still_wet|{person.id}|{'+'.join(one.machine.id for one in machines)}|{stamp:%Y-%m-%dT%H:%MZ}",
        kind=NoticeKind.STILL_WET,
        person=person,
        machines=machines,
        duties=[duty for _, duty in late],
        not_after=max(desk.now + EVERYONE_AFTER, ice_at or desk.now),
        refers_to=first.key if first else None,
    )


def _ice_words(ice_at: datetime | None, now: datetime, reader: Reader) -> str:
    if ice_at is None:
        return "could freeze tonight"
    return f"ice from {reader.about(ice_at)}" if ice_at > now else "may be freezing now"


def _row(desk: Desk, one: MachineFacts, duty: Duty, reader: Reader) -> Row:
    level, outlook = desk.level(one), one.outlook(duty.night)
    lines = list(machine_lines(desk, one, outlook, level, reader)) if outlook else []
    answers = answers_to(duty.key, one.entries)
    if duty.state is DutyState.LAPSED and answers.promised_by:
        name = desk.facts.roster.person(answers.promised_by).name
        lines.append(f"{name} promised it by {reader.clock(duty.promised_until or duty.due_at)}; no word since.")
    if answers.declined_by:
        lines.append(f"{desk.facts.roster.person(answers.declined_by).name} cannot do it.")
    return Row(tag="FREEZES" if level is Level.FREEZES else "COULD", machine=one.machine.name, lines=tuple(lines))
