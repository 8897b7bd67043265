"""Brings a database to the current tables: all steps in one transaction, or none of them."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from carewatch.errors import StoreTooNew
from carewatch.store import dialect

REVISIONS = ("0001", "0002", "0003", "0004")
"""Every step, oldest first. Alembic (half a second to import) is only loaded when the last one is missing."""

VERSION_TABLE = "alembic_version"
MIGRATIONS = Path(__file__).parent / "migrations"


def current_revision(connection: Connection) -> str | None:
    """Give the step a database is at; None for an empty one."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    return connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()  # noqa: S608 -- a constant


def is_current(connection: Connection) -> bool:
    """Tell whether nothing is left to do; raise StoreTooNew if the database knows steps we do not."""
    revision = current_revision(connection)
    if revision is not None and revision not in REVISIONS:
        raise StoreTooNew(
            f"The database is at step {revision}, this carewatch knows steps up to {REVISIONS[-1]}. "
            "Install the newer carewatch that wrote it, or restore an older backup."
        )
    return revision == REVISIONS[-1]


def bring_up_to_date(engine: Engine) -> None:
    """Run the missing steps. Two at once are safe: the second waits and finds nothing to do."""
    with engine.connect() as connection:
        dialect.before_migration(connection)
        try:
            with connection.begin():
                dialect.hold_migration_lock(connection)
                if not is_current(connection):
                    _run_steps(connection)
                    dialect.check_foreign_keys(connection)
        finally:
            dialect.after_migration(connection)


def _run_steps(connection: Connection) -> None:
    from alembic import command  # late: see REVISIONS
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, REVISIONS[-1])
