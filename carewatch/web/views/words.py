"""Words that several pages use."""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import MachineFacts, tonight
from carewatch.duties.inspect import is_due
from carewatch.duties.protect import Level
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.entries import Entry, EntryKind
from carewatch.logbook.kinds import FOR_PROGRAMS
from carewatch.notices.who import name_of
from carewatch.notices.words import Reader, odds_words
from carewatch.roster.model import Person, Roster
from carewatch.service.access import Viewer

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
    if duty.kind is DutyKind.INSPECT and duty.state is DutyState.OPEN:  # counted in hours: the day is a projection
        return f"{words}: due" if is_due(duty) else f"{words} soon"
    if duty.state is DutyState.OPEN:
        return f"{words} by {reader.day_and_clock(duty.due_at)}"
    return f"{words}: {STATE_WORDS[duty.state]}"


def who_words(duty: Duty | None, roster: Roster) -> str:
    """Who has it."""
    if duty is None or duty.assigned_to is None:
        return ""
    return name_of(roster, duty.assigned_to)


def part_name(one: MachineFacts, part: str) -> str:
    """A wetted part as people call it."""
    labels = {f"valve.{side.key}": f"valves, {side.label}" for side in one.machine.sides}
    return labels.get(part, part.replace("_", " "))


def entry_words(entry: Entry) -> str:
    """An entry in a few words: its kind and what was said with it."""
    told = [
        f"{column.name.replace('_', ' ')} {_plain(value)}"
        for column in fields(entry.detail)
        if (value := getattr(entry.detail, column.name)) not in (None, (), "")
        and (value or column.name not in FOR_PROGRAMS)
    ]
    kind = entry.kind.value.replace("_", " ")
    return f"{kind}: {', '.join(told)}" if told and entry.kind is not EntryKind.NOTE else (told[0] if told else kind)


def _plain(value: object) -> str:
    if isinstance(value, tuple):
        return " + ".join(map(str, value))
    return f"{value:%d %b %H:%M} UTC" if isinstance(value, datetime) else str(value)
