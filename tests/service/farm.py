"""An invented farm for tests: two machines at two sites, a forecast service that says what it is told, a database."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from carewatch.channels.memory import MemoryChannel
from carewatch.errors import UpstreamTrouble
from carewatch.logbook.entries import Channel, Entry, EntryKind, Moved
from carewatch.roster.model import Site
from carewatch.service.deliver import deliver_due
from carewatch.service.forecasts import ask_sources
from carewatch.service.gather import current_roster
from carewatch.service.roster_files import take_in_roster
from carewatch.service.usecase import Outcome, run_plan
from carewatch.service.workplace import Signature, Workplace
from carewatch.sources.plain import read_plain
from carewatch.sources.port import Recall
from carewatch.store import outbox
from carewatch.store.database import Database
from carewatch.store.outbox import NoticeLine
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import Forecast, Grade
from carewatch.weather.intervals import floor_hour

HOUR = timedelta(hours=1)
SECRET = b"known to these tests only, 32 byt"
AFTERNOON = datetime(2026, 10, 19, 20, 0, tzinfo=UTC)  # 15:00 in Chicago
MORNING = datetime(2026, 10, 19, 11, 30, tzinfo=UTC)  # 06:30 in Chicago: the day mail
LATE = datetime(2026, 10, 19, 21, 40, tzinfo=UTC)  # 16:40: the deadline is over, the ice not there yet

FLEET = """
[fleet]
id = "larch"
name = "Larch Hollow"
zone = "America/Chicago"

[[site]]
id = "yard"
name = "Home yard"
lat_deg = 41.62
lon_deg = -93.28
elevation_m = 280
zone = "America/Chicago"
contacts = ["mia"]

  [[site.place]]
  id = "gravel"
  name = "gravel"
  kind = "outdoors"

  [[site.place]]
  id = "shop"
  name = "shop"
  kind = "heated_shop"

[[site]]
id = "hill"
name = "Hill block"
lat_deg = 41.38
lon_deg = -93.55
elevation_m = 300
zone = "America/Chicago"
contacts = ["mia"]

  [[site.place]]
  id = "stubble"
  name = "stubble"
  kind = "outdoors"

[[person]]
id = "mia"
name = "Mia Lund"
roles = ["manager"]
email = "mia@larch-hollow.example"

