"""Gather: everything the plan looks at, from the database, as plain values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy import Connection

from carewatch.duties.facts import Facts, MachineFacts, at_local, local_day
from carewatch.freeze.assess import Case, assess
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.entries import Entry
from carewatch.logbook.fold import fold, wet_if_used
from carewatch.logbook.state import MachineState
from carewatch.logbook.voids import standing
from carewatch.notices.desk import Told
from carewatch.roster.model import Fleet, Machine, Roster, Site
from carewatch.roster.reading import parse_roster
from carewatch.service.forecasts import site_weather
from carewatch.service.workplace import Remembered, Workplace
from carewatch.store import duties, entries, outbox, rosters
from carewatch.weather.forecast import SiteWeather

ENTRIES_SHOWN_FOR = timedelta(days=30)
NOTICES_REMEMBERED_FOR = timedelta(days=14)
DUTIES_REMEMBERED_FOR = timedelta(days=14)
OUTLOOKS_KEPT = 20_000
NIGHTS_IF_USED = 2  # the night that is ending and tonight: "if it sprays today" asks no further


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """The facts of one run and what was told before."""

    facts: Facts
    told: Told


def current_roster(work: Workplace, rx: Connection) -> Roster | None:
    """The newest roster version that could be used; None before the first."""
    newest = rosters.latest(rx)
    if newest is None:
        return None
    fingerprint, texts = newest
    if fingerprint not in work.remembered.rosters:
        work.remembered.forget()
        work.remembered.rosters[fingerprint] = parse_roster(texts)[0]
    return work.remembered.rosters[fingerprint]


def gather(work: Workplace, *, now: datetime) -> Gathered | None:
    """Read it all in one consistent picture; None before there is a roster."""
    with work.database.reading() as rx:
        roster = current_roster(work, rx)
        if roster is None:
            return None
        weather = {site.id: site_weather(work, rx, site, now=now) for site in roster.sites}
        logbook = _by_machine(entries.all_entries(rx, recorded_until=now))
        ledger = {duty.key: duty for duty in duties.latest(rx, since=now - DUTIES_REMEMBERED_FOR)}
        told = Told(
            sent=outbox.sent_since(rx, now - NOTICES_REMEMBERED_FOR),
            expired=outbox.expired_unfolded(rx),
            ways=work.ways,
        )
    machines = _machine_facts(work.remembered, roster, logbook, weather, now=now)
    return Gathered(facts=Facts(roster=roster, machines=machines, weather=weather, duties=ledger), told=told)


def _by_machine(found: Sequence[Entry]) -> dict[str, list[Entry]]:
    books: dict[str, list[Entry]] = {}
    for entry in found:
        books.setdefault(entry.machine, []).append(entry)
    return books


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    fleet: Fleet
    machine: Machine
    site: Site
    entries: list[Entry]
    state: MachineState
    if_used: MachineState


def _machine_facts(
    remembered: Remembered,
    roster: Roster,
    logbook: Mapping[str, list[Entry]],
    weather: Mapping[str, SiteWeather],
    *,
    now: datetime,
) -> tuple[MachineFacts, ...]:
    known = [_known(roster, machine, logbook.get(machine.id, []), now=now) for machine in roster.machines]
    cases = [(one, _case(one, one.state, weather, roster)) for one in known]
    soon = {site: replace(one, nights=one.nights[:NIGHTS_IF_USED]) for site, one in weather.items()}
    if_used = [(one, _case(one, one.if_used, soon, roster)) for one in known]
    outlooks = _assess_changed(remembered, [case for _, case in (*cases, *if_used)], now=now)
    return tuple(
        MachineFacts(
            fleet=one.fleet,
            machine=one.machine,
            site=one.site,
            state=one.state,
            entries=tuple(
                entry
                for entry in standing(one.entries, one.machine, roster).stands
                if now - entry.recorded_at <= ENTRIES_SHOWN_FOR
            ),
            outlooks=outlooks[place],
            outlooks_if_used=outlooks[place + len(known)],
        )
        for place, one in enumerate(known)
    )


def _known(roster: Roster, machine: Machine, book: list[Entry], *, now: datetime) -> _Known:
    state = fold(machine, roster, book, at=now)
    used_at = end_of_work_after(now, roster.fleet(machine.fleet))
    next_hour = now.replace(minute=0, second=0, microsecond=0) + timedelta(
        hours=1
    )  # changes once an hour, not each tick
    return _Known(
        fleet=roster.fleet(machine.fleet),
        machine=machine,
        site=roster.site(state.stands.site),
        entries=book,
        state=state,
        if_used=wet_if_used(machine, roster, book, at=used_at, used_at=used_at),
    )


def end_of_work_after(now: datetime, fleet: Fleet) -> datetime:
    """The next time work ends: until then it could still be used today."""
    today = local_day(now, fleet.tz)
    ends_at = at_local(today, fleet.work_ends_at, fleet.tz)
    return ends_at if now < ends_at else at_local(today + timedelta(days=1), fleet.work_ends_at, fleet.tz)


def _case(one: _Known, state: MachineState, weather: Mapping[str, SiteWeather], roster: Roster) -> Case:
    site = roster.site(state.stands.site)
    return Case(
        machine=one.machine,
        site=site,
        fleet=one.fleet,
        contents=state.contents,
        stays=state.stays,
        weather=weather[site.id],
    )


def _assess_changed(remembered: Remembered, cases: list[Case], *, now: datetime) -> list[tuple[Outlook, ...]]:
    """The heat balance runs only for cases whose inputs changed; the rest is remembered from an earlier run."""
    keys = [_inputs(case) for case in cases]
    fresh = {key: case for key, case in zip(keys, cases, strict=True) if key not in remembered.outlooks}
    for key, outlooks in zip(fresh, assess(list(fresh.values()), now=now) if fresh else [], strict=True):
        remembered.outlooks[key] = outlooks
    found = [remembered.outlooks[key] for key in keys]
    while len(remembered.outlooks) > OUTLOOKS_KEPT:
        remembered.outlooks.pop(next(iter(remembered.outlooks)))
    return found


def _inputs(case: Case) -> tuple[object, ...]:
    weather = case.weather
    origin = tuple(
        (forecast.source, forecast.issued_at, forecast.fetched_at)
        for forecast in (weather.forecast, weather.second)
        if forecast is not None
    )
    usable = tuple(night.is_usable for night in weather.nights)
    nights = weather.nights[0].night.on if weather.nights else None
    held = tuple(sorted(case.contents.items()))
    return (case.machine.id, held, case.stays, weather.site, nights, len(weather.nights), origin, usable)
