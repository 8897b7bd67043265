"""Everything a use case needs, handed in once: the database, the forecast sources, how mails are signed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Protocol

from carewatch.freeze.kernel import Kernel, run_numpy
from carewatch.freeze.learning import Learned
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.entries import Entry
from carewatch.notices.desk import Ways
from carewatch.roster.model import Roster, Site
from carewatch.service.folding import Folds
from carewatch.sources.port import Source
from carewatch.store.database import Database
from carewatch.weather.forecast import Forecast, SiteWeather
from carewatch.weather.readings import Readings


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """How mails are signed: who they come from and the domain of their Message-IDs."""

    name: str
    address: str
    reply_to: str | None = None

    @property
    def domain(self) -> str:
        """The part of the address behind the @."""
        return self.address.rpartition("@")[2]


class Recorder(Protocol):
    """Writes down every change of a run as JSON lines, before the run is committed."""

    def write(self, name: str, lines: Sequence[dict[str, Any]], *, at: datetime) -> None:
        """Add lines to `name`.jsonl."""
        ...


@dataclass(slots=True, kw_only=True)
class Remembered:
    """What one process keeps in memory to save work; losing it loses nothing.

    `lock`: held by whoever gathers or plans, and taken before the database is read, never after.
    """

    lock: threading.RLock = field(default_factory=threading.RLock)
    rosters: dict[str, Roster] = field(default_factory=dict)
    folds: Folds = field(default_factory=Folds)
    forecasts: dict[tuple[object, ...], Forecast] = field(default_factory=dict)
    read: dict[tuple[str, str], tuple[int, Forecast | None, list[Forecast]]] = field(default_factory=dict)
    weather: dict[str, tuple[tuple[datetime, int], SiteWeather]] = field(default_factory=dict)
    outlooks: dict[tuple[object, ...], tuple[Outlook, ...]] = field(default_factory=dict)
    written: dict[tuple[str, date], Outlook] = field(default_factory=dict)
    first_site: int = 0
    noted: dict[str, date] = field(default_factory=dict)
    looked_back_at: datetime | None = None
    learned: dict[str, Learned] | None = None
    glance: tuple[tuple[object, ...], object] | None = None
    logbook: tuple[int, dict[str, tuple[Entry, ...]]] | None = None

    def forget(self) -> None:
        """Drop everything: the roster changed, and with it what a machine or site means."""
        self.rosters.clear()
        self.folds = Folds()
        self.forecasts.clear()
        self.read.clear()
        self.weather.clear()
        self.written.clear()
        self.outlooks.clear()
        self.logbook = None
        self.noted.clear()
        self.looked_back_at = None
        self.learned = None
        self.glance = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Workplace:
    """One installation, or one replay.

    `secret` makes Message-IDs that nobody can guess; a replay has a fixed one.
    `kernel`: engine of the heat balance; numpy keeps an idle service small.
    `readings_of`: what was read at a site, by its own thermometer or what stands for it; None: nothing.
    """

    database: Database
    sources_for: Callable[[Site], tuple[Source, ...]]
    signature: Signature
    secret: bytes
    ways: Ways = field(default_factory=Ways)
    recorder: Recorder | None = None
    remembered: Remembered = field(default_factory=Remembered)
    kernel: Kernel = run_numpy
    readings_of: Callable[[Site], Readings | None] = lambda _: None
