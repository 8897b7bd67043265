"""A replay told as it happens: a progress bar, and a timeline of what came in and what went out."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from carewatch.logbook.entries import Entry
    from carewatch.notices.notice import Notice
    from carewatch.service.replay import Scenario, Step

EVERYDAY = frozenset({"sprayed", "not_used", "hours_read", "strength_measured", "note"})
DEGREES = {"air_c", "first_ice_c"}
LONG_BEFORE = timedelta(days=30)  # chosen: what was written so long before the story begins is no part of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the timeline; `is_routine`: an ordinary day has many like it."""

    at: datetime
    text: str
    is_routine: bool


def progress_over(steps: Iterable[Step], scenario: Scenario, *, from_on: date, to_on: date) -> Iterator[Step]:
    """The steps, with a bar on standard error while they run (only where somebody watches)."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    zone = scenario.roster.fleets[0].tz
    starts_at = datetime.combine(from_on, time(0), zone).astimezone(UTC)
    hours = (to_on - from_on + timedelta(days=1)) / timedelta(hours=1)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(file=sys.stderr), transient=True) as progress:
        task = progress.add_task(f"{from_on:%d %b}", total=hours)
        for step in steps:
            local = step.at.astimezone(zone)
            progress.update(task, completed=(step.at - starts_at) / timedelta(hours=1), description=f"{local:%d %b}")
            yield step


def timeline(steps: Iterable[Step], scenario: Scenario, *, from_on: date, everything: bool) -> Iterator[str]:
    """Day by day what came in (<-) and went out (->), local to the machine; routine is counted unless `everything`."""
    zone = scenario.roster.fleets[0].tz
    days: dict[date, list[Line]] = {}
    for step in steps:
        for line in _lines(step, scenario):
            days.setdefault(max(step.at.astimezone(zone).date(), from_on), []).append(line)
    for on, lines in days.items():
        yield f"\n{on:%A} {on.day} {on:%B %Y}"
        told = [line for line in lines if everything or not line.is_routine]
        yield from (f"  {line.at:%H:%M} {line.at:%Z}  {line.text}" for line in told)
        if len(told) < len(lines):
            yield f"  {_routine_words([line for line in lines if line.is_routine])}"


def _routine_words(lines: list[Line]) -> str:
    entries = sum(line.text.startswith("<-") for line in lines)
    messages = len(lines) - entries
    return f"and the everyday: {entries} entries, {messages} evening messages"


def _lines(step: Step, scenario: Scenario) -> Iterator[Line]:
    roster = scenario.roster
    people = {person.id: person.name for person in roster.people}
    for entry in step.entries:
        zone = roster.site(roster.machine(entry.machine).home_site).tz
        told = f"{people.get(entry.by, entry.by)}: {roster.machine(entry.machine).name} {_words(entry)}"
        is_routine = step.at - entry.recorded_at > LONG_BEFORE or _is_everyday(entry, scenario)
        yield Line(at=entry.recorded_at.astimezone(zone), text=f"<-  {told}", is_routine=is_routine)
    for notice in step.outcome.notices:
        at = step.at.astimezone(_zone_of(notice, scenario))
        text = f"->  {people[notice.person]} [{notice.kind.value}] {notice.subject}"
        yield Line(at=at, text=text, is_routine=notice.kind == "evening" and "freeze" not in notice.subject)


def _zone_of(notice: Notice, scenario: Scenario) -> ZoneInfo:
    roster = scenario.roster
    sites = {roster.machine(machine).home_site for machine in notice.machines}
    return roster.site(sites.pop()).tz if len(sites) == 1 else roster.fleet(roster.person(notice.person).fleet).tz


def _is_everyday(entry: Entry, scenario: Scenario) -> bool:
    """Whether an entry is of the kind every ordinary day has."""
    machine = scenario.roster.machine(entry.machine)
    match entry.kind.value, entry.detail:
        case "rinsed", detail:
            return set(getattr(detail, "sides", ())) == set(machine.side_keys)
        case "moved", detail:
            return getattr(detail, "place", None) == machine.home_place
        case "heat_changed", detail:
            return bool(getattr(detail, "is_on", False))
        case kind, _:
            return kind in EVERYDAY


def _words(entry: Entry) -> str:
    told = {one.name: getattr(entry.detail, one.name) for one in fields(entry.detail)}
    said = [
        f"{name.removesuffix('_c').removesuffix('_vol_pct').replace('_', ' ')} {_value(name, value)}"
        for name, value in told.items()
        if value not in (None, "", False, ()) and name not in ("duty", "entry")
    ]
    return f"{entry.kind.value.replace('_', ' ')} {', '.join(said)}".strip()


def _value(name: str, value: object) -> str:
    if isinstance(value, tuple):
        return "+".join(str(one) for one in value)
    if isinstance(value, datetime):
        return f"{value:%d %b %H:%M UTC}"
    unit = " °C" if name in DEGREES else " vol %" if name.endswith("_vol_pct") else ""
    return f"{value}{unit}".replace("_", " ")
