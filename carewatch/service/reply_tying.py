"""Ties a mail to the notice it answers and to the person it was for: both must fit, or it is nobody's answer.

The notice is named by its Message-ID or its reference, which only its reader can know; the person by the address.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from hmac import compare_digest

from sqlalchemy import Connection

from carewatch.channels.message import reference_for
from carewatch.channels.received import Received
from carewatch.notices.notice import SentNotice
from carewatch.notices.reply import options_of, references_in
from carewatch.notices.reply_deeds import Options
from carewatch.roster.model import Person, Roster
from carewatch.service.usecase import message_id_of
from carewatch.service.workplace import Workplace
from carewatch.store import outbox

REFERENCES_REMEMBERED_FOR = timedelta(days=14)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """`own`: the notice, if it was for `person`; `is_named`: it names a notice, whosever; `people`: at this address."""

    people: tuple[Person, ...] = ()
    is_named: bool = False
    own: SentNotice | None = None
    person: Person | None = None


def tie(work: Workplace, rx: Connection, mail: Received, roster: Roster | None, *, now: datetime) -> Tie:
    """What a mail belongs to. Of several notices named, the nearest that asked something."""
    everybody = roster.people if roster else ()
    people = tuple(one for one in everybody if one.email and one.email.casefold() == mail.sender)
    named = _named(work, rx, mail, people, now=now)
    by_id = {person.id: person for person in people}
    own = [notice for notice in named if notice.person in by_id]
    notice = next((one for one in own if asks(one)), None) or next(iter(own), None)
    person = by_id[notice.person] if notice else None
    return Tie(people=people, is_named=bool(named), own=notice, person=person)


def asks(notice: SentNotice) -> bool:
    """Whether a notice offered digits for any of its machines."""
    return any(options_for(notice, machine) for machine in notice.machines)


def options_for(notice: SentNotice, machine: str) -> Options | None:
    """The digits a notice offered for one of its machines."""
    return options_of(notice.kind, duties_of(notice, machine), of_notice=notice.duties)


def duties_of(notice: SentNotice, machine: str) -> tuple[str, ...]:
    """The duties of one machine that a notice asked for."""
    return tuple(key for key in notice.duties if key.split("|")[1:2] == [machine])


def _named(
    work: Workplace, rx: Connection, mail: Received, people: Sequence[Person], *, now: datetime
) -> list[SentNotice]:
    """The notices a mail can only name because somebody read them, nearest first."""
    known = outbox.by_message_id(rx, mail.answers) if mail.answers else {}
    named = [known[one] for one in mail.answers if one in known and _is_ours(work, one, known[one])]
    references = [reference.encode() for reference in references_in(mail.text)]
    if references:
        since = now - REFERENCES_REMEMBERED_FOR
        for notice in (notice for person in people for notice in outbox.to_person_since(rx, person.id, since)):
            own = reference_for(notice.key, secret=work.secret).encode()
            if any(compare_digest(own, reference) for reference in references):
                named.append(notice)
    return list({notice.key: notice for notice in named}.values())


def _is_ours(work: Workplace, message_id: str, notice: SentNotice) -> bool:
    """Whether it was made with our secret: what an older version sent could be worked out by anybody."""
    made = message_id_of(work, notice.key).partition("@")[0]
    return compare_digest(message_id.partition("@")[0].encode(), made.encode())
