"""Everything carewatch can complain about, in words a manager can read. Imports nothing of ours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta


class CarewatchError(Exception):
    """Something is wrong and the message says what to do about it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong in a file a person wrote.

    `field` is a dotted path such as `machine[2].home_site`; `line` counts from 1 (None when it cannot be known).
    """

    file: str
    line: int | None
    field: str
    value: str
    problem: str
    fix: str
    is_warning: bool = False

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        value = f" = {self.value}" if self.value else ""
        return f"{where}: {self.field}{value}: {self.problem} {self.fix}"


class FaultyFiles(CarewatchError):
    """Settings, roster or logbook files cannot be used as they are; every fault is listed."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class BadInput(CarewatchError):
    """What was typed or sent cannot be used; the message names the value and what to write instead."""


class UpstreamTrouble(CarewatchError):
    """A service outside did not answer as it should.

    `retry_after` is how long it asked to be left alone; `is_lasting` means that trying again will not help
    until somebody changes the settings.
    """

    def __init__(self, message: str, *, retry_after: timedelta | None = None, is_lasting: bool = False) -> None:
        self.retry_after = retry_after
        self.is_lasting = is_lasting
        super().__init__(message)


class StoreTrouble(CarewatchError):
    """The database cannot be read or written right now; nothing was lost, try again."""


class StoreTooNew(StoreTrouble):
    """The database was written by a newer carewatch; install that version or restore an older backup."""
