"""What the outbox tells the plan, the pages and /health. It only reads; notices.py moves things."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, func, or_, select

from carewatch.notices.notice import NoticeKind, SentNotice
from carewatch.store.notices import WAITING, NoticeState
from carewatch.store.tables import notice as table

WITHOUT_BYTES = [column for column in table.c if column.name != "raw"]
_NOT_REACHED = (NoticeState.REFUSED.value, NoticeState.SET_ASIDE.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxCounts:
    """How many notices are where. `oldest_waiting_at`: when the oldest one still waiting was written."""

    queued: int
    sending: int
    sent: int
    refused: int
    expired: int
    set_aside: int
    oldest_waiting_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeLine:
    """One line of the page of notices: what was said and how far it got."""

    key: str
    kind: NoticeKind
    person: str
    machines: tuple[str, ...]
    subject: str
    message_id: str
    refers_to: str | None
    created_at: datetime
    state: NoticeState
    attempts: int
    trouble: str
    settled_at: datetime | None
    next_at: datetime


def sent_since(rx: Connection, since: datetime) -> tuple[SentNotice, ...]:
    """Give every notice created since an instant that went out, still may, or was refused; expired ones told nobody."""
    query = select(*WITHOUT_BYTES).where(table.c.created_at >= since, table.c.state != NoticeState.EXPIRED.value)
    return _sent_notices(rx, query.order_by(table.c.id))


def expired_unfolded(rx: Connection) -> tuple[SentNotice, ...]:
    """Give the expired notices no catch-up mail has told of yet."""
    query = select(*WITHOUT_BYTES).where(table.c.state == NoticeState.EXPIRED.value, table.c.folded_into.is_(None))
    return _sent_notices(rx, query.order_by(table.c.id))


def next_due_at(rx: Connection) -> datetime | None:
    """Give the instant from which there is something to send; None if nothing waits."""
    return rx.execute(select(func.min(table.c.next_at)).where(table.c.state.in_(WAITING))).scalar()


def counts(rx: Connection, *, since: datetime) -> OutboxCounts:
    """Count the notices by state; of those that reached nobody only the ones since an instant."""
    is_counted = or_(table.c.state.not_in(_NOT_REACHED), table.c.settled_at >= since)
    rows = rx.execute(select(table.c.state, func.count()).where(is_counted).group_by(table.c.state)).all()
    number = {state.value: 0 for state in NoticeState} | {row.state: row[1] for row in rows}
    oldest = rx.execute(select(func.min(table.c.created_at)).where(table.c.state.in_(WAITING))).scalar()
    return OutboxCounts(**number, oldest_waiting_at=oldest)


def lines(rx: Connection, *, since: datetime) -> tuple[NoticeLine, ...]:
    """Give the notices created since an instant, newest first, with how far they got."""
    query = select(table).where(table.c.created_at >= since).order_by(table.c.id.desc())
    return tuple(_to_line(row) for row in rx.execute(query).mappings().all())


def raw_message(rx: Connection, key: str) -> bytes | None:
    """Give the message of a notice as it goes out."""
    return rx.execute(select(table.c.raw).where(table.c.key == key)).scalar()


def message_id_of(rx: Connection, key: str) -> str | None:
    """Give the Message-ID of an earlier notice, for References."""
    return rx.execute(select(table.c.message_id).where(table.c.key == key)).scalar()


def by_message_id(rx: Connection, message_ids: Collection[str]) -> dict[str, SentNotice]:
    """Give the notices that went out under these Message-IDs."""
    query = select(*WITHOUT_BYTES).where(table.c.message_id.in_(list(message_ids)))
    return {row["message_id"]: _to_sent(row) for row in rx.execute(query).mappings().all()}


def by_key(rx: Connection, key: str) -> SentNotice | None:
    """Give the notice with this key."""
    row = rx.execute(select(*WITHOUT_BYTES).where(table.c.key == key)).mappings().first()
    return None if row is None else _to_sent(row)


def to_person_since(rx: Connection, person: str, since: datetime) -> tuple[SentNotice, ...]:
    """Give the notices to one person created since an instant, newest first."""
    query = select(*WITHOUT_BYTES).where(table.c.person == person, table.c.created_at >= since)
    return _sent_notices(rx, query.order_by(table.c.id.desc()))


def _sent_notices(rx: Connection, query: Select[Any]) -> tuple[SentNotice, ...]:
    return tuple(_to_sent(row) for row in rx.execute(query).mappings().all())


def _to_sent(row: RowMapping) -> SentNotice:
    return SentNotice(
        key=row["key"],
        kind=NoticeKind(row["kind"]),
        person=row["person"],
        to=row["recipient"],
        machines=tuple(json.loads(row["machines"])),
        duties=tuple(json.loads(row["duties"])),
        subject=row["subject"],
        created_at=row["created_at"],
        refers_to=row["refers_to"],
        facts=tuple((machine, said) for machine, said in json.loads(row["facts"])),
        is_refused=row["state"] in _NOT_REACHED,
    )


def _to_line(row: RowMapping) -> NoticeLine:
    return NoticeLine(
        key=row["key"],
        kind=NoticeKind(row["kind"]),
        person=row["person"],
        machines=tuple(json.loads(row["machines"])),
        subject=row["subject"],
        message_id=row["message_id"],
        refers_to=row["refers_to"],
        created_at=row["created_at"],
        state=NoticeState(row["state"]),
        attempts=row["attempts"],
        trouble=row["trouble"],
        settled_at=row["settled_at"],
        next_at=row["next_at"],
    )
