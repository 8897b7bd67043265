"""The database as the service sees it: open, one transaction at a time, and what can go wrong in our own words."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import URL, Connection, Engine, create_engine, make_url
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from carewatch.errors import StoreTrouble
from carewatch.store import dialect, layout
from carewatch.store.ballast import Ballast


class Database:
    """One open database; any number of threads and processes may use the same one at once."""

    def __init__(self, engine: Engine, ballast: Ballast | None) -> None:
        self._engine = engine
        self.ballast = ballast

    @classmethod
    def open(cls, url_or_path: str | Path, *, migrate: bool = True, survives_power_cut: bool = True) -> Database:
        """Open a SQLite file by its path, or any database by its SQLAlchemy URL, and bring it to the current tables.

        Without `survives_power_cut` a killed process still loses nothing, but a power cut may: for what can be made
        again, such as a replay.
        """
        url = _url_of(url_or_path)
        file = _sqlite_file(url)
        if file is not None:
            _make_private_file(file)
        try:
            engine = create_engine(url, pool_pre_ping=file is None)
        except (SQLAlchemyError, ImportError) as error:
            raise StoreTrouble(f"{url.render_as_string()} cannot be used as a database: {error}") from error
        dialect.prepare_engine(engine, survives_power_cut=survives_power_cut)
        database = cls(engine, Ballast(file) if file is not None else None)
        database._settle_layout(migrate=migrate)
        return database

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """Give a connection that may write; everything in the block is kept, or nothing."""
        with self._translated(), self._engine.connect() as connection, connection.begin():
            yield connection
        if self.ballast is not None and self.ballast.is_spent:
            self.ballast.refill()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that only reads, one consistent picture. Fetch and leave: an open reader blocks writers."""
        with self._translated(), self._engine.connect() as connection:
            connection = connection.execution_options(**dialect.reading_options(self._engine))
            with connection.begin():
                yield connection

    def close(self) -> None:
        """Let go of every connection."""
        self._engine.dispose()

    def _settle_layout(self, *, migrate: bool) -> None:
        with self.reading() as rx:
            is_ready = layout.is_current(rx)
        if not is_ready and not migrate:
            raise StoreTrouble(
                "The database has an older layout. Start the service once, it brings the layout up to date."
            )
        if not is_ready:
            with self._translated():
                layout.bring_up_to_date(self._engine)
        if self.ballast is not None:
            self.ballast.refill()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except (DBAPIError, PoolTimeout) as error:  # what else SQLAlchemy raises is a mistake in our own code
            if self.ballast is not None and _is_disk_full(error):
                self.ballast.spend()
            raise StoreTrouble(_in_words(error)) from error


def _url_of(url_or_path: str | Path) -> URL:
    if "://" not in str(url_or_path):
        # built, not parsed: a path may hold ? # and %
        return URL.create("sqlite", database=str(Path(url_or_path).absolute()))
    try:
        return make_url(str(url_or_path))
    except SQLAlchemyError as error:
        raise StoreTrouble(
            "The address of the database cannot be read; write sqlite:///FILE or postgresql://..."
        ) from error


def _sqlite_file(url: URL) -> Path | None:
    if url.drivername.partition("+")[0] != "sqlite":
        return None
    if url.database in (None, "", ":memory:"):
        raise StoreTrouble("A database in memory forgets everything at once; give the path of a file.")
    return Path(str(url.database))


def _make_private_file(file: Path) -> None:
    # Mail addresses are in it: readable by the owner only. A missing folder is never made here, because an empty
    # database beside an unmounted disk would look as if nothing had ever happened.
    try:
        os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
    except OSError as error:
        raise StoreTrouble(f"The database {file} cannot be opened: {error.strerror}.") from error


def _is_disk_full(error: SQLAlchemyError) -> bool:
    code = getattr(getattr(error, "orig", None), "sqlite_errorcode", 0) or 0
    # A file-size limit shows as an I/O error while writing, a full disk mostly as SQLITE_FULL.
    return code == sqlite3.SQLITE_FULL or code in (sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_TRUNCATE)


def _in_words(error: SQLAlchemyError) -> str:
    cause = getattr(error, "orig", None) or error
    code = (getattr(cause, "sqlite_errorcode", 0) or 0) & 0xFF  # the low byte is the primary code
    if _is_disk_full(error):
        return "The disk of the database is full; nothing was lost. Free some space, it goes on by itself."
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "Another program keeps the database locked; nothing was lost, try again."
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return f"The database file is damaged ({cause}). Stop the service and restore the last backup."
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return f"The database cannot be written ({cause}). Check who owns the file and its folder."
    return f"The database refused: {cause}"
