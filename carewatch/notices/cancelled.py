"""No longer in danger: a cancelling notice that refers to the first, to those who were told. Silence is no answer."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import MachineFacts
from carewatch.notices.desk import Desk
from carewatch.notices.holding import place_sentence
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import NOT_OFFICIAL, source_line
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.words import Reader, listed
from carewatch.roster.model import Person
from carewatch.weather.nights import night_on

ASKED_FOR_IT = frozenset({NoticeKind.DAY, NoticeKind.WORSE, NoticeKind.STILL_WET, NoticeKind.EVENING})


def cancelling_mails(desk: Desk) -> Iterator[Notice]:
    """One mail a person for every duty that is no longer needed tonight."""
    groups: dict[Person, list[tuple[MachineFacts, Duty]]] = {}
    for one in desk.facts.machines:
        duty = desk.protect(one)
        if duty is None or duty.state is not DutyState.CANCELLED or one.state.is_retired:
            continue
        for person_id in dict.fromkeys(notice.person for notice in desk.about(duty)):
            person = desk.facts.roster.find_person(person_id)
            if person and _last_word(desk, person, duty) in ASKED_FOR_IT and not desk.address.is_quiet(person):
                groups.setdefault(person, []).append((one, duty))
    for person, found in groups.items():
        yield _write(desk, person, found)


def _last_word(desk: Desk, person: Person, duty: Duty) -> NoticeKind | None:
    told = [notice for notice in desk.about(duty) if notice.person == person.id]
    return told[-1].kind if told else None


def _write(desk: Desk, person: Person, found: list[tuple[MachineFacts, Duty]]) -> Notice:
    machines = [one for one, _ in found]
    reader = desk.reader(person, machines)
    names = listed(one.machine.name for one in machines)
    keys = {duty.key for _, duty in found}
    told = [notice for _, duty in found for notice in desk.about(duty) if notice.person == person.id]
    first, last = (choose(told, key=lambda notice: notice.created_at) for choose in (min, max))
    letter = Letter(
        subject=f"No longer needed tonight: protecting {names}",
        opening=f"As it looks now, {'it needs' if len(found) == 1 else 'they need'} no protection tonight. "
        f'This takes back the message of {reader.day_and_clock(first.created_at)}: "{first.subject}".',
        rows=tuple(
            Row(tag="NO NEED", machine=one.machine.name, lines=(_line(one, duty, reader),)) for one, duty in found
        ),
        rest=_still_to_do(desk, machines),
        footer=(source_line(machines, found[0][1].night, reader, desk.now), NOT_OFFICIAL),
    )
    return desk.write(
        letter,
        key=f"cancelled|{person.id}|{'+'.join(sorted(keys))}|after {last.key}",
        kind=NoticeKind.CANCELLED,
        person=person,
        machines=machines,
        duties=[duty for _, duty in found],
        not_after=max(night_on(duty.night, one.site.tz).end_at for one, duty in found),
        refers_to=first.key,
    )


def _line(one: MachineFacts, duty: Duty, reader: Reader) -> str:
    outlook = one.outlook(duty.night)
    if outlook is None or outlook.coldest_air_c is None or outlook.margin_c is None:
        return f"{place_sentence(one)} Nothing in it would freeze."
    coldest = f"Coldest air now {reader.temperature(outlook.coldest_air_c)}"
    if not isfinite(outlook.margin_c) or outlook.margin_c >= 0:
        return f"{place_sentence(one)} {coldest}: nothing in it would freeze."
    return f"{coldest}; ice only if the night is {reader.difference(outlook.margin_c)} colder than that."


def _still_to_do(desk: Desk, machines: list[MachineFacts]) -> tuple[str, ...]:
    ids = {one.machine.id for one in machines}
    unflushed = listed(one.machine.name for one, _ in desk.open_duties(DutyKind.RINSE) if one.machine.id in ids)
    return (f"Still to do: flush {unflushed} before the first fill.",) if unflushed else ()
