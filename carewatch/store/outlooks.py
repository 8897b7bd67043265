"""The newest outlook document of each machine and night, as other programs get it."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, delete, select

from carewatch.store.dialect import upsert
from carewatch.store.tables import outlook as table


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredOutlook:
    """One document and when it last changed."""

    machine: str
    night: date
    document: dict[str, Any]
    at: datetime


def put_all(tx: Connection, documents: Sequence[tuple[str, date, Mapping[str, Any]]], *, at: datetime) -> None:
    """Keep many documents (machine, night, document) that are known to differ from the stored ones."""
    rows = [
        {"machine": machine, "night": night, "document": _text(document), "at": at}
        for machine, night, document in documents
    ]
    upsert(tx, table, rows, unique=("machine", "night"))


def _text(document: Mapping[str, Any]) -> str:
    # allow_nan=False: a NaN is no JSON, and a missing number has to be said as null
    return json.dumps(document, sort_keys=True, allow_nan=False, ensure_ascii=False)


def latest(
    rx: Connection, *, from_night: date | None = None, machines: Collection[str] | None = None
) -> tuple[StoredOutlook, ...]:
    """Give the documents by machine and night."""
    query = select(table).order_by(table.c.machine, table.c.night)
    if from_night is not None:
        query = query.where(table.c.night >= from_night)
    if machines is not None:
        query = query.where(table.c.machine.in_(machines))
    return tuple(
        StoredOutlook(machine=row.machine, night=row.night, document=json.loads(row.document), at=row.at)
        for row in rx.execute(query).all()
    )


def prune(tx: Connection, *, before: date) -> int:
    """Forget the documents of nights before a date; give how many."""
    return int(tx.execute(delete(table).where(table.c.night < before)).rowcount)
