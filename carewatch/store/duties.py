"""The ledger of duties: a line for every change, never rewritten."""

from __future__ import annotations

from datetime import datetime

from pydantic import TypeAdapter
from sqlalchemy import Connection, func, or_, select

from carewatch.duties.duty import Duty, DutyState
from carewatch.store.dialect import insert_new
from carewatch.store.tables import duty_line as table

_DUTY = TypeAdapter(Duty)
_STILL_RUNNING = (DutyState.OPEN.value, DutyState.PROMISED.value, DutyState.ACCEPTED.value)


def append(tx: Connection, duty: Duty, *, at: datetime) -> bool:
    """Write a line; False if the newest line of this key says the same."""
    content = _DUTY.dump_json(duty).decode()
    query = select(table.c.version, table.c.content).where(table.c.key == duty.key).order_by(table.c.version.desc())
    newest = tx.execute(query.limit(1)).first()
    if newest is not None and newest.content == content:
        return False
    line = {
        "key": duty.key,
        "version": 1 if newest is None else newest.version + 1,
        "machine": duty.machine,
        "kind": duty.kind.value,
        "state": duty.state.value,
        "content": content,
        "at": at,
    }
    # Two instances that append at once reach for the same version: the second one writes nothing.
    return insert_new(tx, table, line, unique=("key", "version"))


def latest(rx: Connection, *, since: datetime | None = None) -> tuple[Duty, ...]:
    """Give the newest line of every key; `since` leaves out duties that came to rest before it, never running ones."""
    newest = select(table.c.key, func.max(table.c.version).label("version")).group_by(table.c.key).subquery()
    query = (
        select(table.c.content)
        .join(newest, (newest.c.key == table.c.key) & (newest.c.version == table.c.version))
        .order_by(table.c.id)
    )
    if since is not None:
        query = query.where(or_(table.c.at >= since, table.c.state.in_(_STILL_RUNNING)))
    return tuple(_DUTY.validate_json(content) for content in rx.execute(query).scalars().all())
