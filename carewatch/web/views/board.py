"""The board and the messages in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from carewatch.duties.duty import UNDONE, Duty
from carewatch.duties.facts import MachineFacts, tonight
from carewatch.duties.protect import Level, level_of
from carewatch.logbook.entries import Entry
from carewatch.notices.holding import holds_sentence, place_sentence
from carewatch.notices.who import name_of
from carewatch.notices.words import Reader
from carewatch.service.access import NoticeLine, NoticeState, Viewer
from carewatch.web.views.words import (
    LEVEL_WORDS,
    WORST_FIRST,
    duty_words,
    entry_words,
    open_duties,
    reader_for,
    tonight_words,
    who_words,
)

ANSWERED_WITHIN = timedelta(hours=36)  # chosen: as long as the page of a message works


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardRow:
    """One machine on the board, worst first."""

    id: str
    name: str
    site: str
    level: str
    tonight: str
    holds: str
    stands: str
    duty: str
    who: str
    is_urgent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """One page of the board. `counts`: how many machines stand how, over all pages."""

    rows: tuple[BoardRow, ...]
    counts: tuple[tuple[str, str, int], ...]
    sites: tuple[tuple[str, str], ...]
    page: int
    pages: int


ROWS = 100


def board_of(seen: Viewer, *, site: str, level: str, page: int) -> Board:
    """The machines the viewer may see, most urgent and not assessed first, by site and by how tonight stands."""
    duties = open_duties(seen)
    at_site = [one for one in seen.machines if site in ("", one.site.id)]
    levels = {one.machine.id: _level(one, seen.now) for one in at_site}
    counts = tuple((one.value, LEVEL_WORDS[one], sum(found is one for found in levels.values())) for one in WORST_FIRST)
    chosen = [one for one in at_site if level in ("", levels[one.machine.id].value)]
    chosen.sort(key=lambda one: _urgency(one, levels[one.machine.id], duties.get(one.machine.id, ()), seen.now))
    pages = max(-(-len(chosen) // ROWS), 1)
    page = min(max(page, 1), pages)
    shown = chosen[(page - 1) * ROWS : page * ROWS]
    return Board(
        rows=tuple(_board_row(seen, one, levels[one.machine.id], duties.get(one.machine.id, ())) for one in shown),
        counts=counts,
        sites=tuple(sorted({(one.site.id, one.site.name) for one in seen.machines}, key=lambda item: item[1])),
        page=page,
        pages=pages,
    )


def _level(one: MachineFacts, now: datetime) -> Level:
    return level_of(one.outlook(tonight(now, one.site.tz)), one.fleet.threshold_tonight)


def _urgency(one: MachineFacts, level: Level, duties: Sequence[Duty], now: datetime) -> tuple[object, ...]:
    is_late = any(duty.state in UNDONE and duty.due_at <= now for duty in duties)
    return (not is_late, WORST_FIRST.index(level), not duties, one.machine.name)


def _board_row(seen: Viewer, one: MachineFacts, level: Level, duties: Sequence[Duty]) -> BoardRow:
    reader = reader_for(seen.person, one)
    outlook = one.outlook(tonight(seen.now, one.site.tz))
    first = next(iter(duties), None)
    return BoardRow(
        id=one.machine.id,
        name=one.machine.name,
        site=one.site.name,
        level=level.value,
        tonight=tonight_words(outlook, level, reader),
        holds=holds_sentence(one, seen.facts.roster, reader, seen.now),
        stands=place_sentence(one),
        duty=duty_words(first, reader) if first else "nothing open",
        who=who_words(first, seen.facts.roster),
        is_urgent=any(duty.state in UNDONE and duty.due_at <= seen.now for duty in duties),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeRow:
    """One message: when, to whom, what about, how far it got, and what came back."""

    at: str
    to: str
    subject: str
    state: str
    answers: str


NOTICE_STATES = {
    NoticeState.QUEUED: "waits to be sent",
    NoticeState.SENDING: "is being sent",
    NoticeState.SENT: "handed over",
    NoticeState.REFUSED: "REFUSED by the address",
    NoticeState.EXPIRED: "was not sent in time",
    NoticeState.SET_ASIDE: "set aside: it could not be sent",
}


def notice_rows(seen: Viewer, lines: Sequence[NoticeLine]) -> list[NoticeRow]:
    """The messages with what their readers wrote about those machines since, newest first."""
    by_machine = {one.machine.id: one.entries for one in seen.machines}
    reader = Reader(units=seen.person.units, zone=seen.facts.roster.fleet(seen.person.fleet).tz)
    return [
        NoticeRow(
            at=f"{reader.day_of(line.created_at)} {reader.clock(line.created_at)}",
            to=name_of(seen.facts.roster, line.person),
            subject=line.subject,
            state=NOTICE_STATES[line.state],
            answers="; ".join(_answers(line, by_machine)) or "nothing yet",
        )
        for line in lines
    ]


def _answers(line: NoticeLine, by_machine: Mapping[str, Sequence[Entry]]) -> list[str]:
    until = line.created_at + ANSWERED_WITHIN
    return [
        entry_words(entry)
        for machine in line.machines
        for entry in by_machine.get(machine, ())
        if entry.by == line.person and line.created_at <= entry.recorded_at <= until
    ]
