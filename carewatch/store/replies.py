"""What became of each reply: the same mail read twice counts once, and nobody gets more than one word back a day."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, delete, exists, select

from carewatch.store.dialect import insert_new
from carewatch.store.tables import reply as table


def add(
    tx: Connection, *, identity: str, sender: str, at: datetime, outcome: str, notice: str | None, is_answered: bool
) -> bool:
    """Note a reply; False if it was noted before."""
    row = {
        "identity": identity, "sender": sender, "at": at, "outcome": outcome, "notice": notice,
        "is_answered": is_answered,
    }  # fmt: skip
    return insert_new(tx, table, row, unique=("identity",))


def is_known(rx: Connection, identity: str) -> bool:
    """Tell whether a reply was handled before."""
    return bool(rx.execute(select(exists().where(table.c.identity == identity))).scalar())


def was_answered(rx: Connection, sender: str, *, since: datetime) -> bool:
    """Tell whether this address got a word back since an instant."""
    is_one = exists().where(table.c.sender == sender, table.c.is_answered, table.c.at > since)
    return bool(rx.execute(select(is_one)).scalar())


def taken_for(rx: Connection, *, notice: str, sender: str) -> tuple[str, ...]:
    """Give the replies of an address to one notice that were taken, by their identities."""
    is_it = (table.c.notice == notice, table.c.sender == sender, table.c.outcome == "taken")
    return tuple(rx.execute(select(table.c.identity).where(*is_it).order_by(table.c.at)).scalars())


def prune(tx: Connection, *, before: datetime) -> int:
    """Forget replies noted before an instant; give how many."""
    return int(tx.execute(delete(table).where(table.c.at < before)).rowcount)
