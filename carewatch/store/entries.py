"""The logbook's lines. Append-only; the same line may arrive any number of times."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import Any, get_args

from pydantic import TypeAdapter
from sqlalchemy import Connection, RowMapping, func, select

from carewatch.errors import BadInput
from carewatch.logbook.entries import Channel, Detail, Entry, EntryKind
from carewatch.store.dialect import insert_new
from carewatch.store.tables import entry as table

IDS_AT_ONCE = 500  # chosen: well under every limit on parameters
_DETAIL_BY_NAME = {detail.__name__: detail for detail in get_args(Detail)}


def add(tx: Connection, entry: Entry) -> bool:
    """Keep an entry; False if it is there already, BadInput if its id belongs to another one."""
    row = _to_row(entry)
    if insert_new(tx, table, row, unique=("id",)):
        return True
    known = tx.execute(select(table).where(table.c.id == entry.id)).mappings().one()
    # When a phone sends again, only the time of receipt differs.
    if any(known[name] != value for name, value in row.items() if name != "recorded_at"):
        raise BadInput(f"An entry with the id {entry.id} is in the logbook already and says something else.")
    return False


def all_entries(
    rx: Connection, *, machine: str | None = None, recorded_until: datetime | None = None
) -> tuple[Entry, ...]:
    """Give entries by the time they happened; `recorded_until`: as the logbook stood at that instant."""
    query = select(table).order_by(table.c.happened_at, table.c.recorded_at, table.c.id)
    if machine is not None:
        query = query.where(table.c.machine == machine)
    if recorded_until is not None:
        query = query.where(table.c.recorded_at <= recorded_until)
    return tuple(_to_entry(row) for row in rx.execute(query).mappings().all())


def any_with_stem(rx: Connection, stem: str) -> bool:
    """Whether there is an entry whose id begins like that."""
    begins_alike = table.c.id.startswith(stem, autoescape=True)
    return rx.execute(select(table.c.id).where(begins_alike).limit(1)).first() is not None


def known_ids(rx: Connection, ids: Sequence[str]) -> frozenset[str]:
    """Those of some ids that are in the logbook."""
    found: set[str] = set()
    for start in range(0, len(ids), IDS_AT_ONCE):
        some = table.c.id.in_(ids[start : start + IDS_AT_ONCE])
        found.update(rx.execute(select(table.c.id).where(some)).scalars().all())
    return frozenset(found)


def count(rx: Connection) -> int:
    """How many entries there are; the logbook only grows."""
    return int(rx.execute(select(func.count()).select_from(table)).scalar_one())


def _to_row(entry: Entry) -> dict[str, Any]:
    detail = type(entry.detail)
    return {
        "id": entry.id,
        "machine": entry.machine,
        "kind": entry.kind.value,
        "happened_at": entry.happened_at,
        "recorded_at": entry.recorded_at,
        "written_by": entry.by,
        "on_behalf_of": entry.on_behalf_of,
        "channel": entry.channel.value,
        "detail_type": detail.__name__,
        "detail": _adapter(detail.__name__).dump_json(entry.detail).decode(),
    }


def _to_entry(row: RowMapping) -> Entry:
    return Entry(
        id=row["id"],
        machine=row["machine"],
        kind=EntryKind(row["kind"]),
        happened_at=row["happened_at"],
        recorded_at=row["recorded_at"],
        by=row["written_by"],
        on_behalf_of=row["on_behalf_of"],
        channel=Channel(row["channel"]),
        detail=_adapter(row["detail_type"]).validate_json(row["detail"]),
    )


# Read back with the class it was written with: a kind may tell more one day, and old lines still read.
@cache
def _adapter(detail_type: str) -> TypeAdapter[Any]:
    return TypeAdapter(_DETAIL_BY_NAME[detail_type])
