"""A replay told as it happens: a progress bar, and a timeline of what came in and what went out."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from carewatch.service.replay import Scenario, Step


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


def timeline(steps: Iterable[Step], scenario: Scenario) -> Iterator[str]:
    """One line for each entry and each message, local to the machine, day by day."""
    day = None
    for step in steps:
        for at, text in _lines(step, scenario):
            if at.date() != day:
                day = at.date()
                yield f"\n{at:%A %d %B %Y}"
            yield f"  {at:%H:%M} {at:%Z}  {text}"


def _lines(step: Step, scenario: Scenario) -> Iterator[tuple[datetime, str]]:
    roster = scenario.roster
    for entry in step.entries:
        zone = roster.site(roster.machine(entry.machine).home_site).tz
        who = roster.person(entry.by).name if entry.by in {person.id for person in roster.people} else entry.by
        yield (
            step.at.astimezone(zone),
            f"<-  {who}: {roster.machine(entry.machine).name} {_words(entry.kind.value, entry.detail)}",
        )
    for notice in step.outcome.notices:
        zone = roster.fleet(roster.person(notice.person).fleet).tz
        name = roster.person(notice.person).name
        yield step.at.astimezone(zone), f"->  {name} [{notice.kind.value}] {notice.subject}"


def _words(kind: str, detail: object) -> str:
    from dataclasses import fields

    told = {one.name: getattr(detail, one.name) for one in fields(detail)}  # type: ignore[arg-type]
    said = [
        f"{name} {_value(value)}" for name, value in told.items() if value not in (None, "", False) and name != "duty"
    ]
    return f"{kind.replace('_', ' ')} {', '.join(said)}".strip()


def _value(value: object) -> str:
    if isinstance(value, tuple):
        return "+".join(str(one) for one in value)
    return f"{value:%d %b %H:%M UTC}" if isinstance(value, datetime) else str(value)
