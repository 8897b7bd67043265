"""What the forecast services sent, as it came. Bodies are kept once; a renewed answer only moves what may change."""

from __future__ import annotations

import hashlib
import json
import zlib
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, delete, func, insert, select

from carewatch.store.dialect import upsert
from carewatch.store.tables import answer as table
from carewatch.store.tables import answer_renewal as renewal
from carewatch.weather.answer import Answer


def put(tx: Connection, answer: Answer) -> bool:
    """Keep an answer; False if the newest one has the same body: then only its terms and validators are renewed."""
    digest = hashlib.sha256(answer.body).hexdigest()
    newest = tx.execute(_of(answer.source, answer.key).limit(1)).mappings().first()
    terms = {"ask_again_at": answer.ask_again_at, "validators": json.dumps(dict(answer.validators))}
    if newest is not None and newest["digest"] == digest:
        upsert(tx, renewal, {"answer_id": newest["id"], **terms}, unique=("answer_id",))
        return False
    tx.execute(
        insert(table).values(
            source=answer.source,
            key=answer.key,
            digest=digest,
            body=zlib.compress(answer.body),
            fetched_at=answer.fetched_at,
            issued_at=answer.issued_at,
            **terms,
        )
    )
    return True


def latest(rx: Connection, source: str, key: str) -> Answer | None:
    """Give the newest answer for a key."""
    row = rx.execute(_of(source, key).limit(1)).mappings().first()
    return None if row is None else _to_answer(row)


def history(rx: Connection, source: str, key: str, *, since: datetime) -> tuple[Answer, ...]:
    """Give the differing answers fetched at or after an instant, oldest first."""
    rows = rx.execute(_of(source, key).where(table.c.fetched_at >= since)).mappings().all()
    return tuple(_to_answer(row) for row in reversed(rows))


def newest_id(rx: Connection) -> int:
    """A number that grows with every new answer: as long as it stays, no forecast has changed."""
    return int(rx.execute(select(func.coalesce(func.max(table.c.id), 0))).scalar_one())


def prune(tx: Connection, *, before: datetime) -> int:
    """Forget answers fetched before an instant, but never the newest of a key; give how many."""
    newest = select(func.max(table.c.id)).group_by(table.c.source, table.c.key)
    gone = tx.execute(delete(table).where(table.c.fetched_at < before, table.c.id.not_in(newest)))
    return int(gone.rowcount)


def _of(source: str, key: str) -> Select[Any]:
    ask_again_at = func.coalesce(renewal.c.ask_again_at, table.c.ask_again_at, type_=table.c.ask_again_at.type)
    validators = func.coalesce(renewal.c.validators, table.c.validators)
    own = [column for column in table.c if column.name not in ("ask_again_at", "validators")]
    return (
        select(*own, ask_again_at.label("ask_again_at"), validators.label("validators"))
        .select_from(table.outerjoin(renewal, renewal.c.answer_id == table.c.id))
        .where(table.c.source == source, table.c.key == key)
        .order_by(table.c.id.desc())
    )


def _to_answer(row: RowMapping) -> Answer:
    return Answer(
        source=row["source"],
        key=row["key"],
        body=zlib.decompress(row["body"]),
        fetched_at=row["fetched_at"],
        issued_at=row["issued_at"],
        ask_again_at=row["ask_again_at"],
        validators=json.loads(row["validators"]),
    )
