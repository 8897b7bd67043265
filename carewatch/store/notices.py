"""The outbox. A notice is queued in the transaction that decides it, claimed, sent outside any transaction, settled.

    queued -> sending -> sent | refused | queued again after a wait
    queued -> expired; sending -> set_aside when its worker died five times in a row

Every claim raises the fence of its row, and only the claim with the newest fence may settle it: a worker that was
believed dead and comes back changes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, exists, func, or_, select, update

from carewatch.notices.notice import Notice, NoticeKind
from carewatch.store.backoff import LONGEST_WAIT, next_wait
from carewatch.store.dialect import insert_new
from carewatch.store.tables import notice as table

MOST_DEATHS = 5
"""A notice that takes its worker down this often in a row is set aside and shown; chosen."""


class NoticeState(StrEnum):
    """How far a notice is."""

    QUEUED = "queued"
    SENDING = "sending"
    SENT = "sent"
    REFUSED = "refused"
    EXPIRED = "expired"
    SET_ASIDE = "set_aside"


WAITING = (NoticeState.QUEUED.value, NoticeState.SENDING.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """A notice in the hands of one worker until its lease runs out."""

    id: int
    fence: int
    key: str
    kind: NoticeKind
    person: str
    recipient: str
    message_id: str
    raw: bytes
    attempts: int
    due_at: datetime
    not_after: datetime


def queue(tx: Connection, notice: Notice, *, message_id: str, raw: bytes, send_at: datetime) -> bool:
    """Put a notice in the outbox with its final bytes; False if its key was ever queued before."""
    row = {
        "key": notice.key,
        "kind": notice.kind.value,
        "person": notice.person,
        "recipient": notice.to,
        "machines": json.dumps(notice.machines),
        "duties": json.dumps(notice.duties),
        "subject": notice.subject,
        "facts": json.dumps(notice.facts),
        "refers_to": notice.refers_to,
        "created_at": notice.created_at,
        "not_after": notice.not_after,
        "message_id": message_id,
        "raw": raw,
        "state": NoticeState.QUEUED.value,
        "next_at": send_at,
        "attempts": 0,
        "deaths": 0,
        "fence": 0,
        "trouble": "",
    }
    return insert_new(tx, table, row, unique=("key",))


def claim(tx: Connection, *, now: datetime, worker: str, lease: timedelta) -> Claimed | None:
    """Take the due notice with the earliest end of worth; None if nothing is due. Commit before sending it."""
    while (row := _next_due(tx, now)) is not None:
        has_killed = row.state == NoticeState.SENDING
        deaths = row.deaths + 1 if has_killed else row.deaths
        if deaths >= MOST_DEATHS:
            _change(tx, row.id, state=NoticeState.SET_ASIDE.value, deaths=deaths, settled_at=now)
            continue
        _change(
            tx,
            row.id,
            state=NoticeState.SENDING.value,
            next_at=now + lease,
            attempts=row.attempts + 1,
            deaths=deaths,
            fence=row.fence + 1,
            worker=worker,
        )
        return Claimed(
            id=row.id,
            fence=row.fence + 1,
            key=row.key,
            kind=NoticeKind(row.kind),
            person=row.person,
            recipient=row.recipient,
            message_id=row.message_id,
            raw=row.raw,
            attempts=row.attempts + 1,
            due_at=row.next_at,
            not_after=row.not_after,
        )
    return None


def settle_sent(tx: Connection, claimed: Claimed, *, now: datetime) -> bool:
    """Note that the server took it; False if the claim is no longer ours."""
    return _settle(tx, claimed, state=NoticeState.SENT, settled_at=now, trouble="")


def settle_refused(tx: Connection, claimed: Claimed, *, now: datetime, trouble: str) -> bool:
    """Note that the address said no for good; False if the claim is no longer ours."""
    return _settle(tx, claimed, state=NoticeState.REFUSED, settled_at=now, trouble=trouble)


def settle_retry(tx: Connection, claimed: Claimed, *, now: datetime, trouble: str, jitter: float) -> bool:
    """Put it back for a later try; `jitter` from 0 to 1 spreads the wait. False if the claim is no longer ours."""
    next_at = now + next_wait(claimed.attempts, jitter=jitter)
    return _settle(tx, claimed, state=NoticeState.QUEUED, next_at=next_at, trouble=trouble)


def settle_untried(tx: Connection, claimed: Claimed, *, trouble: str) -> bool:
    """Put it back as if it had not been claimed: the whole channel is stopped. False if the claim is no longer ours."""
    before = {"next_at": claimed.due_at, "attempts": claimed.attempts - 1}
    return _settle(tx, claimed, state=NoticeState.QUEUED, trouble=trouble, **before)


def expire(tx: Connection, *, now: datetime) -> tuple[str, ...]:
    """Give up what is no longer worth sending; give the keys. What a lost catch-up mail held is unfolded again."""
    is_over = and_(
        table.c.not_after <= now,
        or_(
            table.c.state == NoticeState.QUEUED.value,
            and_(table.c.state == NoticeState.SENDING.value, _is_due(now)),
        ),
    )
    rows = tx.execute(select(table.c.id, table.c.key, table.c.kind).where(is_over).order_by(table.c.id)).all()
    for row in rows:
        _change(tx, row.id, state=NoticeState.EXPIRED.value, settled_at=now)
        if row.kind == NoticeKind.CATCH_UP:
            tx.execute(update(table).where(table.c.folded_into == row.key).values(folded_into=None))
            _change(tx, row.id, folded_into=row.key)
    return tuple(row.key for row in rows)


def mark_bounced(tx: Connection, *, message_id: str, recipient: str, now: datetime, trouble: str) -> bool:
    """Note that a notice came back for good, whatever the first server said; False if there is no such notice."""
    is_it = and_(
        table.c.message_id == message_id,
        func.lower(table.c.recipient) == recipient,
        table.c.state == NoticeState.SENT.value,
    )
    values = {"state": NoticeState.REFUSED.value, "trouble": trouble, "settled_at": now}
    return bool(tx.execute(update(table).where(is_it).values(**values)).rowcount)


def mark_folded(tx: Connection, keys: Collection[str], *, into: str) -> None:
    """Note which catch-up notice tells of these expired ones."""
    tx.execute(update(table).where(table.c.key.in_(list(keys))).values(folded_into=into))


def _next_due(tx: Connection, now: datetime) -> Row[Any] | None:
    # A cancelling mail must not overtake the mail it cancels.
    first = table.alias()
    is_ahead = and_(
        table.c.kind == NoticeKind.CANCELLED.value,
        exists().where(first.c.key == table.c.refers_to, first.c.state.in_(WAITING)),
    )
    query = (
        select(table)
        .where(_is_waiting(), _is_due(now), table.c.not_after > now, ~is_ahead)
        .order_by(table.c.not_after, table.c.id)
        .limit(1)
        .with_for_update(skip_locked=True)  # says nothing on SQLite, where BEGIN IMMEDIATE lets in one at a time
    )
    return tx.execute(query).first()


def _is_due(now: datetime) -> ColumnElement[bool]:
    # A try or the end of a lease further ahead than the longest wait was set by a clock that has been put back since.
    return or_(table.c.next_at <= now, and_(table.c.attempts > 0, table.c.next_at > now + LONGEST_WAIT))


def _is_waiting() -> ColumnElement[bool]:
    return table.c.state.in_(WAITING)


def _change(tx: Connection, row_id: int, **values: object) -> None:
    tx.execute(update(table).where(table.c.id == row_id).values(**values))


def _settle(tx: Connection, claimed: Claimed, *, state: NoticeState, **values: object) -> bool:
    is_ours = and_(table.c.id == claimed.id, table.c.fence == claimed.fence, table.c.state == NoticeState.SENDING.value)
    changed = tx.execute(update(table).where(is_ours).values(state=state.value, deaths=0, **values))
    return bool(changed.rowcount == 1)
