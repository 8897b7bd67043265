"""Still wet at the deadline: passes quiet hours, goes to the next contact after 20 and to everyone after 40 minutes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from carewatch.duties.answers import answers_to
from carewatch.duties.daylight import sunset_at
from carewatch.duties.duty import UNDONE, Duty, DutyState
from carewatch.duties.facts import MachineFacts
from carewatch.duties.protect import Level, protect_key
from carewatch.duties.thaw import may_be_frozen
from carewatch.notices.desk import Desk
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import (
    CAUTIONS,
    NOT_OFFICIAL,
    PROTECT_OPTIONS,
    answer_line,
    dark_step,
    ice_clock,
    machine_lines,
    protect_steps,
    source_line,
)
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.who import last_user, name_of
from carewatch.notices.words import Reader, listed
from carewatch.roster.model import Person

NEXT_CONTACT_AFTER = timedelta(minutes=20)
EVERYONE_AFTER = timedelta(minutes=40)
STALE_AFTER = timedelta(hours=3)  # chosen: whoever becomes first contact later in the night is not woken for old news
SAYS_NOW = frozenset({NoticeKind.STILL_WET, NoticeKind.EVENING})
TAGS = {Level.FREEZES: "FREEZES", Level.COULD: "COULD", Level.SAFE: "COULD", Level.NOT_ASSESSED: "UNKNOWN"}


def still_wet_mails(desk: Desk, evening: Sequence[Notice]) -> Iterator[Notice]:
    """One mail a person for all machines that person must hear of now, unless an evening message says it just now."""
    told_now = {(notice.person, key) for notice in evening for key in notice.duties}
    groups: dict[str, list[tuple[MachineFacts, Duty]]] = {}
    for one in desk.facts.machines:
        duty = desk.protect(one)
        if duty is None or duty.state not in UNDONE or _is_too_late(desk, one, duty) or _is_second_best(desk, one):
            continue
        for person in people_to_tell(desk, one, duty):
            if (person.id, duty.key) not in told_now and not _was_told(desk, person, duty, since=late_at(one, duty)):
                groups.setdefault(person.id, []).append((one, duty))
    for person_id, late in groups.items():
        yield _write(desk, desk.facts.roster.person(person_id), late)


def late_at(one: MachineFacts, duty: Duty) -> datetime:
    """From when nobody acting is late: the deadline, a promise that ran out, or somebody saying that they cannot."""
    answers = answers_to(duty.key, one.entries, since=duty.opened_at)
    if answers.declined_at is not None:
        return answers.declined_at
    return max(duty.due_at, duty.promised_until) if duty.promised_until else duty.due_at


def people_to_tell(desk: Desk, one: MachineFacts, duty: Duty) -> tuple[Person, ...]:
    """Who must have heard of it by now: whoever said that they cannot has heard of it already."""
    waited, everyone_at = desk.now - late_at(one, duty), everyone_told_at(one, duty)
    is_stale = desk.now - everyone_at > STALE_AFTER - EVERYONE_AFTER
    if waited < timedelta(0) or (is_stale and _somebody_was_told(desk, duty)):
        return ()
    declined_by = answers_to(duty.key, one.entries, since=duty.opened_at).declined_by
    everyone = [person for person in desk.address.everyone(one) if person.id != declined_by]
    chain = [person for person in desk.address.chain(one.site) if person.id != declined_by]
    operator = desk.address.operator(one, last_user(one))
    doers = [person for person in (desk.address.given_to(duty.assigned_to), operator) if person]
    people = [*chain[:1], *(person for person in doers if person.id != declined_by)]
    if wakes_further(desk, one, duty):
        people += everyone if desk.now >= everyone_at else chain[1:2] if waited >= NEXT_CONTACT_AFTER else []
    return tuple(dict.fromkeys(people))


def everyone_told_at(one: MachineFacts, duty: Duty) -> datetime:
    """When everyone is told: never before the deadline itself has passed."""
    return max(late_at(one, duty), duty.due_at) + EVERYONE_AFTER


def wakes_further(desk: Desk, one: MachineFacts, duty: Duty) -> bool:
    """A night that only could freeze, pockets only, or the same silence as the night before wake nobody further."""
    return desk.level(one) is Level.FREEZES and not one.has_only_pockets and not _is_old_news(desk, one, duty)


def _somebody_was_told(desk: Desk, duty: Duty) -> bool:
    return any(
        notice.kind is NoticeKind.STILL_WET and notice.created_at >= duty.opened_at for notice in desk.about(duty)
    )


def _is_old_news(desk: Desk, one: MachineFacts, duty: Duty) -> bool:
    """Whether the night before was left just so, and nobody said a word since: everyone was woken for it already."""
    before = desk.duties.get(protect_key(one.machine.id, duty.night - timedelta(days=1)))
    if before is None or before.state not in (DutyState.LAPSED, DutyState.ACCEPTED):
        return False
    last_word_at = one.state.last_word_at
    left_at = answers_to(before.key, one.entries).accepted_at or before.opened_at
    return last_word_at is None or last_word_at <= left_at


def _is_second_best(desk: Desk, one: MachineFacts) -> bool:
    """Blown out and drained, and the night only could freeze it: that is no longer "still wet"."""
    return one.has_only_pockets and desk.level(one) is Level.COULD


def _is_too_late(desk: Desk, one: MachineFacts, duty: Duty) -> bool:
    """After the ice it is the thaw check that counts."""
    return may_be_frozen(one, duty, desk.now)


def _was_told(desk: Desk, person: Person, duty: Duty, *, since: datetime) -> bool:
    return any(
        notice.kind in SAYS_NOW and notice.person == person.id and notice.created_at >= since
        for notice in desk.about(duty)
    )


# ---------------------------------------------------------------- the words


def _write(desk: Desk, person: Person, late: list[tuple[MachineFacts, Duty]]) -> Notice:
    machines = [one for one, _ in late]
    reader = desk.reader(person, machines)
    outlooks = [outlook for one, duty in late if (outlook := one.outlook(duty.night))]
    ice_at = min((outlook.first_ice_at for outlook in outlooks if outlook.first_ice_at), default=None)
    first = next((notice for _, duty in late for notice in desk.about(duty)), None)
    return desk.write(
        _letter(desk, person, late, reader),
        key=desk.next_key(f"still_wet|{person.id}|{late[0][1].night}|{'+'.join(one.machine.id for one in machines)}"),
        kind=NoticeKind.STILL_WET,
        person=person,
        machines=machines,
        duties=[duty for _, duty in late],
        not_after=max(desk.now + EVERYONE_AFTER, ice_at or desk.now),
        refers_to=first.key if first else None,
    )


def _letter(desk: Desk, person: Person, late: list[tuple[MachineFacts, Duty]], reader: Reader) -> Letter:
    machines = [one for one, _ in late]
    names = listed(one.machine.name for one in machines)
    due_at = min(duty.due_at for _, duty in late)
    is_dark = any((at := sunset_at(one.site, duty.night)) is not None and at <= desk.now for one, duty in late)
    steps = protect_steps(machines, reader)
    ice = _ice_words(desk, late, reader)
    return Letter(
        subject=(
            f"Still wet: {names} - {ice}"
            if due_at <= desk.now
            else f"Somebody else must protect {names} by {reader.clock(due_at)} - {ice}"
        ),
        opening=_opening(desk, late, reader),
        rows=tuple(_row(desk, one, duty, reader) for one, duty in late),
        steps_heading="Now, the first that is possible and safe:",
        steps=(dark_step(machines), *steps) if is_dark else (*steps, dark_step(machines)),
        cautions=CAUTIONS,
        answer=answer_line(desk, person, machines),
        options=PROTECT_OPTIONS,
        rest=(_what_next(desk, late, reader),),
        footer=(source_line(machines, late[0][1].night, reader, desk.now), NOT_OFFICIAL),
    )


def _opening(desk: Desk, late: list[tuple[MachineFacts, Duty]], reader: Reader) -> str:
    due_at = min(duty.due_at for _, duty in late)
    it = "it is" if len(late) == 1 else "they are"
    if due_at > desk.now:
        return f"Whoever was asked cannot do it, and nobody has shown that {it} protected."
    if all(duty.opened_at == duty.due_at for _, duty in late):
        return "This was not expected before: the night got colder or the machine got wet. Protect it now."
    return f"The time to protect was {reader.clock(due_at)}, and nobody has shown that {it} protected."


def _what_next(desk: Desk, late: list[tuple[MachineFacts, Duty]], reader: Reader) -> str:
    further = [(one, duty) for one, duty in late if wakes_further(desk, one, duty)]
    everyone_at = min((everyone_told_at(one, duty) for one, duty in further), default=None)
    thaw = "In the morning it counts as frozen until somebody has looked."
    if everyone_at is None:
        return f"No answer: nobody else is told tonight. {thaw}"
    if everyone_at <= desk.now:
        return f"Everyone who can be reached has this message now. {thaw}"
    is_next_to_come = any(desk.now - late_at(one, duty) < NEXT_CONTACT_AFTER for one, duty in further)
    next_contact = "the next contact is told after 20 minutes, " if is_next_to_come else ""
    return f"No answer: {next_contact}everyone at {reader.clock(everyone_at)}."


def _ice_words(desk: Desk, late: list[tuple[MachineFacts, Duty]], reader: Reader) -> str:
    """The first ice of those that freeze; a machine that only could has no time."""
    surely = [one.outlook(duty.night) for one, duty in late if desk.level(one) is Level.FREEZES]
    known = [(outlook.first_ice_at, outlook.night) for outlook in surely if outlook and outlook.first_ice_at]
    if not known:
        return "could freeze tonight"
    ice_at, night = min(known)
    return f"ice from {ice_clock(ice_at, night, reader)}" if ice_at > desk.now else "may be freezing now"


def _row(desk: Desk, one: MachineFacts, duty: Duty, reader: Reader) -> Row:
    level, outlook = desk.level(one), one.outlook(duty.night)
    lines = list(machine_lines(desk, one, outlook, level, reader)) if outlook else []
    answers = answers_to(duty.key, one.entries, since=duty.opened_at)
    if duty.state is DutyState.LAPSED and answers.promised_by:
        name = name_of(desk.facts.roster, answers.promised_by)
        lines.append(f"{name} promised it by {reader.clock(duty.promised_until or duty.due_at)}; no word since.")
    if answers.declined_by:
        lines.append(f"{name_of(desk.facts.roster, answers.declined_by)} cannot do it.")
    return Row(tag=TAGS[level], machine=one.machine.name, lines=tuple(lines))
