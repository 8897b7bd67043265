"""The morning after a flagged wet night, before work starts: do not start it, thaw it, look at it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from carewatch.duties.duty import Duty, DutyKind
from carewatch.duties.facts import MachineFacts
from carewatch.duties.protect import LIKELY_CHANCE, protect_key
from carewatch.duties.thaw import notice_at
from carewatch.notices.desk import Desk
from carewatch.notices.holding import place_sentence
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import NOT_OFFICIAL, answer_line, ice_clock, source_line
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.who import last_user
from carewatch.notices.words import Reader, listed
from carewatch.roster.model import Person

TOLD_TOGETHER = timedelta(hours=3)  # chosen: mornings of neighbouring zones go into one mail
WORTH_TELLING_FOR = timedelta(hours=8)
STEPS = (
    "Nobody starts the pump, nobody pulses the valves.",
    "No torch, no heat gun, no hot water: bring it into a warm building, or wait for the day to thaw it.",
    "Then look: broken clips, hanging bodies, bulged caps, wet connectors, cracked strainer bowls.",
    "First run at low pressure with water, stand clear of the boom, both sides one after the other.",
)
CAUTIONS = (
    "Relieve pressure before opening anything; a closed shop with an engine or heater running needs air.",
    "Wear what the product label asks for: what runs out is pesticide. The machine's manual goes first.",
)
OPTIONS = ((1, "thawed, nothing was frozen"), (2, "thawed, ice was found"), (3, "broken, do not use"))


def morning_after_mails(desk: Desk) -> Iterator[Notice]:
    """One mail a person and morning for all machines that may be frozen."""
    groups: dict[Person, list[tuple[MachineFacts, Duty]]] = {}
    for one, duty in desk.open_duties(DutyKind.THAW):
        at = notice_at(duty)
        if not at - TOLD_TOGETHER <= desk.now < at + WORTH_TELLING_FOR:
            continue
        for person in _people(desk, one, duty):
            groups.setdefault(person, []).append((one, duty))
    for person, found in groups.items():
        is_time = any(notice_at(duty) <= desk.now for _, duty in found)
        if is_time and not _may_sleep_on(desk, person, min(duty.due_at for _, duty in found)):
            yield _write(desk, person, found)


def _people(desk: Desk, one: MachineFacts, duty: Duty) -> Iterator[Person]:
    """The first contact and the operator, once a morning; a contact who takes over later hears nothing stale."""
    told = {notice.person for notice in desk.about(duty) if notice.kind is NoticeKind.MORNING_AFTER}
    operator = desk.address.operator(one, last_user(one))
    first = desk.address.chain(one.site)[:1]
    wanted = dict.fromkeys((*first, *((operator,) if operator else ())))
    if not told or desk.now <= duty.due_at:
        yield from (person for person in wanted if person.id not in told)


def _may_sleep_on(desk: Desk, person: Person, work_starts_at: datetime) -> bool:
    """Whether the person's quiet hours end before work starts: then it can wait for that."""
    return desk.address.is_quiet(person) and not desk.address.is_quiet(person, work_starts_at)


def _write(desk: Desk, person: Person, found: list[tuple[MachineFacts, Duty]]) -> Notice:
    machines = [one for one, _ in found]
    reader = desk.reader(person, machines)
    names = listed(one.machine.name for one in machines)
    letter = Letter(
        subject=f"Do not start {names}: may be frozen - thaw and look first",
        opening=f"{'They' if len(found) > 1 else 'It'} may have frozen last night: nothing reported shows that "
        f"{'they' if len(found) > 1 else 'it'} stayed free of ice.",
        rows=tuple(
            Row(tag="FROZEN?", machine=one.machine.name, lines=_lines(desk, one, duty, reader)) for one, duty in found
        ),
        steps_heading="In this order:",
        steps=STEPS,
        cautions=CAUTIONS,
        answer=f"Was anything frozen? It teaches the next warning. {answer_line(desk, person, machines)}",
        options=OPTIONS,
        rest=("No answer: it counts as frozen until somebody has looked or it is used again.",),
        footer=(source_line(machines, found[0][1].night, reader, desk.now), NOT_OFFICIAL),
    )
    asked = (desk.duties.get(protect_key(one.machine.id, duty.night)) for one, duty in found)
    first = next((notice for protect in asked if protect for notice in desk.about(protect)), None)
    return desk.write(
        letter,
        key=f"morning_after|{person.id}|{found[0][1].night}|{'+'.join(one.machine.id for one in machines)}",
        kind=NoticeKind.MORNING_AFTER,
        person=person,
        machines=machines,
        duties=[duty for _, duty in found],
        not_after=max(duty.due_at for _, duty in found) + WORTH_TELLING_FOR,
        refers_to=first.key if first else None,
    )


def _lines(desk: Desk, one: MachineFacts, duty: Duty, reader: Reader) -> tuple[str, ...]:
    outlook = one.outlook(duty.night)
    lines = [place_sentence(one)]
    if outlook is None or outlook.chance is None:
        lines.append("The forecast was not good enough to tell how cold it got.")
        return tuple(lines)
    if outlook.coldest_air_c is not None:
        lines.append(f"Coldest air {reader.temperature(outlook.coldest_air_c)}.")
    if outlook.first_ice_at and outlook.first_ice_at <= desk.now:
        sure = "Ice from" if outlook.chance > LIKELY_CHANCE else "If it froze, ice from"
        lines.append(f"{sure} {ice_clock(outlook.first_ice_at, outlook.night, reader)}.")
    return tuple(lines)
