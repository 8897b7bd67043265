"""An inspection comes near or is due: one mail to the manager at each of the two, with the morning's post."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta

from carewatch.duties.duty import Duty, DutyKind
from carewatch.duties.facts import MachineFacts, at_local, local_day
from carewatch.duties.inspect import inspection_due, is_due
from carewatch.notices.desk import Desk
from carewatch.notices.hours_words import break_sentence, breaks_since, caveats, pace_sentence, since_sentence
from carewatch.notices.letter import Letter, Row
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.words import Reader, listed
from carewatch.roster.model import Fleet, Person, Role
from carewatch.weather.nights import NOON

NEWS_FOR = timedelta(
    days=10
)  # chosen: within what the plan remembers of earlier notices, so that nothing is said twice
WORTH_SENDING_FOR = timedelta(days=7)
LOOK_AT = (
    "Look at sealing faces, seats, moving parts, clips and connector pins of both sides, the positions that wear most "
    "first."
)
CAUTION = (
    "Before a body is opened: pressure off, that part of the boom drained, power off, connectors covered; wear what "
    "the product label asks for. The machine's manual goes first."
)


def inspection_mails(desk: Desk) -> Iterator[Notice]:
    """One mail a person and morning for all machines that came near or became due."""
    for fleet in desk.facts.roster.fleets:
        today = local_day(desk.now, fleet.tz)
        if not at_local(today, fleet.day_mail_at, fleet.tz) <= desk.now < at_local(today, NOON, fleet.tz):
            continue
        groups: dict[Person, list[tuple[MachineFacts, Duty]]] = {}
        for one, duty in desk.open_duties(DutyKind.INSPECT):
            person = _manager(desk, one) if one.fleet.id == fleet.id and _is_news(desk, duty) else None
            if person is not None:
                groups.setdefault(person, []).append((one, duty))
        for person, found in groups.items():
            key = f"inspection|{person.id}|{today}"
            if not desk.was_sent(key) and not desk.address.is_quiet(person):
                yield _write(desk, fleet, person, found, key=key)


def _is_news(desk: Desk, duty: Duty) -> bool:
    """Whether nobody was told since it was announced, or since it became due."""
    is_fresh = desk.now - duty.opened_at < NEWS_FOR
    return is_fresh and not any(notice.created_at >= duty.opened_at for notice in desk.about(duty))


def _manager(desk: Desk, one: MachineFacts) -> Person | None:
    chain = desk.address.chain(one.site)
    managers = [person for person in chain if Role.MANAGER in person.roles]
    return next(iter((*managers, *chain)), None)


def _write(desk: Desk, fleet: Fleet, person: Person, found: Sequence[tuple[MachineFacts, Duty]], *, key: str) -> Notice:
    machines = [one for one, _ in found]
    reader = desk.reader(person, machines)
    ordered = sorted(found, key=lambda each: not is_due(each[1]))
    letter = Letter(
        subject=_subject(ordered),
        opening="Spray hours are hours with liquid flowing; the valve side that ran most decides.",
        rows=tuple(_row(desk, one, duty, reader) for one, duty in ordered),
        cautions=(LOOK_AT, CAUTION),
        rest=tuple(_rest(desk, fleet, ordered)),
    )
    return desk.write(
        letter,
        key=key,
        kind=NoticeKind.INSPECTION,
        person=person,
        machines=machines,
        duties=[duty for _, duty in found],
        not_after=desk.now + WORTH_SENDING_FOR,
    )


def _subject(found: Sequence[tuple[MachineFacts, Duty]]) -> str:
    due = listed(one.machine.name for one, duty in found if is_due(duty))
    soon = listed(one.machine.name for one, duty in found if not is_due(duty))
    if due:
        return f"Inspection due: {due}{f' (soon: {soon})' if soon else ''}"
    return f"Inspection soon: {soon}"


def _row(desk: Desk, one: MachineFacts, duty: Duty, reader: Reader) -> Row:
    due = inspection_due(one)
    lines = (
        since_sentence(due, one, reader),
        pace_sentence(due, one, reader, local_day(desk.now, one.site.tz)),
        *caveats(one),
        *(break_sentence(odd, one, desk.facts.roster, reader) for odd in breaks_since(one)),
    )
    return Row(tag="DUE" if is_due(duty) else "SOON", machine=one.machine.name, lines=tuple(filter(None, lines)))


def _rest(desk: Desk, fleet: Fleet, found: Sequence[tuple[MachineFacts, Duty]]) -> Iterator[str]:
    yield (
        f"Every {fleet.inspect_every_h:.0f} spray hours is common practice, not a standard; the roster of your fleet "
        "can say otherwise."
    )
    has_pages = desk.told.ways.page_url is not None
    where = "on its page" if has_pages else f"carewatch log {found[0][0].machine.id} inspected --by PERSON"
    if any(one.state.hours.inspected_at is None for one, _ in found):
        yield f"Was one inspected that is not in the logbook? Write it down with its day: {where}."
    else:
        yield f"When it is done, write it down: {where}."
    if all(is_due(duty) for _, duty in found):
        yield "I do not write about this again. A reply to this message is not read."
    else:
        yield "I write once more when it is due. A reply to this message is not read."
