"""Nozzle bodies that were opened and whose connectors nobody has checked since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from carewatch.logbook.care import ConnectorsChecked
from carewatch.logbook.entries import Entry, EntryKind, Opened, Remark
from carewatch.logbook.order import effective_at, is_surely_after


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedBody:
    """A body that was opened and whose connectors nobody has checked since."""

    position: int
    at: datetime
    entry: str
    who: str


def undried(sure: Sequence[Entry], every: Sequence[Entry]) -> tuple[OpenedBody, ...]:
    """Bodies opened after the last check of their connectors, the latest opening of each; both sorted by time.

    A check that names no position counts only where one body alone was open.
    """
    openings = [entry for entry in every if isinstance(entry.detail, Opened)]
    checks = [entry for entry in sure if entry.kind is EntryKind.CONNECTORS_CHECKED]
    left: dict[int, Entry] = {}
    for opening in openings:
        if isinstance(opening.detail, Opened) and not any(_dries(check, opening, openings, checks) for check in checks):
            left[opening.detail.position] = opening
    return tuple(
        OpenedBody(position=position, at=effective_at(entry), entry=entry.id, who=entry.on_behalf_of or entry.by)
        for position, entry in sorted(left.items())
    )


def _dries(check: Entry, opening: Entry, openings: Sequence[Entry], checks: Sequence[Entry]) -> bool:
    if not is_surely_after(check, opening) or not isinstance(opening.detail, Opened):
        return False
    named = _named(check)
    if named is not None:
        return opening.detail.position in named
    waiting = {
        one.detail.position
        for one in openings
        if isinstance(one.detail, Opened) and not is_surely_after(one, check) and not _is_dried_by_name(one, checks)
    }
    return waiting <= {opening.detail.position}


def _is_dried_by_name(opening: Entry, checks: Sequence[Entry]) -> bool:
    return isinstance(opening.detail, Opened) and any(
        is_surely_after(check, opening) and opening.detail.position in (_named(check) or ()) for check in checks
    )


def _named(check: Entry) -> tuple[int, ...] | None:
    match check.detail:
        case ConnectorsChecked(positions=positions):
            return positions
        case Remark(position=position):
            return None if position is None else (position,)
        case _:
            return ()
