"""Secrets of this installation: made once, kept where only the service reads."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, select

from carewatch.store.dialect import insert_new
from carewatch.store.tables import secret as table


def keep(tx: Connection, name: str, *, fresh: bytes, at: datetime) -> bytes:
    """Give the secret of this name; the first time that is `fresh`, from then on always the same one."""
    insert_new(tx, table, {"name": name, "value": fresh, "made_at": at}, unique=("name",))
    return bytes(tx.execute(select(table.c.value).where(table.c.name == name)).scalar_one())


def find(rx: Connection, name: str) -> bytes | None:
    """Give the secret of this name; None before it was made."""
    found = rx.execute(select(table.c.value).where(table.c.name == name)).scalar()
    return None if found is None else bytes(found)
