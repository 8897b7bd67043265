"""Facts as the words a page shows. Templates only place them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from math import isfinite

from carewatch.duties.duty import UNDONE, Duty, DutyKind, DutyState
from carewatch.duties.facts import MachineFacts, tonight
from carewatch.duties.protect import Level, level_of
from carewatch.freeze.course import Course
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.entries import Entry, EntryKind
from carewatch.logbook.kinds import HELP
from carewatch.notices.evening_words import ONE_SIDE_OPTIONS, OPTIONS
from carewatch.notices.holding import holds_sentence, place_sentence
from carewatch.notices.morning_after import OPTIONS as THAW_OPTIONS
from carewatch.notices.night_lines import PROTECT_OPTIONS
from carewatch.notices.reply_deeds import Asked, Options
from carewatch.notices.who import name_of
from carewatch.notices.words import Reader, odds_words
from carewatch.roster.model import Person, Roster
from carewatch.service.access import NoticeLine, NoticeState, Viewer
from carewatch.service.answer_pages import Page, Taken
from carewatch.web.night_picture import picture

LEVEL_WORDS = {
    Level.NOT_ASSESSED: "NOT ASSESSED - treat as wet",
    Level.FREEZES: "freezes tonight",
    Level.COULD: "could freeze tonight",
    Level.SAFE: "no ice to be expected",
}
WORST_FIRST = (Level.NOT_ASSESSED, Level.FREEZES, Level.COULD, Level.SAFE)
DUTY_WORDS = {
    DutyKind.RINSE: "flush both valve sides",
    DutyKind.PROTECT: "protect it from frost",
    DutyKind.THAW: "thaw and look before any pump runs",
    DutyKind.SAY: "say whether it sprayed today",
    DutyKind.INSPECT: "inspect the valves",
    DutyKind.DRY_CONNECTORS: "dry the connectors",
    DutyKind.READ_HOURS: "read the spray-hour counter",
    DutyKind.WINTERIZE: "winterize",
    DutyKind.RECOMMISSION: "recommission",
}
STATE_WORDS = {
    DutyState.OPEN: "open",
    DutyState.PROMISED: "promised",
    DutyState.ACCEPTED: "left as it is",
    DutyState.LAPSED: "not done in time",
    DutyState.DONE: "done",
    DutyState.CANCELLED: "no longer needed",
}
STILL_OPEN = frozenset({DutyState.OPEN, DutyState.PROMISED, DutyState.ACCEPTED})


def reader_for(person: Person, one: MachineFacts) -> Reader:
    """How this person reads figures about this machine."""
    return Reader(units=person.units, zone=one.site.tz)


# ---------------------------------------------------------------- answer pages


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerView:
    """One machine on an answer page. `buttons`: digit and words; `places`: value and words."""

    id: str
    name: str
    asked_for: str
    holds: str
    stands: str
    is_over: bool
    buttons: tuple[tuple[int, str], ...]
    places: tuple[tuple[str, str], ...]


def answer_views(opened: Page, *, now: datetime) -> list[AnswerView]:
    """The machines of an answer page."""
    return [_answer_view(opened, asked, now=now) for asked in opened.asked]


def _answer_view(opened: Page, asked: Asked, *, now: datetime) -> AnswerView:
    one = opened.machines[asked.machine.id]
    reader = reader_for(opened.people[0], one)
    return AnswerView(
        id=asked.machine.id,
        name=asked.machine.name,
        asked_for=_asked_words(asked, reader),
        holds=holds_sentence(one, opened.roster, reader, now),
        stands=place_sentence(one),
        is_over=asked.is_over,
        buttons=_buttons(asked, is_standing=opened.notice is None),
        places=tuple(
            (f"{site.id}/{place.id}", f"{place.name}, {site.name}") for site in asked.sites for place in site.places
        ),
    )


def _asked_words(asked: Asked, reader: Reader) -> str:
    if asked.options is Options.THAW:
        return "Was anything frozen?"
    if asked.options is Options.PROTECT:
        by = f" by {reader.clock(asked.protect_due_at)}" if asked.protect_due_at else ""
        return f"How is it protected{by}?"
    return "What was done after spraying?"


def _buttons(asked: Asked, *, is_standing: bool) -> tuple[tuple[int, str], ...]:
    if asked.options is Options.THAW:
        return THAW_OPTIONS
    if asked.options is Options.PROTECT:
        return tuple(
            (digit, "I will, by the deadline" if digit == 4 else words)
            for digit, words in PROTECT_OPTIONS
            if digit != 6 or asked.may_leave
        )
    return tuple((digit, words) for digit, words in _evening_buttons(asked) if not is_standing or digit <= 4)


def _evening_buttons(asked: Asked) -> tuple[tuple[int, str], ...]:
    labels = [side.label for side in asked.machine.sides]
    if len(labels) < 2:
        return ONE_SIDE_OPTIONS
    named = {3: f"{labels[0]} side only", 4: f"{labels[1]} side only"}
    return tuple((digit, named.get(digit, words)) for digit, words in OPTIONS)


def kept_words(taken: Taken) -> list[str]:
    """What a tap was kept as."""
    first = "Kept:" if taken.is_new else "That was kept before:"
    return [f"{first} {HELP[kind]}" for kind in taken.kinds]


# ---------------------------------------------------------------- board


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
ANSWERED_WITHIN = timedelta(hours=36)  # chosen: as long as the page of a message works


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


def open_duties(seen: Viewer) -> dict[str, tuple[Duty, ...]]:
    """By machine what is to be done, the next first; what nobody did of a night that is over is for the thaw check."""
    zones = {one.machine.id: one.site.tz for one in seen.machines}
    found: dict[str, list[Duty]] = {}
    for duty in seen.facts.duties.values():
        zone = zones.get(duty.machine)
        is_of_tonight = zone is not None and duty.night >= tonight(seen.now, zone)
        if zone is not None and (duty.state in STILL_OPEN or (duty.state is DutyState.LAPSED and is_of_tonight)):
            found.setdefault(duty.machine, []).append(duty)
    return {machine: tuple(sorted(some, key=lambda duty: duty.due_at)) for machine, some in found.items()}


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


def tonight_words(outlook: Outlook | None, level: Level, reader: Reader) -> str:
    """How tonight stands in one line."""
    if outlook is None or outlook.chance is None or level is Level.NOT_ASSESSED:
        return LEVEL_WORDS[Level.NOT_ASSESSED]
    cold = f"air down to {reader.temperature(outlook.coldest_air_c)}" if outlook.coldest_air_c is not None else ""
    if level is Level.SAFE:
        return f"{LEVEL_WORDS[level]}{f', {cold}' if cold else ''}"
    ice = f", ice from {reader.about(outlook.first_ice_at)}" if outlook.first_ice_at else ""
    return f"{LEVEL_WORDS[level]} ({odds_words(outlook.chance)}){ice}, {cold}"


def duty_words(duty: Duty, reader: Reader) -> str:
    """What is due and by when."""
    words = DUTY_WORDS[duty.kind]
    if duty.state is DutyState.OPEN:
        return f"{words} by {reader.day_and_clock(duty.due_at)}"
    return f"{words}: {STATE_WORDS[duty.state]}"


def who_words(duty: Duty | None, roster: Roster) -> str:
    """Who has it."""
    if duty is None or duty.assigned_to is None:
        return ""
    return name_of(roster, duty.assigned_to)


# ---------------------------------------------------------------- messages


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


# ---------------------------------------------------------------- machine


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


def part_name(one: MachineFacts, part: str) -> str:
    """A wetted part as people call it."""
    labels = {f"valve.{side.key}": f"valves, {side.label}" for side in one.machine.sides}
    return labels.get(part, part.replace("_", " "))


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


def entry_words(entry: Entry) -> str:
    """An entry in a few words: its kind and what was said with it."""
    told = [
        f"{column.name.replace('_', ' ')} {_plain(value)}"
        for column in fields(entry.detail)
        if (value := getattr(entry.detail, column.name)) not in (None, (), "")
    ]
    kind = entry.kind.value.replace("_", " ")
    return f"{kind}: {', '.join(told)}" if told and entry.kind is not EntryKind.NOTE else (told[0] if told else kind)


def _plain(value: object) -> str:
    if isinstance(value, tuple):
        return " + ".join(map(str, value))
    return f"{value:%d %b %H:%M} UTC" if isinstance(value, datetime) else str(value)


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
