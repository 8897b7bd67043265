"""Signing in without a password: a link by mail, used once to begin a session."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from carewatch.notices.letter import Letter, set_letter
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.roster.model import Person
from carewatch.service.gather import current_roster
from carewatch.service.links import SESSION, SIGN_IN, end_link, find_link, new_token
from carewatch.service.usecase import queue_notice
from carewatch.service.workplace import Workplace
from carewatch.store import links, outbox

LINK_WORKS_FOR = timedelta(minutes=30)
SESSION_LASTS = timedelta(days=30)
MOST_LINKS = 5  # chosen: an hour's patience; more is somebody else's hand
PER = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A session that has begun."""

    token: str
    person: Person
    until: datetime


def send_link(work: Workplace, address: str, *, pages_url: str, now: datetime) -> bool:
    """Mail a link to whoever has this address; False for a stranger or too many. The page says the same either way."""
    wanted = address.strip().casefold()
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
        people = [one for one in (roster.people if roster else ()) if one.email and one.email.casefold() == wanted]
        asked = {one.id: outbox.to_person_since(rx, one.id, now - PER) for one in people}
    sent = False
    for person in people:
        if sum(notice.kind is NoticeKind.SIGN_IN for notice in asked[person.id]) < MOST_LINKS:
            token = new_token(work, person=person.id, purpose=SIGN_IN, until=now + LINK_WORKS_FOR)
            notice = _notice(person, token, pages_url=pages_url, now=now)
            with work.database.transaction() as tx:
                sent |= queue_notice(work, tx, notice)
    return sent


def person_of_link(work: Workplace, token: str, *, now: datetime) -> Person | None:
    """Whom a sign-in link is for; looking does not use it up, as mail scanners look at every link."""
    link = find_link(work, token, kind=SIGN_IN, now=now)
    if link is None:
        return None
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    return roster.find_person(link.person) if roster else None


def begin_session(work: Workplace, token: str, *, now: datetime) -> Session | None:
    """Use a sign-in link up; None if it does not work (any more)."""
    person = person_of_link(work, token, now=now)
    if person is None:
        return None
    end_link(work, token, now=now)
    until = now + SESSION_LASTS
    session = new_token(work, person=person.id, purpose=SESSION, until=until)
    return Session(token=session, person=person, until=until)


def _notice(person: Person, token: str, *, pages_url: str, now: datetime) -> Notice:
    letter = Letter(
        subject="Your link to sign in",
        opening=f"{person.name}, open this page within half an hour: {pages_url}/sign-in/{token}",
        rest=(
            "It works once, for you only: do not pass it on.",
            "If you did not ask for it, leave it alone; nothing happens by itself.",
        ),
    )
    text, html = set_letter(letter)
    return Notice(
        key=f"sign_in|{person.id}|{links.hash_token(token)[:16]}",
        kind=NoticeKind.SIGN_IN,
        person=person.id,
        to=person.email or "",
        machines=(),
        duties=(),
        subject=letter.subject,
        text=text,
        html=html,
        created_at=now,
        not_after=now + LINK_WORKS_FOR,
    )
