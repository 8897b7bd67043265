"""Taking in the roster files: a good version becomes the current one, a broken live edit keeps the last good one."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from pathlib import Path

from carewatch.errors import Fault, FaultyFiles
from carewatch.notices.letter import Letter, Row, set_letter
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.roster.files import read_texts
from carewatch.roster.model import Role, Roster
from carewatch.roster.reading import parse_roster
from carewatch.roster.watch import fingerprint_of
from carewatch.service.gather import current_roster
from carewatch.service.usecase import queue_notice
from carewatch.service.workplace import Workplace
from carewatch.store import rosters

FAULTS_SHOWN = 12
WORTH_TELLING_FOR = timedelta(hours=72)

log = logging.getLogger(__name__)


def take_in_roster(work: Workplace, paths: tuple[Path, ...], *, now: datetime) -> tuple[Fault, ...]:
    """Read the files; store them as a new version if they are good. Faults come back, and the manager is told once."""
    found = read_texts(paths)
    fingerprint = fingerprint_of(found)
    with work.database.reading() as rx:
        newest = rosters.latest(rx)
    if newest is not None and newest[0] == fingerprint and not found.faults:
        return ()
    try:
        parse_roster(found.texts, found.faults)
    except FaultyFiles as error:
        # A save that is only half on the disk looks broken too: people are told when the next look finds it the same.
        if work.remembered.faulty_roster == fingerprint:
            _tell_managers(work, fingerprint, error.faults, now=now)
        work.remembered.faulty_roster = fingerprint
        return error.faults
    with work.database.transaction() as tx:
        rosters.add_version(tx, fingerprint=fingerprint, texts=found.texts, at=now)
    log.info("roster_taken_in", extra={"fingerprint": fingerprint[:12]})
    return ()


def _tell_managers(work: Workplace, fingerprint: str, faults: tuple[Fault, ...], *, now: datetime) -> None:
    with work.database.reading() as rx:
        roster = current_roster(work, rx)
    if roster is None:
        return
    with work.database.transaction() as tx:
        for notice in _notices(roster, fingerprint, faults, now=now):
            queue_notice(work, tx, notice)
    log.error("roster_faulty", extra={"fingerprint": fingerprint[:12], "faults": len(faults)})


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
