"""Gather: everything the plan looks at, from the database, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection

from carewatch.duties.facts import Facts, MachineFacts
from carewatch.freeze.learning import learn
from carewatch.logbook.entries import Entry
from carewatch.notices.desk import Told
from carewatch.roster.model import Roster
from carewatch.roster.reading import parse_roster
from carewatch.service.assessing import outlooks_as_held, outlooks_if_used
from carewatch.service.folding import machines_now
from carewatch.service.forecasts import weather_of
from carewatch.service.workplace import Remembered, Workplace
from carewatch.store import duties, entries, nights, outbox, rosters, runs
from carewatch.store.runs import Run
from carewatch.weather.forecast import SiteWeather

ENTRIES_SHOWN_FOR = timedelta(days=30)
NOTICES_REMEMBERED_FOR = timedelta(days=14)
DUTIES_REMEMBERED_FOR = timedelta(days=14)
RUN = "plan"

Picture = tuple[int, Run | None]
"""What tells whether anything was decided or answered since: the number of entries and the last run of the plan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """The facts of one run, what was told before, and when that picture was taken."""

    facts: Facts
    told: Told
    picture: Picture


def picture(rx: Connection) -> Picture:
    """The mark of what is known now; another one means that facts have changed."""
    return entries.count(rx), runs.get(rx, RUN)


def current_roster(work: Workplace, rx: Connection) -> Roster | None:
    """The newest roster version that could be used; None before the first."""
    known = work.remembered.rosters.get(rosters.newest_fingerprint(rx) or "")
    newest = None if known else rosters.latest(rx)
    if newest is None:
        return known
    fingerprint, texts = newest
    work.remembered.forget()
    work.remembered.rosters[fingerprint] = parse_roster(texts)[0]
    return work.remembered.rosters[fingerprint]


def gather(work: Workplace, *, now: datetime) -> Gathered | None:
    """Read it all in one consistent picture; None before there is a roster."""
    with work.remembered.lock:
        return _gathered(work, now=now)


def glance(work: Workplace, *, now: datetime) -> Gathered | None:
    """The same for somebody who only looks: taken again when something was decided or answered, or a minute is over."""
    with work.remembered.lock:
        minute = now.replace(second=0, microsecond=0)
        with work.database.reading() as rx:
            taken = picture(rx)
        known = work.remembered.glance
        if known is None or known[0] != (minute, taken) or not isinstance(known[1], Gathered):
            known = work.remembered.glance = ((minute, taken), _gathered(work, now=now))
        found = known[1]
        return found if isinstance(found, Gathered) else None


def _gathered(work: Workplace, *, now: datetime) -> Gathered | None:
    with work.database.reading() as rx:
        roster = current_roster(work, rx)
        if roster is None:
            return None
        taken = picture(rx)
        if work.remembered.learned is None:
            work.remembered.learned = {site: learn(some) for site, some in nights.lessons(rx).items()}
        weather = weather_of(work, rx, roster.sites, now=now)
        logbook = logbook_of(work.remembered, rx, count=taken[0])
        ledger = {duty.key: duty for duty in duties.latest(rx, since=now - DUTIES_REMEMBERED_FOR)}
        told = Told(
            sent=outbox.sent_since(rx, now - NOTICES_REMEMBERED_FOR),
            expired=outbox.expired_unfolded(rx),
            ways=work.ways,
        )
    machines = _machine_facts(work, roster, logbook, weather, now=now)
    return Gathered(
        facts=Facts(roster=roster, machines=machines, weather=weather, duties=ledger), told=told, picture=taken
    )


def logbook_of(remembered: Remembered, rx: Connection, *, count: int) -> Mapping[str, tuple[Entry, ...]]:
    """All entries by machine; append-only, so the same number of lines is the same logbook."""
    if remembered.logbook is None or remembered.logbook[0] != count:
        books: dict[str, list[Entry]] = {}
        for entry in entries.all_entries(rx):
            books.setdefault(entry.machine, []).append(entry)
        remembered.logbook = (count, {machine: tuple(book) for machine, book in books.items()})
    return remembered.logbook[1]


def _machine_facts(
    work: Workplace,
    roster: Roster,
    logbook: Mapping[str, tuple[Entry, ...]],
    weather: Mapping[str, SiteWeather],
    *,
    now: datetime,
) -> tuple[MachineFacts, ...]:
    machines = machines_now(work.remembered.folds, roster, logbook, now=now)
    learned = work.remembered.learned or {}
    held = outlooks_as_held(work.remembered, machines, weather, learned=learned, now=now, kernel=work.kernel)
    if_used = outlooks_if_used(work.remembered, machines, weather, learned=learned, now=now, kernel=work.kernel)
    return tuple(
        MachineFacts(
            fleet=one.fleet,
            machine=one.machine,
            site=one.site,
            state=one.state,
            entries=tuple(entry for entry in one.stands if now - entry.recorded_at <= ENTRIES_SHOWN_FOR),
            outlooks=held[one.machine.id],
            outlooks_if_used=if_used[one.machine.id],
            bodies=one.bodies,
        )
        for one in machines
    )
