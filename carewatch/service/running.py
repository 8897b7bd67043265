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

from carewatch.channels.inbox import Inbox
from carewatch.channels.port import Channel
from carewatch.service import clock
from carewatch.service.health import REPLIES, SEND, TICK, HealthServer, health_of
from carewatch.service.memory import give_memory_back
from carewatch.service.resting import MAIL_IN, MAIL_OUT
from carewatch.service.rounds import beat, do_round, note_failed, reply_round, send_round
from carewatch.service.workplace import Workplace
from carewatch.settings.model import Settings

SEND_EVERY = timedelta(seconds=10)
OVERDUE_AFTER = 2.2  # intervals without a tick until the watchdog wakes the job

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

    def __init__(self, work: Workplace, channel: Channel, settings: Settings, inbox: Inbox | None = None) -> None:
        self._work = work
        self._channel = channel
        self._inbox = inbox
        self._settings = settings
        self._every = timedelta(seconds=settings.service.tick_every_s)
        self._worker = f"{socket.gethostname()}:{os.getpid()}"
        self._ticked_at_s = clock.monotonic_s()
        self._is_over = threading.Event()
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1}
        )
        self.health = HealthServer(settings.service.health_host, settings.service.health_port, self.health_document)

    def start(self) -> None:
        """Begin: first round at once. From here on SIGTERM and SIGINT end the service instead of the process."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._leave)
        MAIL_OUT.forget_trouble(self._work.database)
        MAIL_IN.forget_trouble(self._work.database)
        self._scheduler.add_job(self._guarded(TICK, self._tick), Every(self._every), id=TICK)
        self._scheduler.add_job(self._guarded(SEND, self._send), Every(SEND_EVERY), id=SEND)
        if self._inbox is not None:
            every = timedelta(seconds=self._settings.mail_in.check_every_s)
            self._scheduler.add_job(self._guarded(REPLIES, self._take_replies), Every(every), id=REPLIES)
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
        self._is_over.wait()

    def _leave(self, number: int, frame: FrameType | None) -> None:
        del number, frame
        self._is_over.set()

    def _tick(self) -> None:
        try:
            do_round(self._work, self._settings.fleet_paths, now=clock.now, is_over=self._is_over.is_set)
            beat(self._settings.heartbeat_path, now=clock.now())
            give_memory_back()
        finally:
            self._ticked_at_s = clock.monotonic_s()

    def _send(self) -> None:
        send_round(self._work, self._channel, worker=self._worker, is_over=self._is_over.is_set)

    def _take_replies(self) -> None:
        if self._inbox is not None:
            reply_round(self._work, self._inbox, is_over=self._is_over.is_set)

    def _guarded(self, name: str, job: Callable[[], None]) -> Callable[[], None]:
        """The one place that catches everything: a failed run is noted and the service goes on."""

        def run() -> None:
            try:
                job()
            except Exception as error:  # noqa: BLE001
                note_failed(self._work, name, error, now=clock.now())

        return run

    def _watch(self) -> None:
        while not self._is_over.wait(min(self._every.total_seconds(), 5.0)):
            waited_s = clock.monotonic_s() - self._ticked_at_s
            if waited_s > OVERDUE_AFTER * self._every.total_seconds():
                log.warning("tick_overdue", extra={"waited_s": round(waited_s)})
                for job in self._scheduler.get_jobs():
                    self._scheduler.modify_job(job.id, next_run_time=clock.now())
                self._ticked_at_s = clock.monotonic_s()

    def health_document(self) -> dict[str, object]:
        """How the service is, as /health tells it."""
        return health_of(self._work, now=clock.now(), tick_every=self._every)
