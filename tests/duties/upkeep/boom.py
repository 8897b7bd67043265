"""A logbook of nozzle bodies as the rooms above fold it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from carewatch.logbook.bodies import Bodies, bodies_of
from carewatch.logbook.findings import finding_from_text
from carewatch.roster.model import Fleet
from tests.logbook.conftest import EVENING, Book, make_machine

__all__ = ["EVENING", "bodies", "book_of", "fleet_of", "found"]


def book_of(**changes: Any) -> Book:
    return Book(make_machine(**changes))


def bodies(book: Book, after_h: float = 2000.0) -> Bodies:
    return bodies_of(book.machine, book.roster, book.entries, at=EVENING + timedelta(hours=after_h))


def fleet_of(book: Book) -> Fleet:
    return book.roster.fleet(book.machine.fleet)


def found(*lines: str) -> tuple[Any, ...]:
    return tuple(map(finding_from_text, lines))
