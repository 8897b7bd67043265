"""The few places where SQLite and PostgreSQL speak differently. Nowhere else in the store is there such a switch."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, DateTime, Dialect, Engine, String, Table, TypeDecorator, event, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.pool import ConnectionPoolEntry
from sqlalchemy.types import TypeEngine

from carewatch.errors import StoreTrouble

BUSY_TIMEOUT_MS = 30_000
"""How long a writer waits for another one; chosen: longer than any transaction of ours by far."""

SQLITE_PRAGMAS = (
    f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}",
    # No WAL: SQLite before 3.51.3 can corrupt a database when it resets the log (sqlite.org/wal.html, "the WAL-reset
    # bug"). EXTRA also syncs the folder, so that a power cut cannot bring back the journal of a finished commit
    # (sqlite.org/pragma.html#pragma_synchronous).
    "PRAGMA journal_mode=TRUNCATE",
    "PRAGMA synchronous=EXTRA",
    "PRAGMA foreign_keys=ON",
    # Without it INSERT OR REPLACE deletes a row and no trigger sees it (sqlite.org/lang_conflict.html).
    "PRAGMA recursive_triggers=ON",
)

MIGRATION_LOCK = 0x63617265
"""Key of the PostgreSQL advisory lock that lets one migration run at a time; chosen: the letters "care"."""


class Instant(TypeDecorator[datetime]):
    """An aware UTC instant: text of fixed width on SQLite (sorts as it reads), timestamptz on PostgreSQL."""

    impl = String(27)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Give the column type of this database."""
        wide = DateTime(timezone=True) if dialect.name == "postgresql" else String(27)
        return dialect.type_descriptor(wide)

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | str | None:
        """Write; a naive time is a mistake of the caller."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value!r} has no time zone; the store keeps aware instants only")
        in_utc = value.astimezone(UTC)
        if dialect.name == "postgresql":
            return in_utc
        return in_utc.isoformat(timespec="microseconds").replace("+00:00", "Z")

    def process_result_value(self, value: datetime | str | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 -- SQLAlchemy hands it over
        """Read."""
        if value is None:
            return None
        if isinstance(value, datetime):
            return value.astimezone(UTC)
        return datetime.fromisoformat(value)


def prepare_engine(engine: Engine, *, survives_power_cut: bool) -> None:
    """Hook the settings of this database onto every new connection and every BEGIN."""
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_pragmas)
        if not survives_power_cut:
            event.listen(engine, "connect", _leave_syncing_to_the_system)
        event.listen(engine, "begin", _begin_sqlite)


def _set_pragmas(connection: sqlite3.Connection, _entry: ConnectionPoolEntry) -> None:
    connection.isolation_level = None  # BEGIN is ours; the driver would start deferred transactions of its own
    for pragma in SQLITE_PRAGMAS:
        connection.execute(pragma)


def _leave_syncing_to_the_system(connection: sqlite3.Connection, _entry: ConnectionPoolEntry) -> None:
    connection.execute("PRAGMA synchronous=OFF")


def _begin_sqlite(connection: Connection) -> None:
    # IMMEDIATE is the default: a deferred transaction that turns to writing fails at once, whatever the busy timeout
    is_reading = connection.get_execution_options().get("carewatch_reading", False)
    connection.exec_driver_sql("BEGIN DEFERRED" if is_reading else "BEGIN IMMEDIATE")


def reading_options(engine: Engine) -> dict[str, Any]:
    """Execution options of a connection that only reads and wants one consistent picture."""
    if engine.dialect.name == "postgresql":
        return {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
    return {"carewatch_reading": True}


def insert_new(tx: Connection, table: Table, values: Mapping[str, Any], *, unique: tuple[str, ...]) -> bool:
    """Insert a row unless one with the same `unique` columns is there; True if it was inserted."""
    new = _insert(tx, table).values(**values).on_conflict_do_nothing(index_elements=unique)
    # RETURNING instead of the row count, which not every driver gives for an INSERT
    return tx.execute(new.returning(table.c[unique[0]])).first() is not None


def insert_all_new(tx: Connection, table: Table, rows: Sequence[Mapping[str, Any]], *, unique: tuple[str, ...]) -> None:
    """Insert many rows of one shape, but those whose `unique` columns are there already."""
    if rows:
        tx.execute(_insert(tx, table).on_conflict_do_nothing(index_elements=unique), [dict(row) for row in rows])


def upsert(
    tx: Connection, table: Table, values: Mapping[str, Any] | Sequence[Mapping[str, Any]], *, unique: tuple[str, ...]
) -> None:
    """Insert a row, or many of one shape; overwrite those with the same `unique` columns."""
    rows = [dict(values)] if isinstance(values, Mapping) else [dict(row) for row in values]
    if not rows:
        return
    statement = _insert(tx, table)
    changes = {name: statement.excluded[name] for name in rows[0] if name not in unique}
    tx.execute(statement.on_conflict_do_update(index_elements=unique, set_=changes), rows)


def _insert(tx: Connection, table: Table) -> Any:  # noqa: ANN401  # the two have no common type with "on conflict"
    return postgresql.insert(table) if tx.dialect.name == "postgresql" else sqlite.insert(table)


def append_only_triggers(table: str, *, may_delete: bool = False, dialect: str) -> tuple[str, ...]:
    """Give the statements that make the database itself refuse to change rows of a table."""
    deeds = ("update",) if may_delete else ("update", "delete")
    if dialect == "postgresql":
        return tuple(statement for deed in deeds for statement in _postgresql_trigger(table, deed))
    return tuple(
        f"CREATE TRIGGER {table}_no_{deed} BEFORE {deed.upper()} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        for deed in deeds
    )


def _postgresql_trigger(table: str, deed: str) -> tuple[str, str]:
    name = f"{table}_no_{deed}"
    return (
        (
            f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql "
            f"AS $$ BEGIN RAISE EXCEPTION '{table} is append-only'; END $$"
        ),
        f"CREATE TRIGGER {name} BEFORE {deed.upper()} ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()",
    )


def before_migration(connection: Connection) -> None:
    """Set what must be set before the migration's BEGIN: a table with children can only be rebuilt without keys."""
    if connection.dialect.name == "sqlite":
        connection.connection.cursor().execute("PRAGMA foreign_keys=OFF")


def hold_migration_lock(tx: Connection) -> None:
    """Let one migration run at a time (on SQLite BEGIN IMMEDIATE already does)."""
    if tx.dialect.name == "postgresql":
        tx.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": MIGRATION_LOCK})


def check_foreign_keys(tx: Connection) -> None:
    """Raise StoreTrouble if the migration left a row without its parent."""
    if tx.dialect.name == "sqlite" and (broken := tx.exec_driver_sql("PRAGMA foreign_key_check").all()):
        raise StoreTrouble(f"The new layout of the database does not hold together ({broken[0]}); nothing was changed.")


def after_migration(connection: Connection) -> None:
    """Turn the keys on again."""
    if connection.dialect.name == "sqlite":
        connection.connection.cursor().execute("PRAGMA foreign_keys=ON")
