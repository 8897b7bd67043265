"""After the night: what was said when it began is held against what was measured and found. A miss is told aloud."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from carewatch.freeze.assess import assess
from carewatch.freeze.score.own import NightWord, Verdict
from carewatch.logbook.entries import Entry, Thawed
from carewatch.logbook.state import MachineState
from carewatch.roster.model import Roster, Site
from carewatch.service.assessing import case_of
from carewatch.service.folding import Folds, MachineNow, machines_now
from carewatch.service.forecasts import measured_near, weather_then
from carewatch.service.gather import current_roster, logbook_of
from carewatch.service.noting import finite_margin_c
from carewatch.service.workplace import Workplace
from carewatch.store import entries, nights
from carewatch.store.nights import NightLow
from carewatch.weather.intervals import floor_hour
from carewatch.weather.nights import Night, night_containing, night_on
from carewatch.weather.readings import Readings, as_it_was

EVENING = time(18)  # ice found from here on belongs to the night that begins
NIGHTS_BACK = 3  # chosen: as far back as forecasts are joined and stations are kept

log = logging.getLogger(__name__)


def look_back(work: Workplace, *, now: datetime) -> None:
    """Once an hour: take in the lows of nights that are over, work out what came, and what people found."""
    hour = floor_hour(now)
    if work.remembered.looked_back_at == hour:
        return
    with work.remembered.lock:
        found = _found(work, now=now)
        if found is not None:
            _keep(work, found)
        work.remembered.looked_back_at = hour


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """New lows, words with what came of them, words with what people found."""

    lows: list[NightLow]
    came: list[NightWord]
    ice: list[NightWord]


def _found(work: Workplace, *, now: datetime) -> _Found | None:
    """What is known now that was not; None before there is a roster."""
    with work.database.reading() as rx:
        roster = current_roster(work, rx)
        if roster is None:
            return None
        since = (now - timedelta(days=NIGHTS_BACK + 1)).date()
        known = {(low.site, low.night) for low in nights.lows(rx, since=since)}
        words = nights.words(rx, since=since)
        book = logbook_of(work.remembered, rx, count=entries.count(rx))
        seen = _Then(roster, book)
        lows: list[NightLow] = []
        came: list[NightWord] = []
        for site in roster.sites:
            past = list(_nights_over(site, now))
            is_done = all((site.id, night.on) in known for night in past)
            read = None if is_done else measured_near(work, rx, site)
            for night in past:
                readings = None if read is None else read.between(night.start_at, min(now, night.end_at))
                low_c = None if readings is None else readings.low_c(night)
                if readings is not None and low_c is not None and (site.id, night.on) not in known:
                    lows.append(_low(site, night, readings, low_c, now=now))
                    waiting = [word for word in words if (word.site, word.night) == (site.id, night.on)]
                    came += _came(work, rx, site, night, readings, waiting, seen)
    return _Found(lows=lows, came=came, ice=_ice(words, book, roster))


def _nights_over(site: Site, now: datetime) -> Iterator[Night]:
    tonight = night_containing(now, site.tz)
    for back in range(1, NIGHTS_BACK + 1):
        yield night_on(tonight.on - timedelta(days=back), site.tz)


def _low(site: Site, night: Night, readings: Readings, low_c: float, *, now: datetime) -> NightLow:
    return NightLow(
        site=site.id, night=night.on, low_c=low_c, read_by=readings.by, is_at_site=readings.is_at_site, at=now
    )


class _Then:
    """The machines as they were known at past instants."""

    def __init__(self, roster: Roster, book: Mapping[str, tuple[Entry, ...]]) -> None:
        self._roster, self._book = roster, book
        self._known: dict[datetime, dict[str, MachineNow]] = {}

    def at(self, moment: datetime) -> dict[str, MachineNow]:
        """By machine id."""
        if moment not in self._known:
            machines = machines_now(Folds(), self._roster, self._book, now=moment)
            self._known[moment] = {one.machine.id: one for one in machines}
        return self._known[moment]


def _came(
    work: Workplace,
    rx: Connection,
    site: Site,
    night: Night,
    readings: Readings,
    words: Sequence[NightWord],
    then: _Then,
) -> list[NightWord]:
    """The same physics for the same contents and place as was said, under the weather as it was read."""
    weather = weather_then(work, rx, site, at=night.end_at - timedelta(seconds=1)) if words else None
    was = None if weather is None else as_it_was(weather, night, readings)
    if was is None:
        return []
    there = [(word, one) for word in words if (one := then.at(word.at).get(word.machine)) is not None]
    cases = [case_of(one, _standing_at(one, site), {site.id: was}, {}) for _, one in there]
    outlooks = [one for one, *_ in assess(cases, now=night.start_at, kernel=work.kernel)]
    return [
        replace(
            word, came_margin_c=finite_margin_c(outlook.margin_c), came_low_c=outlook.coldest_air_c, read_by=readings.by
        )
        for (word, _), outlook in zip(there, outlooks, strict=True)
    ]


def _standing_at(one: MachineNow, site: Site) -> MachineState:
    """The state of a machine, standing at the site of which was said that it may be there."""
    *before, last = one.state.stays
    return replace(one.state, stays=(*before, replace(last, site=site.id)))


def _ice(words: Sequence[NightWord], book: Mapping[str, tuple[Entry, ...]], roster: Roster) -> list[NightWord]:
    """What people found, of the words that do not have it yet."""
    by_night = {(word.machine, word.night): word for word in words}
    said: dict[tuple[str, date], bool] = {}
    for machine in {word.machine for word in words} & {machine.id for machine in roster.machines}:
        zone = roster.site(roster.machine(machine).home_site).tz
        for entry in book.get(machine, ()):
            if isinstance(entry.detail, Thawed) and entry.detail.found_ice is not None:
                key = (machine, _night_of(entry.happened_at, zone))
                said[key] = said.get(key, False) or entry.detail.found_ice
    return [
        replace(word, found_ice=ice)
        for key, ice in said.items()
        if (word := by_night.get(key)) is not None and word.found_ice is not ice
    ]


def _night_of(found_at: datetime, zone: ZoneInfo) -> date:
    """The night whose ice was found."""
    local = found_at.astimezone(zone)
    return local.date() if local.time() >= EVENING else local.date() - timedelta(days=1)


def _keep(work: Workplace, found: _Found) -> None:
    if not (found.lows or found.came or found.ice):
        return
    with work.database.transaction() as tx:
        nights.keep_lows(tx, found.lows)
        for word in found.came:
            nights.came(tx, word)
        for word in found.ice:
            nights.found(tx, word)
    if any(low.is_at_site for low in found.lows):
        work.remembered.learned = None
    for word in (*found.came, *found.ice):
        if word.verdict is Verdict.MISSED:
            log.error(
                "freeze_missed", extra={"machine": word.machine, "night": str(word.night), "read_by": word.read_by}
            )
