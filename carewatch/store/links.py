"""Links in mails. Only a hash of the token is kept: who reads the database cannot answer for anybody."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, select, update

from carewatch.store.dialect import insert_new
from carewatch.store.tables import link as table


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A link that works: for this person and this purpose only."""

    person: str
    purpose: str
    expires_at: datetime


def hash_token(token: str) -> str:
    """Give what is stored for a token. A plain hash is enough for 128 random bits: nobody can guess through them."""
    return hashlib.sha256(token.encode()).hexdigest()


def add(tx: Connection, *, token_hash: str, person: str, purpose: str, expires_at: datetime) -> bool:
    """Keep a link; False if the token is there already."""
    row = {"token_hash": token_hash, "person": person, "purpose": purpose, "expires_at": expires_at}
    return insert_new(tx, table, row, unique=("token_hash",))


def find(rx: Connection, token_hash: str, *, now: datetime) -> Link | None:
    """Give the link of a token unless it has expired or was revoked. Looking does not use it up."""
    query = select(table).where(
        table.c.token_hash == token_hash, table.c.expires_at > now, table.c.revoked_at.is_(None)
    )
    row = rx.execute(query).first()
    return None if row is None else Link(person=row.person, purpose=row.purpose, expires_at=row.expires_at)


def revoke(tx: Connection, token_hash: str, *, at: datetime) -> bool:
    """End one link; False if there was none."""
    query = update(table).where(table.c.token_hash == token_hash, table.c.revoked_at.is_(None))
    return bool(tx.execute(query.values(revoked_at=at)).rowcount)


def revoke_person(tx: Connection, person: str, *, at: datetime) -> int:
    """End every link of a person; give how many."""
    query = update(table).where(table.c.person == person, table.c.revoked_at.is_(None))
    return int(tx.execute(query.values(revoked_at=at)).rowcount)


def revoke_purpose(tx: Connection, purpose: str, *, at: datetime) -> int:
    """End every link for a purpose; give how many."""
    query = update(table).where(table.c.purpose == purpose, table.c.revoked_at.is_(None))
    return int(tx.execute(query.values(revoked_at=at)).rowcount)


def prune(tx: Connection, *, before: datetime) -> int:
    """Forget links that expired before an instant; give how many."""
    return int(tx.execute(delete(table).where(table.c.expires_at < before)).rowcount)