[[person]]
id = "noah"
name = "Noah Birk"
roles = ["operator"]
email = "noah@larch-hollow.example"
"""
MACHINE = """
[[machine]]
id = "{id}"
name = "{name}"
home_site = "{site}"
home_place = "{place}"
operators = ["noah"]
boom_width_m = 36
sections = [12, 12, 12]
held_l = 110
tank_l = 4000
rinse_tank_l = 400
nozzle_size = "04"
nozzle_pressure_kpa = 300
shift_end = "20:00"
"""
FIRST = MACHINE.format(id="sprayer-1", name="Sprayer 1", site="yard", place="gravel")
SECOND = MACHINE.format(id="sprayer-2", name="Sprayer 2", site="hill", place="stubble")
ROSTER = FLEET + FIRST + SECOND


@dataclass
class Forecaster:
    """A service whose nights (18 to 8 o'clock in Chicago) are as cold as told; `trouble` is raised instead."""

    name: str = "made"
    night_c: float = -6.0
    day_c: float = 9.0
    issued_at: datetime | None = None
    trouble: UpstreamTrouble | None = None
    body: bytes | None = None
    asked: list[str] = field(default_factory=list)

    def grade(self, site: Site) -> Grade:
        return Grade.OFFICIAL

    def covers(self, site: Site) -> bool:
        return True

    def update(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        self.asked.append(site.id)
        if self.trouble is not None:
            raise self.trouble
        issued_at = self.issued_at or floor_hour(now) - (now.hour - 5) % 6 * HOUR
        body = self._written(issued_at, site) if self.body is None else self.body
        stored = recall(site.id)
        fetched_at = stored.fetched_at if stored is not None and stored.body == body else now
        return (
            Answer(
                source=self.name,
                key=site.id,
                body=body,
                fetched_at=fetched_at,
                issued_at=issued_at,
                ask_again_at=now,
                validators={},
            ),
        )

    def read(self, site: Site, *, recall: Recall) -> Forecast | None:
        stored = recall(site.id)
        return None if stored is None else read_plain(stored.body, fetched_at=stored.fetched_at)

    def _written(self, issued_at: datetime, site: Site) -> bytes:
        hours = [(issued_at + number * HOUR).astimezone(site.tz).hour for number in range(180)]
        air_c = [self.night_c if hour >= 18 or hour < 8 else self.day_c for hour in hours]
        told = {
            "source": self.name,
            "grade": "official",
            "issued_at": issued_at.isoformat(),
            "start_at": issued_at.isoformat(),
            "air_c": air_c,
            "dew_c": [c - 4.0 for c in air_c],
            "wind_mps": [1.0] * 180,
            "cloud_fraction": [0.1] * 180,
        }
        return json.dumps(told).encode()


@dataclass
class Messenger(Forecaster):
    """The same with official messages, which fail on their own."""

    official: tuple[str, ...] = ("Frost advisory until 9 am.",)
    official_trouble: UpstreamTrouble | None = None
    asked_official: list[str] = field(default_factory=list)

    def update_alerts(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        self.asked_official.append(site.id)
        if self.official_trouble is not None:
            raise self.official_trouble
        return ()

    def alerts(self, site: Site, *, now: datetime, recall: Recall) -> tuple[str, ...]:
        return self.official


@dataclass
class Farm:
    """One installation in a folder, driven by hand."""

    folder: Path
    database: Database
    sources: tuple[Forecaster, ...]
    work: Workplace
    channel: MemoryChannel = field(default_factory=MemoryChannel)

    @property
    def roster_file(self) -> Path:
        return self.folder / "fleet.toml"

    def write_roster(self, text: str) -> None:
        self.roster_file.write_text(text, encoding="utf-8")

    def take_in(self, now: datetime) -> int:
        """How many faults the files have."""
        return len(take_in_roster(self.work, (self.roster_file,), now=now))

    def ask(self, now: datetime):
        with self.database.reading() as rx:
            roster = current_roster(self.work, rx)
        return ask_sources(self.work, roster.sites if roster else (), now=now)

    def run(self, now: datetime) -> Outcome:
        """One round: files, services, plan, sending."""
        self.take_in(now)
        self.ask(now)
        outcome = run_plan(self.work, now=now)
        self.send(now)
        return outcome

    def send(self, now: datetime) -> None:
        deliver_due(
            self.database,
            self.channel,
            sender=self.work.signature.address,
            now=lambda: now,
            worker="test",
            jitter=lambda: 0.5,
        )

    def notices(self) -> list[NoticeLine]:
        with self.database.reading() as rx:
            return list(reversed(outbox.lines(rx, since=datetime(2000, 1, 1, tzinfo=UTC))))

    def machines(self) -> list[str]:
        with self.database.reading() as rx:
            roster = current_roster(self.work, rx)
        return [machine.id for machine in roster.machines] if roster else []

    def beside(self) -> Farm:
        """A second instance on the same database, with a memory of its own."""
        return farm_on(self.folder, Database.open(self.folder / "carewatch.db"), self.sources)


def farm_on(folder: Path, database: Database, sources: tuple[Forecaster, ...]) -> Farm:
    work = Workplace(
        database=database,
        sources_for=lambda site: sources,
        signature=Signature(name="carewatch", address="watch@larch-hollow.example"),
        secret=SECRET,
    )
    return Farm(folder=folder, database=database, sources=sources, work=work)


@contextmanager
def open_farm(folder: Path, *sources: Forecaster, roster: str = ROSTER) -> Iterator[Farm]:
    database = Database.open(folder / "carewatch.db")
    farm = farm_on(folder, database, sources or (Forecaster(),))
    farm.write_roster(roster)
    try:
        yield farm
    finally:
        database.close()


def into_shop(machine: str, at: datetime, *, entry_id: str = "") -> Entry:
    """Evidence that it stands in the heated shop."""
    return Entry(
        id=entry_id or f"{machine}-moved-{at:%d%H%M}",
        machine=machine,
        kind=EntryKind.MOVED,
        happened_at=at,
        recorded_at=at,
        by="noah",
        on_behalf_of=None,
        channel=Channel.COMMAND,
        detail=Moved(site="yard", place="shop"),
    )
