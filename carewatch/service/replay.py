"""Driving the same use case over past days. The folder holds the database: a stopped replay goes on where it was."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from carewatch.channels.files import FileChannel
from carewatch.errors import BadInput, Fault, FaultyFiles
from carewatch.freeze.engines import fastest
from carewatch.logbook.entries import Entry
from carewatch.logbook.reading import check_entry, entry_from_json
from carewatch.roster.files import FoundFiles, read_texts
from carewatch.roster.model import Roster
from carewatch.roster.reading import parse_roster
from carewatch.roster.watch import fingerprint_of
from carewatch.service.deliver import deliver_due
from carewatch.service.forecasts import ask_sources
from carewatch.service.recording import LineRecorder
from carewatch.service.usecase import RUN, Outcome, run_plan
from carewatch.service.workplace import Signature, Workplace
from carewatch.sources.choice import covering, of_scenario
from carewatch.sources.made_errors import ISSUE_EVERY
from carewatch.sources.recorded import recorded_files
from carewatch.store import entries, rosters, runs
from carewatch.store.database import Database

ISSUE_READ_AFTER = timedelta(minutes=20)  # chosen: a service takes some minutes to publish what it issued
DATABASE = "carewatch.db"
MAILS = "mails"
SIGNATURE = Signature(name="carewatch", address="carewatch@replay.example")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A folder with a fleet, a logbook and weather; read and checked before anything runs.

    `events`: when an entry or a recorded forecast comes in, in order.
    """

    folder: Path
    roster: Roster
    texts: dict[str, str]
    logbook: tuple[Entry, ...]
    events: tuple[datetime, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One run of a replay."""

    at: datetime
    outcome: Outcome
    entries: tuple[Entry, ...]


def read_scenario(folder: Path) -> Scenario:
    """Read a scenario folder; every fault of roster and logbook is named at once."""
    if not folder.is_dir():
        raise BadInput(f"{folder} is not a folder. A scenario is a folder with fleet.toml, logbook.jsonl and weather/.")
    found = read_texts((folder / "fleet.toml",))
    texts = {Path(name).name: text for name, text in found.texts.items()}
    roster, _ = parse_roster(texts, found.faults)
    logbook = tuple(_read_logbook(folder / "logbook.jsonl", roster))
    forecasts = [at for site in roster.sites for at, _, _ in recorded_files(folder / "forecasts" / site.id)]
    return Scenario(
        folder=folder,
        roster=roster,
        texts=texts,
        logbook=logbook,
        events=tuple(sorted({*(entry.recorded_at for entry in logbook), *forecasts})),
    )


def _read_logbook(path: Path, roster: Roster) -> Iterator[Entry]:
    if not path.exists():
        return
    faults: list[Fault] = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        if not line.strip():
            continue
        where = f"{path.name}:{number}"
        try:
            entry = entry_from_json(json.loads(line), where=where)
        except (ValueError, BadInput) as error:
            faults.append(_line_fault(path, number, f"{error}", "See `carewatch log --schema`."))
            continue
        misfits = check_entry(entry, roster)
        faults += misfits
        if not misfits:
            yield entry
    if faults:
        raise FaultyFiles(faults)


def _line_fault(path: Path, number: int, problem: str, fix: str) -> Fault:
    return Fault(file=path.name, line=number, field="(line)", value="", problem=problem, fix=fix)


def replay(
    scenario: Scenario,
    *,
    from_on: date,
    to_on: date,
    out: Path,
    forecast: str | None = None,
    seed: int = 0,
) -> Iterator[Step]:
    """Run the plan over the days from `from_on` to `to_on` (both included, local to the first fleet).

    Jumps to whatever comes next: an entry, a forecast, the instant the plan asked for. Each step is committed before
    it is given; stopping at any moment and starting again gives the same notices, none twice.
    """
    zone = scenario.roster.fleets[0].tz
    starts_at = datetime.combine(from_on, time(0), zone).astimezone(UTC)
    ends_at = datetime.combine(to_on + timedelta(days=1), time(0), zone).astimezone(UTC)
    out.mkdir(parents=True, exist_ok=True)
    work = _workplace(scenario, out, forecast=forecast, seed=seed)
    _put_in(work, scenario, at=starts_at)
    channel = FileChannel(out / MAILS)
    try:
        yield from _steps(work, scenario, channel, starts_at=starts_at, ends_at=ends_at)
    finally:
        work.database.close()


def _steps(
    work: Workplace, scenario: Scenario, channel: FileChannel, *, starts_at: datetime, ends_at: datetime
) -> Iterator[Step]:
    recorder = work.recorder
    with work.database.reading() as rx:
        last = runs.get(rx, RUN)
    now = starts_at
    if last is not None and last.last_ok_at is not None:
        now = _next(scenario, last.last_ok_at, last.next_due_at)
    if isinstance(recorder, LineRecorder):
        recorder.trim(after=last.last_ok_at if last else None)
    _deliver(work, channel, now=last.last_ok_at if last and last.last_ok_at else starts_at)
    shown = last.last_ok_at if last and last.last_ok_at else datetime.min.replace(tzinfo=UTC)
    while now < ends_at:
        ask_sources(work, scenario.roster.sites, now=now)
        outcome = run_plan(work, now=now)
        if outcome.notices:
            _deliver(work, channel, now=now)
        yield Step(at=now, outcome=outcome, entries=_visible(scenario, shown, now))
        shown, now = now, _next(scenario, now, outcome.next_due_at)


def _visible(scenario: Scenario, after: datetime, until: datetime) -> tuple[Entry, ...]:
    return tuple(entry for entry in scenario.logbook if after < entry.recorded_at <= until)


def _next(scenario: Scenario, now: datetime, due_at: datetime | None) -> datetime:
    """The next instant at which something can be different."""
    return min(
        *(at for at in (due_at,) if at is not None and at > now),
        next((at for at in scenario.events if at > now), datetime.max.replace(tzinfo=UTC)),
        _next_issue_at(now),
    )


def _next_issue_at(now: datetime) -> datetime:
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    issues = (midnight + number * ISSUE_EVERY + ISSUE_READ_AFTER for number in range(6))
    return next(at for at in issues if at > now)


def _deliver(work: Workplace, channel: FileChannel, *, now: datetime) -> None:
    deliver_due(work.database, channel, sender=SIGNATURE.address, now=lambda: now, worker="replay", jitter=lambda: 0.5)


def _workplace(scenario: Scenario, out: Path, *, forecast: str | None, seed: int) -> Workplace:
    available = of_scenario(scenario.folder, made=forecast, seed=seed)
    if not any(covering(site, available) for site in scenario.roster.sites):
        raise BadInput(
            f"{scenario.folder} holds no forecasts for its sites. Add --forecast synthetic to make them from weather/."
        )
    return Workplace(
        database=Database.open(out / DATABASE),
        sources_for=lambda site: covering(site, available),
        signature=SIGNATURE,
        recorder=LineRecorder(out),
        kernel=fastest(),
    )


def _put_in(work: Workplace, scenario: Scenario, *, at: datetime) -> None:
    """Put fleet and logbook into the database, or make sure that it belongs to this fleet."""
    fingerprint = fingerprint_of(FoundFiles(texts=scenario.texts, faults=()))
    with work.database.transaction() as tx:
        known = rosters.latest(tx)
        if known is not None and known[0] != fingerprint:
            raise BadInput("The folder belongs to a replay of another fleet. Give another --out, or delete it.")
        rosters.add_version(tx, fingerprint=fingerprint, texts=scenario.texts, at=at)
        for entry in scenario.logbook:
            entries.add(tx, entry)
