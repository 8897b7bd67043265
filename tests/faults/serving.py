"""An installation in a folder, served by a real process against played forecast services and a real mail server."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from email.utils import format_datetime
from pathlib import Path
from typing import Any

from tests.channels.mailserver import Mailbox, free_port
from tests.faults.forecast_server import ForecastServer
from tests.faults.serve_at import played
from tests.service.farm import ROSTER

ROOT = Path(__file__).parents[2]
BEGIN = datetime(2026, 10, 19, 11, 20, tzinfo=UTC)  # 06:20 in Chicago
SETTINGS = """
[roster]
fleets = ["fleet.toml"]
[mail]
host = "127.0.0.1"
port = {mail}
security = "none"
from_address = "watch@larch-hollow.example"
deadline_s = 5
[weather]
contact = "office@larch-hollow.example"
open_meteo_non_commercial = true
nws_url = "{url}"
met_norway_url = "{url}"
open_meteo_url = "{url}"
open_meteo_ensemble_url = "{url}"
[service]
tick_every_s = 600
health_port = {health}
log_level = "info"
"""


class PlayedServer(ForecastServer):
    """The played services under the same clock as the served process; new answers every three hours, else 304."""

    clock: Callable[[], datetime] = staticmethod(lambda: BEGIN)

    def __init__(self, **more: Any) -> None:
        super().__init__(**more)

        def last_modified(_: object) -> str:
            hour = self.now.hour // 3 * 3
            return format_datetime(self.now.replace(hour=hour, minute=0, second=7, microsecond=0), usegmt=True)

        self._server.RequestHandlerClass._last_modified = last_modified

    @property
    def now(self) -> datetime:
        return self.clock()

    @now.setter
    def now(self, _: datetime) -> None:
        """The clock decides."""


def wait_for(condition: Callable[[], object], what: str, *, seconds: float = 20.0) -> None:
    pause, ends_at = threading.Event(), time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < ends_at, f"waited too long for: {what}"
        pause.wait(0.05)


@dataclass
class Installation:
    """Folder, ports, played services and the running process."""

    folder: Path
    server: PlayedServer
    mailbox: Mailbox
    mail_port: int
    health_port: int
    speed: float
    began_s: float
    process: subprocess.Popen | None = None

    @property
    def log(self) -> str:
        return (self.folder / "log.jsonl").read_text()

    @property
    def roster(self) -> Path:
        return self.folder / "fleet.toml"

    def start(self) -> None:
        log_file = self.folder / "log.jsonl"
        seen = len(self.log) if log_file.exists() else 0
        start = f"{BEGIN.isoformat()}@{self.began_s}"
        arguments = ["serve", "--config", str(self.folder / "carewatch.toml")]
        with (self.folder / "log.jsonl").open("a") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.faults.serve_at", start, str(self.speed), *arguments],
                cwd=ROOT, stderr=log, stdout=log,
            )  # fmt: skip
        wait_for(lambda: self.process.poll() is not None or "service_started" in self.log[seen:], "the start")
        assert self.process.poll() is None, self.log

    def stop(self, number: int = signal.SIGTERM) -> int:
        assert self.process is not None
        if self.process.poll() is None:
            os.kill(self.process.pid, number)
        return self.process.wait(30)

    def health(self) -> tuple[int, dict]:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.health_port}/health", timeout=5) as reply:
                return reply.status, json.load(reply)
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.load(error)
        except OSError:
            return 0, {}

    def mails(self) -> list[tuple[str, str, str]]:
        """Message-ID, recipient and subject of what arrived."""
        found = []
        for envelope in self.mailbox.arrived:
            mail = message_from_bytes(envelope.content, policy=policy.default)
            found.append((mail["Message-ID"], envelope.rcpt_tos[0], mail["Subject"]))
        return found

    def events(self, name: str) -> int:
        return self.log.count(f'"event": "{name}"')


@contextmanager
def installed(folder: Path, *, speed: float = 600.0, colder_c: float = 14.0) -> Iterator[Installation]:
    began_s = time.time()
    PlayedServer.clock = staticmethod(played(f"{BEGIN.isoformat()}@{began_s}", speed))
    with PlayedServer(now=BEGIN, colder_c=colder_c) as server:
        mail, health = free_port(), free_port()
        (folder / "carewatch.toml").write_text(SETTINGS.format(mail=mail, url=server.url, health=health))
        (folder / "fleet.toml").write_text(ROSTER)
        one = Installation(folder, server, Mailbox(), mail, health, speed, began_s)
        try:
            yield one
        finally:
            if one.process is not None:
                one.stop(signal.SIGKILL)


def sim(one: Installation, **later: float) -> float:
    """Real seconds for a stretch of played time."""
    return timedelta(**later).total_seconds() / one.speed
