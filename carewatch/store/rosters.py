"""Roster versions: the texts of the files as they were read, the newest last; and what was changed on pages."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import Connection, insert, select

from carewatch.store.tables import roster_change, roster_version


def add_version(tx: Connection, *, fingerprint: str, texts: Mapping[str, str], at: datetime) -> bool:
    """Keep the files' texts as the newest version; False if they already are."""
    newest = latest(tx)
    if newest is not None and newest[0] == fingerprint:
        return False
    tx.execute(insert(roster_version).values(fingerprint=fingerprint, texts=json.dumps(dict(texts)), at=at))
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class RosterChange:
    """One change made on a page: who, what stood there before (empty: nothing) and after."""

    fleet: str
    entry: str
    person: str
    before: str
    after: str
    at: datetime


def note_change(tx: Connection, change: RosterChange) -> None:
    """Keep that somebody changed an entry."""
    tx.execute(insert(roster_change).values(**asdict(change)))


def changes(rx: Connection, *, fleet: str) -> tuple[RosterChange, ...]:
    """Give the changes of a fleet made on pages, newest first."""
    own = [column for column in roster_change.c if column.name != "id"]
    query = select(*own).where(roster_change.c.fleet == fleet).order_by(roster_change.c.id.desc())
    return tuple(RosterChange(**row) for row in rx.execute(query).mappings())


def newest_fingerprint(rx: Connection) -> str | None:
    """Give the fingerprint of the newest version, without its texts."""
    return rx.execute(select(roster_version.c.fingerprint).order_by(roster_version.c.id.desc()).limit(1)).scalar()


def latest(rx: Connection) -> tuple[str, dict[str, str]] | None:
    """Give fingerprint and texts of the newest version."""
    query = select(roster_version.c.fingerprint, roster_version.c.texts).order_by(roster_version.c.id.desc()).limit(1)
    row = rx.execute(query).first()
    return None if row is None else (row.fingerprint, json.loads(row.texts))
