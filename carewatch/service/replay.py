"""Driving the same use case over past days. The folder holds the database: a stopped replay goes on where it was."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from carewatch.channels.files import FileChannel
from carewatch.errors import BadInput, Fault, FaultyFiles
from carewatch.freeze.engines import fastest
from carewatch.logbook.entries import Entry
from carewatch.logbook.reading import read_logbook
from carewatch.roster.files import FoundFiles, fingerprint_of, read_texts
from carewatch.roster.model import Roster
from carewatch.roster.reading import parse_roster
from carewatch.service.assessing import fetched_at_of
from carewatch.service.deliver import deliver_due
from carewatch.service.documents import instant
from carewatch.service.forecasts import ask_sources
from carewatch.service.gather import RUN, gather
from carewatch.service.recording import LineRecorder
from carewatch.service.resting import MAIL_OUT
from carewatch.service.usecase import Outcome, run_plan
from carewatch.service.workplace import Signature, Workplace
from carewatch.sources.choice import covering, of_scenario, readings_of_scenario
from carewatch.sources.made_errors import ISSUE_EVERY
from carewatch.sources.recorded import recorded_files
from carewatch.store import entries, rosters, runs
from carewatch.store.database import Database

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
A_SECOND = timedelta(seconds=1)
ASK_AGAIN_EVERY = timedelta(hours=3)
ISSUE_READ_AFTER = timedelta(minutes=20)  # chosen: a service takes some minutes to publish what it issued
DATABASE = "carewatch.db"
MAILS = "mails"
MARKER = "replay.json"
STEPS = "steps.txt"
SIGNATURE = Signature(name="carewatch", address="carewatch@replay.example")
SECRET = b"no secret: the same replay gives the same Message-IDs"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A folder with a fleet, a logbook and weather; read and checked before anything runs.

    `events`: when an entry or a recorded forecast comes in, in order; `recorded`: those of the forecasts alone.
    """

    folder: Path
    roster: Roster
    texts: dict[str, str]
    logbook: tuple[Entry, ...]
    events: tuple[datetime, ...]
    recorded: tuple[datetime, ...]


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
    logbook = _read_logbook(folder / "logbook.jsonl", roster)
    forecasts = [at for site in roster.sites for at, _, _ in recorded_files(folder / "forecasts" / site.id)]
    return Scenario(
        folder=folder,
        roster=roster,
        texts=texts,
        logbook=logbook,
        recorded=tuple(sorted({_looked_at(at, A_SECOND) for at in forecasts})),
        events=tuple(
            sorted({_looked_at(at, A_SECOND) for at in (*(entry.recorded_at for entry in logbook), *forecasts)})
        ),
    )


def _read_logbook(path: Path, roster: Roster) -> tuple[Entry, ...]:
    if not path.exists():
        return ()
    try:
        text = path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise FaultyFiles([_file_fault(path, "is not UTF-8 text.", "Save it again as UTF-8.", line=line)]) from error
    except OSError as error:
        raise FaultyFiles([_file_fault(path, f"cannot be read: {error.strerror}.", "Check its rights.")]) from error
    return read_logbook(text, file=path.name, roster=roster)


def _file_fault(path: Path, problem: str, fix: str, *, line: int | None = None) -> Fault:
    return Fault(file=path.name, line=line, field="(file)", value="", problem=problem, fix=fix)


def replay(
    scenario: Scenario,
    *,
    from_on: date,
    to_on: date,
    out: Path,
    forecast: str | None = None,
    seed: int = 0,
    look_every: timedelta = A_SECOND,
) -> Iterator[Step]:
    """Run the plan over the days from `from_on` to `to_on` (both included, local to the first fleet).

    Jumps to whatever comes next: an entry, a forecast, the instant the plan asked for; with `look_every` to the next
    full so many minutes after it, as a service does that looks that often. Each step is committed before it is given;
    stopping at any moment and starting again gives the same notices, none twice.
    """
    zone = scenario.roster.fleets[0].tz
    starts_at = datetime.combine(from_on, time(0), zone).astimezone(UTC)
    ends_at = datetime.combine(to_on + timedelta(days=1), time(0), zone).astimezone(UTC)
    _take_folder(
        out,
        {
            "from": from_on.isoformat(),
            "forecast": forecast or "recorded",
            "seed": seed,
            "look_every_s": look_every.total_seconds(),
        },
    )
    work = _workplace(scenario, out, forecast=forecast, seed=seed)
    _put_in(work, scenario, at=starts_at)
    try:
        yield from _steps(work, scenario, out, starts_at=starts_at, ends_at=ends_at, look_every=look_every)
    finally:
        work.database.close()


@contextmanager
def replayed(scenario: Scenario, out: Path, *, forecast: str | None = None, seed: int = 0) -> Iterator[Workplace]:
    """The workplace of a replay that has been run, for whoever wants to look around in it."""
    work = _workplace(scenario, out, forecast=forecast, seed=seed)
    try:
        yield work
    finally:
        work.database.close()


def _steps(
    work: Workplace, scenario: Scenario, out: Path, *, starts_at: datetime, ends_at: datetime, look_every: timedelta
) -> Iterator[Step]:
    channel, recorder = FileChannel(out / MAILS), work.recorder
    with work.database.reading() as rx:
        last = runs.get(rx, RUN)
    now = starts_at
    if last is not None and last.last_ok_at is not None:
        now = _next(scenario, last.last_ok_at, last.next_due_at, look_every)
    if isinstance(recorder, LineRecorder):
        recorder.trim(after=last.last_ok_at if last else None)
    steps = out / STEPS
    if last is not None and last.last_ok_at is not None:
        _remember(work, steps, until=last.last_ok_at)
    MAIL_OUT.forget_trouble(work.database)
    _deliver(work, channel, now=last.last_ok_at if last and last.last_ok_at else starts_at)
    shown = last.last_ok_at if last and last.last_ok_at else datetime.min.replace(tzinfo=UTC)
    while now < ends_at:
        with steps.open("a", encoding="utf-8") as file:
            file.write(f"{instant(now)}\n")
        if _is_time_to_ask(scenario, after=shown, now=now):
            ask_sources(work, scenario.roster.sites, now=now)
        outcome = run_plan(work, now=now)
        if outcome.notices:
            _deliver(work, channel, now=now)
        yield Step(at=now, outcome=outcome, entries=_visible(scenario, shown, now))
        shown, now = now, _next(scenario, now, outcome.next_due_at, look_every)


