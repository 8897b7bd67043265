"""Roster versions: the texts of the files as they were read, the newest last."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import Connection, insert, select

from carewatch.store.tables import roster_version


def add_version(tx: Connection, *, fingerprint: str, texts: Mapping[str, str], at: datetime) -> bool:
    """Keep the files' texts as the newest version; False if they already are."""
    newest = latest(tx)
    if newest is not None and newest[0] == fingerprint:
        return False
    tx.execute(insert(roster_version).values(fingerprint=fingerprint, texts=json.dumps(dict(texts)), at=at))
    return True


def newest_fingerprint(rx: Connection) -> str | None:
    """Give the fingerprint of the newest version, without its texts."""
    return rx.execute(select(roster_version.c.fingerprint).order_by(roster_version.c.id.desc()).limit(1)).scalar()


def latest(rx: Connection) -> tuple[str, dict[str, str]] | None:
    """Give fingerprint and texts of the newest version."""
    query = select(roster_version.c.fingerprint, roster_version.c.texts).order_by(roster_version.c.id.desc()).limit(1)
    row = rx.execute(query).first()
    return None if row is None else (row.fingerprint, json.loads(row.texts))
