"""The ledger of duties: a line for every change, never rewritten."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from pydantic import TypeAdapter
from sqlalchemy import Connection, func, or_, select

from carewatch.duties.duty import Duty, DutyState
from carewatch.store.dialect import insert_new
from carewatch.store.tables import duty_line as table

_DUTY = TypeAdapter(Duty)
KEYS_AT_ONCE = 500
"""Keys in one question to the database; chosen: well under every limit on parameters."""

_STILL_RUNNING = (DutyState.OPEN.value, DutyState.PROMISED.value, DutyState.ACCEPTED.value)


def append(tx: Connection, duty: Duty, *, at: datetime) -> bool:
    """Write a line; False if the newest line of this key says the same."""
    return bool(append_all(tx, [duty], at=at))


def append_all(tx: Connection, lines: Sequence[Duty], *, at: datetime) -> tuple[Duty, ...]:
    """Write the lines that say something new; give those. Reads the ledger once for many, not once for each."""
    newest = _newest_contents(tx, sorted({duty.key for duty in lines}))
    written = []
    for duty in lines:
        version, content = newest.get(duty.key, (0, None))
        told = _DUTY.dump_json(duty).decode()
        if told == content:
            continue
        line = {
            "key": duty.key,
            "version": version + 1,
            "machine": duty.machine,
            "kind": duty.kind.value,
            "state": duty.state.value,
            "content": told,
            "at": at,
        }
        # Two instances that append at once reach for the same version: the second one writes nothing.
        if insert_new(tx, table, line, unique=("key", "version")):
            newest[duty.key] = (version + 1, told)
            written.append(duty)
    return tuple(written)


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


def _newest_contents(tx: Connection, keys: Sequence[str]) -> dict[str, tuple[int, str]]:
    newest: dict[str, tuple[int, str]] = {}
    for start in range(0, len(keys), KEYS_AT_ONCE):
        some = table.c.key.in_(keys[start : start + KEYS_AT_ONCE])
        query = select(table.c.key, table.c.version, table.c.content).where(some).order_by(table.c.version)
        newest.update({row.key: (row.version, row.content) for row in tx.execute(query).all()})
    return newest
