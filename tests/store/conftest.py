"""A fresh database for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from carewatch.store.database import Database


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = Database.open(tmp_path / "carewatch.db")
    yield opened
    opened.close()
