"""Asking the forecast services, and reading what they answered as the weather of each site."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial

from sqlalchemy import Connection

from carewatch.errors import UpstreamTrouble
from carewatch.roster.model import Site
from carewatch.service.workplace import Remembered, Workplace
from carewatch.sources.port import Measuring, OfficialMessages, Recall, Source
from carewatch.store import answers, visits
from carewatch.store.visits import Visit
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import Forecast, SiteWeather
from carewatch.weather.join import HISTORY_H, join
from carewatch.weather.readings import Readings

WAITS = tuple(timedelta(minutes=minutes) for minutes in (0, 2, 5, 10, 15, 30))  # chosen: one try a tick, then rarer
LASTING_WAIT = timedelta(hours=6)  # chosen: trouble a person must cure is looked at again four times a day
LONGEST_WAIT = timedelta(hours=24)  # chosen: no Retry-After may keep us from a forecast for longer
FORECASTS_KEPT = 2000
NIGHTS_AHEAD = 5  # the one that is going on or ending, and nights 2 to 5

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What one round of asking did: how many answers came, and which sources are in trouble (site, source, words)."""

    answers: int
    troubles: tuple[tuple[str, str, str], ...]


def ask_sources(
    work: Workplace, sites: Sequence[Site], *, now: datetime, goes_on: Callable[[], bool] = lambda: True
) -> Asked:
    """One try per source and site, where terms and earlier failures allow it; whatever comes is stored at once.

    `goes_on` is asked before each site; the next round begins with the sites that had to wait.
    """
    count = 0
    troubles: list[tuple[str, str, str]] = []
    first = work.remembered.first_site if work.remembered.first_site < len(sites) else 0
    for number in (*range(first, len(sites)), *range(first)):
        work.remembered.first_site = number
        if not goes_on():
            break
        site = sites[number]
        for source in work.sources_for(site):
            for address in _addresses(work, source, site):
                found, trouble = _try(work, address, now=now)
                count += found
                troubles += [(site.id, source.name, trouble)] if trouble else []
    else:
        work.remembered.first_site = 0
    return Asked(answers=count, troubles=tuple(troubles))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Address:
    """One thing to ask a source for a site; `key` keeps the failures of one apart from those of another."""

    source: Source
    site: Site
    key: str
    ask: Callable[..., tuple[Answer, ...]]


def _addresses(work: Workplace, source: Source, site: Site) -> Iterator[_Address]:
    if not source.covers(site):
        return
    yield _Address(source=source, site=site, key=site.id, ask=source.update)
    if isinstance(source, OfficialMessages):
        yield _Address(source=source, site=site, key=f"{site.id}/official", ask=source.update_alerts)
    if isinstance(source, Measuring) and work.readings_of(site) is None:
        yield _Address(source=source, site=site, key=f"{site.id}/measured", ask=source.update_measured)


def _try(work: Workplace, address: _Address, *, now: datetime) -> tuple[int, str]:
    """How many answers came, and the trouble if there was any, now or before and still resting."""
    with work.database.reading() as rx:
        visit = visits.get(rx, address.source.name, address.key)
    if visit is not None and visit.is_resting(now, longest=LONGEST_WAIT):
        return 0, visit.trouble
    try:
        found = address.ask(address.site, now=now, recall=_recall(work, address.source))
    except UpstreamTrouble as trouble:
        _note_failure(work, address, visit, trouble, now=now)
        return 0, str(trouble)
    _keep(work, address, found, had_trouble=visit is not None)
    return len(found), ""


def _recall(work: Workplace, source: Source) -> Recall:
    def recall(key: str) -> Answer | None:
        with work.database.reading() as rx:
            return answers.latest(rx, source.name, key)

    return recall


def _keep(work: Workplace, address: _Address, found: Sequence[Answer], *, had_trouble: bool) -> None:
    if not found and not had_trouble:
        return
    with work.database.transaction() as tx:
        for answer in found:
            answers.put(tx, answer)
        if had_trouble:
            visits.clear(tx, address.source.name, address.key)
    if had_trouble:
        log.info("source_recovered", extra={"source": address.source.name, "site": address.site.id})


def _note_failure(
    work: Workplace, address: _Address, visit: Visit | None, trouble: UpstreamTrouble, *, now: datetime
) -> None:
    failures = visits.failures_with_this(visit)
    wait = LASTING_WAIT if trouble.is_lasting else WAITS[min(failures, len(WAITS)) - 1]
    wait = min(max(wait, trouble.retry_after or timedelta(0)), LONGEST_WAIT)
    failed = visits.after_failure(
        visit, source=address.source.name, key=address.key, now=now, wait=wait, trouble=str(trouble)
    )
    with work.database.transaction() as tx:
        visits.put(tx, failed)
    log.warning("source_failed", extra={"source": failed.source, "address": failed.key, "failures": failures})


