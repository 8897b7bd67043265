"""The nights an installation or a replay has kept, for whoever scores them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from carewatch.errors import BadInput
from carewatch.freeze.score.own import NightPair, NightWord
from carewatch.store import nights
from carewatch.store.database import Database


def kept_nights(path: Path) -> tuple[Sequence[NightWord], Sequence[NightPair]]:
    """What was said of machines and forecast for sites, from a database; BadInput if there is none."""
    if not path.is_file():
        raise BadInput(f"There is no database {path}. Run `carewatch serve` or a replay first.")
    database = Database.open(path)
    try:
        with database.reading() as rx:
            return nights.words(rx, since=date.min), nights.pairs(rx)
    finally:
        database.close()
