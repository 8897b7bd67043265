"""A fresh database for each test: SQLite always, PostgreSQL too where CAREWATCH_TEST_POSTGRES names a server.

CAREWATCH_TEST_POSTGRES=postgresql+psycopg://user@127.0.0.1:5432/postgres pytest tests/store
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import create_engine, make_url, text

from carewatch.store.database import Database

POSTGRES = os.environ.get("CAREWATCH_TEST_POSTGRES")
BACKENDS = ["sqlite", "postgresql"] if POSTGRES else ["sqlite"]


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a file at the current tables: copying it is faster than all steps for every test."""
    path = tmp_path_factory.mktemp("store") / "empty.db"
    Database.open(path).close()
    return path


@pytest.fixture(params=BACKENDS)
def database(request: pytest.FixtureRequest, tmp_path: Path, empty_file: Path) -> Iterator[Database]:
    if request.param == "postgresql":
        yield from _on_postgresql(str(POSTGRES))
    else:
        yield from _on_sqlite(empty_file, tmp_path)


@pytest.fixture
def file_database(tmp_path: Path, empty_file: Path) -> Iterator[Database]:
    """Give a SQLite one, for what only a file can do."""
    yield from _on_sqlite(empty_file, tmp_path)


def _on_sqlite(empty_file: Path, folder: Path) -> Iterator[Database]:
    opened = Database.open(shutil.copy(empty_file, folder / "carewatch.db"))
    yield opened
    opened.close()


def _on_postgresql(server: str) -> Iterator[Database]:
    name = f"carewatch_{uuid4().hex}"
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    opened = Database.open(make_url(server).set(database=name).render_as_string(hide_password=False))
    yield opened
    opened.close()
    with engine.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name}"))
    engine.dispose()
