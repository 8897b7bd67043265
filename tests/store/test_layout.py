"""All steps together give the current tables, triggers included; a step is done whole or not at all."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, create_mock_engine
from sqlalchemy.schema import ExecutableDDLElement

from carewatch.errors import StoreTooNew, StoreTrouble
from carewatch.store import layout
from carewatch.store.database import Database
from carewatch.store.tables import metadata


def schema_of(path: Path) -> set[tuple[str, str, str]]:
    """Type, name and normalised SQL of everything in a SQLite file, but Alembic's own table."""
    with sqlite3.connect(path) as connection:
        rows = connection.execute("SELECT type, name, coalesce(sql, '') FROM sqlite_master").fetchall()
    connection.close()
    # A step names indexes and constraints in another order of clauses only if somebody made a mistake.
    return {(kind, name, " ".join(sql.split())) for kind, name, sql in rows if "alembic_version" not in name}


def test_the_steps_give_the_current_tables_and_triggers(tmp_path: Path) -> None:
    Database.open(tmp_path / "steps.db").close()
    engine = create_engine(f"sqlite:///{tmp_path / 'tables.db'}")
    metadata.create_all(engine)
    engine.dispose()
    by_steps, by_tables = schema_of(tmp_path / "steps.db"), schema_of(tmp_path / "tables.db")
    assert by_steps == by_tables
    assert {name for kind, name, _ in by_steps if kind == "trigger"} == {
        "answer_no_update",
        "duty_line_no_delete",
        "duty_line_no_update",
        "entry_no_delete",
        "entry_no_update",
        "roster_change_no_delete",
        "roster_change_no_update",
        "roster_version_no_delete",
        "roster_version_no_update",
    }


def test_foreign_keys_hold_again_after_the_steps(tmp_path: Path) -> None:
    database = Database.open(tmp_path / "carewatch.db")
    with database.transaction() as tx:
        assert tx.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
    with pytest.raises(StoreTrouble, match="FOREIGN KEY"), database.transaction() as tx:
        tx.exec_driver_sql("INSERT INTO answer_renewal VALUES (99, '2026', '{}')")
    database.close()


def test_alembic_finds_no_difference(tmp_path: Path) -> None:
    database = Database.open(tmp_path / "carewatch.db")
    with database.reading() as rx:
        assert compare_metadata(MigrationContext.configure(rx, opts={"compare_type": True}), metadata) == []
    database.close()


def test_the_list_of_steps_is_that_of_the_files() -> None:
    scripts = ScriptDirectory(str(layout.MIGRATIONS))
    assert tuple(step.revision for step in reversed(list(scripts.walk_revisions()))) == layout.REVISIONS


def test_every_table_and_trigger_can_be_written_for_postgresql() -> None:
    statements: list[str] = []

    def keep(statement: ExecutableDDLElement, *_: object, **__: object) -> None:
        statements.append(str(statement.compile(dialect=engine.dialect)))

    engine = create_mock_engine("postgresql://", keep)
    metadata.create_all(engine, checkfirst=False)
    assert sum("CREATE TRIGGER" in statement for statement in statements) == 9
    assert any("TIMESTAMP WITH TIME ZONE" in statement for statement in statements)


OPEN = "import sys; from carewatch.store.database import Database; Database.open(sys.argv[1]).close()"

OPEN_AND_DIE = """
import os, signal, sys
from sqlalchemy import Engine, event
from carewatch.store.database import Database

@event.listens_for(Engine, "before_cursor_execute")
def die(connection, cursor, statement, *rest):
    if sys.argv[2] in statement:
        os.kill(os.getpid(), signal.SIGKILL)

Database.open(sys.argv[1])
"""


@pytest.mark.parametrize(
    "moment",
    [
        "CREATE TABLE answer ",
        "CREATE TABLE notice ",
        "CREATE TRIGGER entry",
        "CREATE TABLE reply",
        "INSERT INTO alembic",
    ],
)
def test_a_killed_migration_leaves_nothing_and_the_next_start_does_it_all(tmp_path: Path, moment: str) -> None:
    path = tmp_path / "carewatch.db"
    killed = subprocess.run([sys.executable, "-c", OPEN_AND_DIE, str(path), moment], check=False, timeout=30)
    assert killed.returncode == -signal.SIGKILL
    assert schema_of(path) == set()
    Database.open(path).close()
    assert layout.REVISIONS[-1] == revision_in(path)
    assert len(schema_of(path)) > len(metadata.tables)


def test_two_migrations_at_once_do_it_once(tmp_path: Path) -> None:
    path = tmp_path / "carewatch.db"
    both = [subprocess.Popen([sys.executable, "-c", OPEN, str(path)], stderr=subprocess.PIPE) for _ in range(2)]
    assert [(process.wait(timeout=60), process.stderr.read()) for process in both if process.stderr] == [(0, b"")] * 2
    for process in both:
        process.communicate()
    assert revision_in(path) == layout.REVISIONS[-1]


def test_a_database_newer_than_the_code_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "carewatch.db"
    Database.open(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StoreTooNew, match=rf"step 9999.*up to {layout.REVISIONS[-1]}.*newer carewatch"):
        Database.open(path)
    assert path.read_bytes() == before


def test_without_leave_to_migrate_an_older_database_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreTrouble, match="older layout"):
        Database.open(tmp_path / "carewatch.db", migrate=False)


def revision_in(path: Path) -> str:
    connection = sqlite3.connect(path)
    (revision,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    connection.close()
    return str(revision)
