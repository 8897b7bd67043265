"""Taking in the roster files: a good version becomes the current one, a broken live edit keeps the last good one."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from pathlib import Path

from carewatch.errors import Fault, FaultyFiles
from carewatch.notices.letter import Letter, Row, set_letter
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.roster.files import fingerprint_of, read_texts
from carewatch.roster.model import Role, Roster
from carewatch.roster.reading import parse_roster
from carewatch.service.gather import current_roster
from carewatch.service.usecase import queue_notice
from carewatch.service.workplace import Workplace
from carewatch.store import rosters, runs, visits
from carewatch.store.runs import Run
from carewatch.store.visits import Visit

ROSTER_STATE = ("roster", "Roster files")
"""Source and key under which the store keeps that the files cannot be used as they are."""

RUN = "roster"

FAULTS_SHOWN = 12
WORTH_TELLING_FOR = timedelta(hours=72)

log = logging.getLogger(__name__)


def take_in_roster(work: Workplace, paths: tuple[Path, ...], *, now: datetime) -> tuple[Fault, ...]:
    """Read the files; store them as a new version if they are good. Faults come back, and the manager is told once."""
    # Named by where they lie: the same files give the same version from whatever folder a command was started.
    found = read_texts([path.resolve() for path in paths])
    fingerprint = fingerprint_of(found)
    with work.database.reading() as rx:
        newest, before = rosters.latest(rx), runs.get(rx, RUN)
    is_in_use = newest is not None and newest[0] == fingerprint and not found.faults
    if is_in_use and not (before and before.failures):
        return ()
    try:
        parse_roster(found.texts, found.faults)
    except FaultyFiles as error:
        _note_faults(work, fingerprint, error.faults, before, now=now)
        return error.faults
    with work.database.transaction() as tx:
        visits.clear(tx, *ROSTER_STATE)
        runs.succeeded(tx, RUN, at=now, next_due_at=None)
        is_new = rosters.add_version(tx, fingerprint=fingerprint, texts=found.texts, at=now)
    if is_new:
        log.info("roster_taken_in", extra={"fingerprint": fingerprint})
    return ()


def _note_faults(
    work: Workplace, fingerprint: str, faults: tuple[Fault, ...], before: Run | None, *, now: datetime
) -> None:
    """Speak up when a second look finds the files the same: a save that is half on the disk looks broken too."""
    is_second_look = before is not None and before.failures > 0 and before.trouble == fingerprint
    words = f"They cannot be used ({len(faults)} to correct). First: {faults[0]}"
    with work.database.transaction() as tx:
        runs.failed(tx, RUN, at=now, trouble=fingerprint)
        if is_second_look:
            visit = Visit(
                source=ROSTER_STATE[0], key=ROSTER_STATE[1], failed_since=now, failures=1, next_at=now, trouble=words
            )
            visits.put(tx, visit)
    if is_second_look:
        _tell_managers(work, fingerprint, faults, now=now)


def _tell_managers(work: Workplace, fingerprint: str, faults: tuple[Fault, ...], *, now: datetime) -> None:
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    told = _notices(roster, fingerprint, faults, now=now) if roster else []
    with work.database.transaction() as tx:
        is_news = [queue_notice(work, tx, notice) for notice in told]
    if any(is_news) or not told:
        log.error("roster_faulty", extra={"fingerprint": fingerprint, "faults": len(faults)})


def _notices(roster: Roster, fingerprint: str, faults: tuple[Fault, ...], *, now: datetime) -> list[Notice]:
    shown = tuple(
        Row(tag=f"line {fault.line}" if fault.line else "file", machine=Path(fault.file).name, lines=(str(fault),))
        for fault in faults[:FAULTS_SHOWN]
    )
    letter = Letter(
        subject=f"Roster files cannot be used ({len(faults)} to correct); the last good roster stays in use",
        opening="Somebody changed the roster files. They cannot be used as they are, so nothing in them counts yet.",
        rows=shown,
        rest=("Correct the lines, or put the old file back; `carewatch check` names every fault.",),
    )
    text, html = set_letter(letter)
    return [
        Notice(
            key=f"settings_fault|{person.id}|{fingerprint[:24]}",
            kind=NoticeKind.SETTINGS_FAULT,
            person=person.id,
            to=person.email,
            machines=(),
            duties=(),
            subject=letter.subject,
            text=text,
            html=html,
            created_at=now,
            not_after=now + WORTH_TELLING_FOR,
        )
        for fleet in roster.fleets
        for person in fleet.people_with(Role.MANAGER)
        if person.email
    ]