# ---------------------------------------------------------------- reading what is stored


def weather_of(work: Workplace, rx: Connection, sites: Sequence[Site], *, now: datetime) -> dict[str, SiteWeather]:
    """The joined weather of each site from the stored answers, as it stands in the hour of `now`."""
    state = (now.replace(minute=0, second=0, microsecond=0), answers.newest_id(rx))
    remembered = work.remembered.weather
    for site in sites:
        if site.id not in remembered or remembered[site.id][0] != state:
            remembered[site.id] = (state, _joined(work, rx, site, newest_id=state[1], now=now))
    return {site.id: remembered[site.id][1] for site in sites}


def _joined(work: Workplace, rx: Connection, site: Site, *, newest_id: int, now: datetime) -> SiteWeather:
    current: list[Forecast] = []
    history: list[Forecast] = []
    official: list[str] = []
    for source in work.sources_for(site):
        if not source.covers(site):
            continue
        read = work.remembered.read.get((source.name, site.id))
        if read is None or read[0] != newest_id:
            read = (newest_id, *_read(work.remembered, rx, source, site, now=now))
            work.remembered.read[source.name, site.id] = read
        _, newest, past = read
        current += [newest] if newest else []
        history += past
        official += _official(rx, source, site, now=now)
    joined = join(
        site, current, now=now, nights=NIGHTS_AHEAD, history=history, readings=_read_lately(work, site, now=now)
    )
    return replace(joined, official=tuple(official))


def _read_lately(work: Workplace, site: Site, *, now: datetime) -> Readings | None:
    """What the site's own thermometer read lately; one that stands elsewhere says nothing of this site's past."""
    readings = work.readings_of(site)
    if readings is None or not readings.is_at_site:
        return None
    return readings.between(now - timedelta(hours=HISTORY_H + 1), now)


def weather_then(work: Workplace, rx: Connection, site: Site, *, at: datetime) -> SiteWeather:
    """The joined weather of a site as it looks now for an instant that has passed; nothing of it is remembered."""
    return _joined(work, rx, site, newest_id=answers.newest_id(rx), now=at)


def measured_near(work: Workplace, rx: Connection, site: Site) -> Readings | None:
    """What was read at the site, or else what a source says was measured near it."""
    own = work.readings_of(site)
    if own is not None:
        return own
    for source in work.sources_for(site):
        if isinstance(source, Measuring) and source.covers(site):
            try:
                read = source.measured(site, recall=partial(answers.latest, rx, source.name))
            except UpstreamTrouble:
                continue  # looking back can wait; asking again tells the trouble
            if read is not None:
                return read
    return None


def _official(rx: Connection, source: Source, site: Site, *, now: datetime) -> tuple[str, ...]:
    if not isinstance(source, OfficialMessages):
        return ()
    try:
        return source.alerts(site, now=now, recall=lambda key: answers.latest(rx, source.name, key))
    except UpstreamTrouble:
        return ()  # extra information only; asking again tells the trouble


def _read(
    remembered: Remembered, rx: Connection, source: Source, site: Site, *, now: datetime
) -> tuple[Forecast | None, list[Forecast]]:
    """The newest forecast of a source and the older ones that still say something about the past two days."""
    used: dict[str, Answer] = {}

    def recall(key: str) -> Answer | None:
        answer = answers.latest(rx, source.name, key)
        if answer is not None:
            used[key] = answer
        return answer

    try:
        newest = source.read(site, recall=recall)
    except UpstreamTrouble as trouble:
        log.warning("answer_unreadable", extra={"source": source.name, "site": site.id, "reason": str(trouble)})
        newest = None
    past = []
    for key, latest in used.items():
        if latest.issued_at is None:
            continue
        since = now - timedelta(hours=HISTORY_H)
        older = (
            one for one in answers.history(rx, source.name, key, since=since) if one.fetched_at < latest.fetched_at
        )
        past += [forecast for one in older if (forecast := _read_older(remembered, source, site, used, one))]
    return newest, past


def _read_older(
    remembered: Remembered, source: Source, site: Site, used: dict[str, Answer], older: Answer
) -> Forecast | None:
    known = (source.name, site.id, older.key, older.fetched_at)
    if known not in remembered.forecasts:
        try:
            forecast = source.read(site, recall=lambda key: older if key == older.key else used.get(key))
        except UpstreamTrouble:
            return None
        if forecast is None:
            return None
        _forget_some(remembered.forecasts, FORECASTS_KEPT)
        remembered.forecasts[known] = forecast
    return remembered.forecasts[known]


def _forget_some(kept: dict[tuple[object, ...], Forecast], most: int) -> None:
    while len(kept) >= most:
        kept.pop(next(iter(kept)))
