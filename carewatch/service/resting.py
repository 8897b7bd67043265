"""A mail server or mailbox in trouble is left alone for a while; the store remembers it across restarts."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection

from carewatch.channels.port import ChannelStopped, ChannelTrouble
from carewatch.store import visits
from carewatch.store.backoff import next_wait
from carewatch.store.database import Database
from carewatch.store.visits import Visit

LONGEST_REST_DOWN = timedelta(minutes=5)
"""Longest wait between two tries of a dead server; chosen: one connection, and freeze notices are in a hurry."""

REST_STOPPED = timedelta(minutes=15)
"""Wait after the server refused our login or sender; chosen: servers lock accounts that knock too often."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line to the outside. `name`: as /health shows it; `event`: the first word of its events in the log."""

    name: str
    event: str

    def trouble(self, rx: Connection) -> Visit | None:
        """Give the trouble it was last in; None: it goes well."""
        return visits.get(rx, "channel", self.name)

    def rest(
        self, database: Database, before: Visit | None, trouble: ChannelTrouble, *, now: datetime, jitter: float
    ) -> None:
        """Leave it alone: longer after every failure since it went well, longest when a person must act."""
        failures = visits.failures_with_this(before)
        is_stopped = isinstance(trouble, ChannelStopped)
        wait = REST_STOPPED if is_stopped else min(next_wait(failures, jitter=jitter), LONGEST_REST_DOWN)
        visit = visits.after_failure(before, source="channel", key=self.name, now=now, wait=wait, trouble=str(trouble))
        with database.transaction() as tx:
            visits.put(tx, visit)
        log.log(
            logging.ERROR if is_stopped else logging.WARNING,
            f"{self.event}_stopped" if is_stopped else f"{self.event}_down",
            extra={"failures": failures, "next_at": visit.next_at.isoformat(), "trouble": type(trouble).__name__},
        )

    def recover(self, database: Database) -> None:
        """Note that it goes well again."""
        self.forget_trouble(database)
        log.info("%s_recovered", self.event)

    def forget_trouble(self, database: Database) -> None:
        """Let the next round try at once: the settings have changed, or the service has just started."""
        with database.transaction() as tx:
            visits.clear(tx, "channel", self.name)


MAIL_OUT = Line(name="Mail", event="channel")
MAIL_IN = Line(name="Answers by mail", event="inbox")


def is_resting(trouble: Visit, now: datetime) -> bool:
    """Whether it is to be left alone at `now`."""
    return trouble.is_resting(now, longest=REST_STOPPED)
