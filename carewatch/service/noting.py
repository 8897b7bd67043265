"""When a night begins: what is said of it is kept, so that it can be held against what came."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import isfinite

from sqlalchemy import Connection

from carewatch.duties.facts import Facts, MachineFacts
from carewatch.freeze.night_error import FLOOR_REACH_C
from carewatch.freeze.outlook import Outlook, Urgency
from carewatch.freeze.score.own import NightWord
from carewatch.store import nights
from carewatch.store.nights import NightForecast
from carewatch.weather.forecast import SiteWeather
from carewatch.weather.nights import Night, night_containing

SAID_WITHIN = timedelta(hours=6)  # chosen: what is said later in a night already knows part of it
BEDTIME_AFTER = timedelta(hours=10)  # chosen: ten in the evening; whoever is told later is told too late
NEVER_C = -25.0  # a margin at or below this is none: the search for it ends there


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """What is to be kept of the nights that have just begun, and the night up to which each owner is done."""

    words: tuple[NightWord, ...]
    forecasts: tuple[NightForecast, ...]
    done: Mapping[str, date]


def to_note(noted: Mapping[str, date], facts: Facts, *, now: datetime) -> Noted:
    """What was said of the nights that began since the last look: machine by machine, and the lows site by site."""
    words, forecasts, done = [], [], {}
    for one in facts.machines:
        night = night_containing(now, one.site.tz)
        if noted.get(one.machine.id) != night.on:
            done[one.machine.id] = night.on
            outlook = one.outlook(night.on)
            if outlook is not None and not one.state.is_retired and _is_told_in_time(night, now):
                words += [word] if (word := _word(one, outlook, now=now)) is not None else []
    for site_id, weather in facts.weather.items():
        night = night_containing(now, facts.roster.site(site_id).tz)
        key = f"site {site_id}"
        if noted.get(key) != night.on:
            done[key] = night.on
            forecasts += list(_forecasts(site_id, weather, now=now)) if _is_told_in_time(night, now) else []
    return Noted(words=tuple(words), forecasts=tuple(forecasts), done=done)


def keep(tx: Connection, noted: Noted) -> None:
    """Keep what was said."""
    nights.keep_words(tx, noted.words)
    nights.keep_forecasts(tx, noted.forecasts)


def say_late(tx: Connection, facts: Facts, changed: Sequence[Outlook], *, now: datetime) -> None:
    """Outlooks of tonight that changed before bedtime: the last word people had."""
    for outlook in changed:
        night = night_containing(now, facts.roster.site(outlook.site).tz)
        if outlook.night == night.on and now < night.start_at + BEDTIME_AFTER:
            nights.say_late(tx, outlook.machine, outlook.night, is_flagged=outlook.urgency is not Urgency.NONE)


def _is_told_in_time(night: Night, now: datetime) -> bool:
    return now - night.start_at < SAID_WITHIN


def _word(one: MachineFacts, outlook: Outlook, *, now: datetime) -> NightWord | None:
    """What is said of a machine; None where the air stays so warm that no error could make ice."""
    if outlook.coldest_air_c is not None and outlook.coldest_air_c > FLOOR_REACH_C:
        return None
    return NightWord(
        machine=one.machine.id,
        night=outlook.night,
        site=outlook.site,
        at=now,
        is_assessed=outlook.is_assessed,
        is_flagged=outlook.is_assessed and outlook.urgency is not Urgency.NONE,
        chance=outlook.chance,
        margin_c=finite_margin_c(outlook.margin_c),
        low_c=outlook.coldest_air_c,
        was_flagged_late=outlook.urgency is not Urgency.NONE,
    )


def finite_margin_c(margin_c: float | None) -> float | None:
    """A margin as it is kept; None where nothing can freeze."""
    return margin_c if margin_c is not None and isfinite(margin_c) and margin_c > NEVER_C else None


def _forecasts(site_id: str, weather: SiteWeather, *, now: datetime) -> Iterator[NightForecast]:
    for ahead, night in enumerate(weather.nights, start=1):
        if weather.forecast is not None and night.min_c is not None and night.is_usable:
            yield NightForecast(
                site=site_id,
                night=night.night.on,
                ahead=ahead,
                source=weather.forecast.source,
                grade=weather.forecast.grade,
                lead_h=night.lead_h,
                low_c=night.min_c,
                at=now,
            )
