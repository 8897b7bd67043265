"""A test message to every manager, the way notices go, so that `check` can tell whether mail works."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta

from carewatch.channels.message import compose, message_id_for
from carewatch.notices.letter import Letter, set_letter
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.roster.model import Person, Role, Roster
from carewatch.service.opening import channel_of, signature_of
from carewatch.settings.model import Settings


def send_test(settings: Settings, roster: Roster, now: datetime) -> list[str]:
    """Send now and give a line for each message handed over; trouble of the mail server is raised as it is."""
    channel, signature = channel_of(settings), signature_of(settings)
    lines = []
    for person in (person for fleet in roster.fleets for person in fleet.people_with(Role.MANAGER)):
        if person.email is None:
            continue
        notice = _notice(person, person.email, now=now)
        raw = compose(
            notice,
            sender_name=signature.name,
            sender_address=signature.address,
            reply_to=signature.reply_to,
            date=now,
            message_id=message_id_for(notice.key, signature.domain, secret=secrets.token_bytes(32)),
        )
        channel.send(raw, sender=signature.address, recipient=notice.to)
        lines.append(f"A test message for {person.name} was handed over.")
    return lines


def _notice(person: Person, address: str, *, now: datetime) -> Notice:
    letter = Letter(
        subject="Test: mail from carewatch reaches you",
        opening=f"{person.name}, this is only a test. Freeze notices will come from this address.",
        rest=("Let your phone make a noise for this sender: mail wakes nobody by itself.",),
    )
    text, html = set_letter(letter)
    return Notice(
        key=f"test|{person.id}|{now.isoformat()}",
        kind=NoticeKind.TEST,
        person=person.id,
        to=address,
        machines=(),
        duties=(),
        subject=letter.subject,
        text=text,
        html=html,
        created_at=now,
        not_after=now + timedelta(hours=1),
    )
