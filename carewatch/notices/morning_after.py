"""The morning after a flagged wet night, before work starts: do not start it, thaw it, look at it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from carewatch.duties.duty import Duty, DutyKind
from carewatch.duties.facts import MachineFacts
from carewatch.duties.thaw import morning_notice_at, work_starts_at
from carewatch.notices.desk import Desk
from carewatch.notices.evening import last_user
from carewatch.notices.holding import place_sentence
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import NOT_OFFICIAL, way_words
from carewatch.notices.notice import Notice, NoticeKind
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
    "Rinse water is pesticide: label protective gear. The machine's manual goes first.",
)
OPTIONS = ((1, "thawed, nothing was frozen"), (2, "thawed, ice was found"), (3, "broken, do not use"))


def morning_after_mails(desk: Desk) -> Iterator[Notice]:
    """One mail a person and morning for all machines that may be frozen."""
    groups: dict[Person, list[tuple[MachineFacts, Duty]]] = {}
    for one, duty in desk.open_duties(DutyKind.THAW):
        starts_at = morning_notice_at(one, duty)
        if not starts_at - TOLD_TOGETHER <= desk.now < starts_at + WORTH_TELLING_FOR or _was_told(desk, duty):
            continue
        operator = desk.address.operator(one, last_user(one))
        for person in dict.fromkeys((*desk.address.chain(one.site)[:1], *((operator,) if operator else ()))):
            groups.setdefault(person, []).append((one, duty))
    for person, found in groups.items():
        if all(morning_notice_at(one, duty) > desk.now for one, duty in found):
            continue
        yield _write(desk, person, found)


def _was_told(desk: Desk, duty: Duty) -> bool:
    return any(duty.key in notice.duties for notice in desk.told.sent if notice.kind is NoticeKind.MORNING_AFTER)


def _write(desk: Desk, person: Person, found: list[tuple[MachineFacts, Duty]]) -> Notice:
    machines = [one for one, _ in found]
    reader = desk.reader(person, machines)
    names = listed(one.machine.name for one in machines)
    letter = Letter(
        subject=f"Do not start {names}: may be frozen - thaw and look first",
        opening="Stood wet through a flagged night, and nobody showed that it was protected.",
        rows=tuple(
            Row(tag="FROZEN?", machine=one.machine.name, lines=_lines(desk, one, duty, reader)) for one, duty in found
        ),
        steps_heading="In this order:",
        steps=STEPS,
        cautions=CAUTIONS,
        answer=f"Was anything frozen? It teaches the next warning. {way_words(desk.told.ways, keeper='the office')}",
        options=OPTIONS,
        footer=(NOT_OFFICIAL,),
    )
    first = next(
        (notice for notice in desk.told.sent if set(notice.machines) & {one.machine.id for one in machines}), None
    )
    return desk.write(
        letter,
        key=f"morning_after|{person.id}|{found[0][1].night}|{'+'.join(one.machine.id for one in machines)}",
        kind=NoticeKind.MORNING_AFTER,
        person=person,
        machines=machines,
        duties=[duty for _, duty in found],
        not_after=_latest(found) + WORTH_TELLING_FOR,
        refers_to=first.key if first else None,
    )


def _latest(found: list[tuple[MachineFacts, Duty]]) -> datetime:
    return max(work_starts_at(one, duty) for one, duty in found)


def _lines(desk: Desk, one: MachineFacts, duty: Duty, reader: Reader) -> tuple[str, ...]:
    outlook = one.outlook(duty.night)
    lines = [place_sentence(one)]
    if outlook and outlook.coldest_air_c is not None:
        lines.append(f"Coldest air {reader.temperature(outlook.coldest_air_c)}.")
    if outlook and outlook.first_ice_at and outlook.first_ice_at <= desk.now:
        lines.append(f"Ice from {reader.about(outlook.first_ice_at)}.")
    lines.append(f"Before work starts at {reader.clock(work_starts_at(one, duty))}.")
    return tuple(lines)
