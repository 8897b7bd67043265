"""One machine and one night in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import isfinite

from carewatch.duties.facts import MachineFacts, tonight
from carewatch.duties.protect import Level, level_of
from carewatch.freeze.course import Course
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.entries import Entry
from carewatch.notices.who import name_of
from carewatch.notices.words import Reader
from carewatch.service.access import Viewer
from carewatch.web.night_picture import picture
from carewatch.web.views.words import LEVEL_WORDS, entry_words, part_name, reader_for


@dataclass(frozen=True, slots=True, kw_only=True)
class NightRow:
    """One night of a machine; `on` as it stands in addresses."""

    on: str
    night: str
    words: str
    margin: str
    chance: str
    low: str
    forecast: str
    because: tuple[str, ...]
    level: str


def night_rows(seen: Viewer, one: MachineFacts) -> list[NightRow]:
    """The coming nights of a machine."""
    reader = reader_for(seen.person, one)
    first = tonight(seen.now, one.site.tz)
    rows = []
    for outlook in one.outlooks:
        if outlook.night >= first:
            threshold = one.fleet.threshold_tonight if outlook.night == first else one.fleet.threshold_ahead
            rows.append(_night_row(outlook, level_of(outlook, threshold), reader))
    return rows


def _night_row(outlook: Outlook, level: Level, reader: Reader) -> NightRow:
    words = LEVEL_WORDS[level].replace(" tonight", "")
    if level in (Level.FREEZES, Level.COULD) and outlook.first_ice_at:
        words += f", ice from {reader.about(outlook.first_ice_at)}"
    return NightRow(
        on=outlook.night.isoformat(),
        night=f"{outlook.night:%a} {outlook.night.day} {outlook.night:%b}",
        words=words,
        margin=_margin_words(outlook, reader),
        chance="-" if outlook.chance is None else f"{outlook.chance:.0%}",
        low="-" if outlook.coldest_air_c is None else reader.temperature(outlook.coldest_air_c),
        forecast=_forecast_words(outlook),
        because=tuple(reader.reason(reason) for reason in outlook.because),
        level=level.value,
    )


def _forecast_words(outlook: Outlook) -> str:
    origin = outlook.forecast
    return "none" if origin is None else f"{origin.source}, {origin.age_h:.0f} h old"


def _margin_words(outlook: Outlook, reader: Reader) -> str:
    if outlook.margin_c is None or not isfinite(outlook.margin_c):
        return "-"
    turn = "warmer" if outlook.margin_c >= 0.0 else "colder"
    return f"{'even' if outlook.margin_c >= 0.0 else 'only'} if {reader.difference(outlook.margin_c)} {turn}"


@dataclass(frozen=True, slots=True, kw_only=True)
class HourRow:
    """One hour of a night."""

    clock: str
    air: str
    part: str
    ice: str


def hour_rows(seen: Viewer, one: MachineFacts, found: Course) -> list[HourRow]:
    """The hours of a night as a table."""
    reader = reader_for(seen.person, one)
    return [
        HourRow(clock=clock, air=reader.temperature(air_c), part=reader.temperature(part_c), ice=f"{ice:.0%}")
        for clock, air_c, part_c, ice in zip(
            _clocks(found, reader), found.air_c, found.part_c, found.ice_fraction, strict=True
        )
    ]


def night_picture(seen: Viewer, one: MachineFacts, found: Course) -> str:
    """The hours of a night as a picture."""
    reader = reader_for(seen.person, one)
    units = "us" if reader.is_us else "metric"
    return picture(found, clock=_clocks(found, reader), clock_name="", units=units, what="coldest part")


def _clocks(found: Course, reader: Reader) -> list[str]:
    return [reader.clock(found.from_at + timedelta(hours=hour)) for hour in range(len(found.air_c))]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogLine:
    """One entry of the logbook."""

    at: str
    what: str
    who: str
    by: str


def log_lines(seen: Viewer, one: MachineFacts, entries: Sequence[Entry]) -> list[LogLine]:
    """The newest entries first."""
    reader = reader_for(seen.person, one)
    return [
        LogLine(
            at=f"{reader.day_of(entry.happened_at)} {reader.clock(entry.happened_at)}",
            what=entry_words(entry),
            who=name_of(seen.facts.roster, entry.on_behalf_of or entry.by),
            by=entry.channel.value,
        )
        for entry in sorted(entries, key=lambda entry: (entry.happened_at, entry.recorded_at), reverse=True)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartView:
    """One wetted part of a machine. `fill`: full, pockets or dry."""

    key: str
    name: str
    holds: str
    fill: str
    freezes: str


def part_views(seen: Viewer, one: MachineFacts) -> list[PartView]:
    """The wetted parts with what each holds."""
    reader = reader_for(seen.person, one)
    return [
        PartView(
            key=key,
            name=part_name(one, key),
            holds=contents.liquid.name.replace("_", " "),
            fill=contents.fill.value,
            freezes=reader.temperature(contents.freezes_at_c),
        )
        for key, contents in one.state.contents.items()
    ]
