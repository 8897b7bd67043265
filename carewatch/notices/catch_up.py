"""What could not be delivered in time, folded into one mail per person, so that no old warning arrives as if new."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from hashlib import sha256

from carewatch.notices.desk import Desk
from carewatch.notices.letter import Letter, Row
from carewatch.notices.notice import Notice, NoticeKind, SentNotice

KEPT_FOR = timedelta(hours=72)


def catch_up_mails(desk: Desk) -> Iterator[Notice]:
    """One mail per person for everything that was given up since the last one."""
    groups: dict[str, list[SentNotice]] = {}
    for notice in desk.told.expired:
        if notice.kind not in (NoticeKind.CATCH_UP, NoticeKind.TEST):
            groups.setdefault(notice.person, []).append(notice)
    for person_id, missed in groups.items():
        person = desk.facts.roster.find_person(person_id)
        if person is None or desk.address.is_quiet(person):
            continue
        reader = desk.reader(person, [])
        rows = [
            Row(tag="MISSED", machine=reader.day_and_clock(notice.created_at), lines=(notice.subject,))
            for notice in missed
        ]
        letter = Letter(
            subject=f"{len(missed)} {'message' if len(missed) == 1 else 'messages'} could not reach you in time",
            opening="The mail server did not take these in time. They are past; what is due now comes by itself.",
            rows=tuple(rows),
        )
        digest = sha256("\n".join(notice.key for notice in missed).encode()).hexdigest()[:16]
        yield desk.write(
            letter,
            key=f"catch_up|{person.id}|{digest}",
            kind=NoticeKind.CATCH_UP,
            person=person,
            machines=(),
            not_after=desk.now + KEPT_FOR,
        )