def _remember(work: Workplace, steps: Path, *, until: datetime) -> None:
    """Work out anew what a stopped replay knew: an outlook counts as it was when its inputs had just changed."""
    lines = steps.read_text(encoding="utf-8").split() if steps.exists() else []
    past = sorted({at for line in lines if (at := datetime.fromisoformat(line)) <= until})
    seen = gather(work, now=until)
    weather = seen.facts.weather.values() if seen else ()
    since = min((one.forecast.fetched_at for one in weather if one.forecast), default=until)
    work.remembered.outlooks.clear()
    work.remembered.weather.clear()
    for at in [at for at in past if at >= since]:
        before = set(work.remembered.outlooks)
        gather(work, now=at)
        for key in set(work.remembered.outlooks) - before:
            # Made from a forecast that had not come by then: that one was fetched just before the stop.
            if fetched_at_of(key) > at:
                del work.remembered.outlooks[key]
                work.remembered.weather.clear()


def _is_time_to_ask(scenario: Scenario, *, after: datetime, now: datetime) -> bool:
    """Whether a forecast may have come since the step before, or three hours have begun (a site may be back)."""
    return (
        after < _looked_at(now, ASK_AGAIN_EVERY) - ASK_AGAIN_EVERY
        or _next_issue_at(after) <= now
        or any(after < at <= now for at in scenario.recorded)
    )


def _visible(scenario: Scenario, after: datetime, until: datetime) -> tuple[Entry, ...]:
    return tuple(entry for entry in scenario.logbook if after < entry.recorded_at <= until)


def _next(scenario: Scenario, now: datetime, due_at: datetime | None, look_every: timedelta) -> datetime:
    """The next look at which something can be different."""
    event_at = next((at for at in scenario.events if at > now), None)
    known = [at for at in (due_at, event_at, _next_issue_at(now)) if at is not None and at > now]
    return _looked_at(min(known), look_every)


def _looked_at(at: datetime, look_every: timedelta) -> datetime:
    """The first look not before an instant; at least whole seconds, as written lines tell steps apart by them."""
    since_epoch = at - EPOCH
    return EPOCH + -(-since_epoch // look_every) * look_every


def _next_issue_at(now: datetime) -> datetime:
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    issues = (midnight + number * ISSUE_EVERY + ISSUE_READ_AFTER for number in range(6))
    return next(at for at in issues if at > now)


def _deliver(work: Workplace, channel: FileChannel, *, now: datetime) -> None:
    # No lease: a claim left by a replay that was killed is taken up again at once, nobody else works here.
    report = deliver_due(
        work.database,
        channel,
        sender=SIGNATURE.address,
        now=lambda: now,
        worker="replay",
        jitter=lambda: 0.5,
        lease=timedelta(0),
    )
    if report.trouble:
        raise BadInput(f"{report.trouble} Start the replay again, it goes on where it was.")


def _take_folder(out: Path, told: dict[str, object]) -> None:
    """Make the folder, or make sure that it holds the beginning of this very replay and of nothing else."""
    marker = out / MARKER
    try:
        out.mkdir(parents=True, exist_ok=True)
        known = json.loads(marker.read_text(encoding="utf-8")) if marker.exists() else None
        if known is None and (out / DATABASE).exists():
            raise BadInput(f"{out} holds a database that is not a replay's. Give another --out.")
        if known is None:
            half = marker.with_suffix(".part")
            half.write_text(json.dumps(told) + "\n", encoding="utf-8")
            half.replace(marker)
    except (OSError, ValueError) as error:
        raise BadInput(f"The folder {out} cannot be used: {getattr(error, 'strerror', None) or error}.") from error
    if not isinstance(known, dict | None):
        raise BadInput(f"The folder {out} cannot be used: its {MARKER} is not of a replay. Give another --out.")
    if known not in (None, told):
        begun = f"{out} holds a replay begun with {_in_words(known)}."
        raise BadInput(f"{begun} Go on with the same, or give another --out.")


def _in_words(told: dict[str, object]) -> str:
    every_s = told.get("look_every_s")
    looks = f"every {every_s / 60:g} min" if isinstance(every_s, float) and every_s > 1 else "at every change"
    first_on, forecast, seed = (told.get(name) for name in ("from", "forecast", "seed"))
    return f"{first_on} as its first day, {forecast} forecasts, seed {seed}, a look {looks}"


def _workplace(scenario: Scenario, out: Path, *, forecast: str | None, seed: int) -> Workplace:
    available = of_scenario(scenario.folder, made=forecast, seed=seed)
    if not any(covering(site, available) for site in scenario.roster.sites):
        raise BadInput(
            f"{scenario.folder} holds no forecasts for its sites. Add --forecast synthetic to make them from weather/."
        )
    return Workplace(
        database=Database.open(out / DATABASE, survives_power_cut=False),
        sources_for=lambda site: covering(site, available),
        signature=SIGNATURE,
        secret=SECRET,
        recorder=LineRecorder(out),
        kernel=fastest(),
        readings_of=readings_of_scenario(scenario.folder),
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
