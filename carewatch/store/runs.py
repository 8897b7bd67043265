"""When each recurring job last ran and how it went: what /health and the heartbeat tell."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select

from carewatch.store.dialect import upsert
from carewatch.store.tables import run as table


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """The last run of one job. `failures`: failed runs in a row; `trouble`: what the last of them said."""

    name: str
    last_at: datetime
    last_ok_at: datetime | None
    next_due_at: datetime | None
    failures: int
    trouble: str


def get(rx: Connection, name: str) -> Run | None:
    """Give the last run of a job; None if it never ran."""
    row = rx.execute(select(table).where(table.c.name == name)).mappings().first()
    return None if row is None else Run(**row)


def succeeded(tx: Connection, name: str, *, at: datetime, next_due_at: datetime | None) -> None:
    """Note a run that went well."""
    row = {
        "name": name,
        "last_at": at,
        "last_ok_at": at,
        "next_due_at": next_due_at,
        "failures": 0,
        "trouble": "",
    }
    upsert(tx, table, row, unique=("name",))


def failed(tx: Connection, name: str, *, at: datetime, trouble: str) -> None:
    """Note a run that failed; when it is due next stays as it was."""
    known = get(tx, name)
    row = {
        "name": name,
        "last_at": at,
        "last_ok_at": None if known is None else known.last_ok_at,
        "next_due_at": None if known is None else known.next_due_at,
        "failures": 1 if known is None else known.failures + 1,
        "trouble": trouble,
    }
    upsert(tx, table, row, unique=("name",))
