"""The running service: APScheduler as a mere clock, a watchdog on the monotonic clock, health, a clean stop.

The scheduler decides nothing: what is due is worked out by the plan from facts and `now`. A trigger of our own always
means "so long after now", so that a moved wall clock neither stops it nor makes it catch up thousands of ticks.
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from types import FrameType

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from carewatch.channels.port import Channel
from carewatch.errors import CarewatchError
from carewatch.service import clock
from carewatch.service.deliver import forget_channel_trouble
from carewatch.service.health import HealthServer, health_of
from carewatch.service.rounds import beat, do_round, note_failed_round, send_round
from carewatch.service.workplace import Workplace
from carewatch.settings import Settings

SEND_EVERY = timedelta(seconds=10)
OVERDUE_AFTER = 2.2  # intervals without a tick until the watchdog wakes the job
TICK_JOB, SEND_JOB = "tick", "send"

log = logging.getLogger(__name__)


class Every(BaseTrigger):  # type: ignore[misc]  # the library has no types
    """So long after now, whatever the clock did in between."""

    __slots__ = ("every",)

    def __init__(self, every: timedelta) -> None:
        self.every = every

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
        """The first time at once, then one interval from now."""
        return now if previous is None else now + self.every


class Running:
    """A started service. `stop` ends it; `wait` blocks until somebody does."""

    def __init__(self, work: Workplace, channel: Channel, settings: Settings) -> None:
        self._work = work
        self._channel = channel
        self._settings = settings
        self._every = timedelta(seconds=settings.service.tick_every_s)
        self._worker = f"{socket.gethostname()}:{os.getpid()}"
        self._ticked_at_s = clock.monotonic_s()
        self._is_over = threading.Event()
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1}
        )
        self.health = HealthServer(settings.service.health_host, settings.service.health_port, self._health)

    def start(self) -> None:
        """Begin: first round at once."""
        forget_channel_trouble(self._work.database)
        self._scheduler.add_job(self._guarded(self._tick), Every(self._every), id=TICK_JOB)
        self._scheduler.add_job(self._guarded(self._send), Every(SEND_EVERY), id=SEND_JOB)
        self._scheduler.start()
        self.health.start()
        threading.Thread(target=self._watch, name="watchdog", daemon=True).start()
        log.info("service_started", extra={"worker": self._worker, "health_port": self.health.port})

    def stop(self) -> None:
        """End after what is being done now."""
        self._is_over.set()
        self._scheduler.shutdown(wait=True)
        self.health.stop()
        log.info("service_stopped", extra={"worker": self._worker})

    def wait(self) -> None:
        """Block until SIGTERM or SIGINT."""

        def leave(number: int, frame: FrameType | None) -> None:
            del number, frame
            self._is_over.set()

        signal.signal(signal.SIGTERM, leave)
        signal.signal(signal.SIGINT, leave)
        self._is_over.wait()

    def _tick(self) -> None:
        now = clock.now()
        try:
            do_round(self._work, self._settings.fleet_paths, now=now)
            beat(self._settings.heartbeat_path, now=now)
        finally:
            self._ticked_at_s = clock.monotonic_s()

    def _send(self) -> None:
        send_round(self._work, self._channel, worker=self._worker)

    def _guarded(self, job: Callable[[], None]) -> Callable[[], None]:
        """The one place that catches everything: a failed run is noted and the service goes on."""

        def run() -> None:
            try:
                job()
            except Exception as error:  # noqa: BLE001
                note_failed_round(self._work, error, now=clock.now())

        return run

    def _watch(self) -> None:
        while not self._is_over.wait(min(self._every.total_seconds(), 5.0)):
            waited_s = clock.monotonic_s() - self._ticked_at_s
            if waited_s > OVERDUE_AFTER * self._every.total_seconds():
                log.warning("tick_overdue", extra={"waited_s": round(waited_s)})
                self._scheduler.modify_job(TICK_JOB, next_run_time=clock.now())
                self._scheduler.modify_job(SEND_JOB, next_run_time=clock.now())
                self._ticked_at_s = clock.monotonic_s()

    def _health(self) -> dict[str, object]:
        try:
            return health_of(self._work, now=clock.now(), tick_every=self._every)
        except CarewatchError as error:
            return {"state": "failing", "reasons": [str(error)]}
