"""One round of the running service: roster files, forecasts, the plan; and one round of sending."""

from __future__ import annotations

import logging
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from random import random

from carewatch.channels.port import Channel
from carewatch.errors import CarewatchError, Fault
from carewatch.service import clock
from carewatch.service.deliver import DeliveryReport, deliver_due
from carewatch.service.documents import instant
from carewatch.service.forecasts import Asked, ask_sources
from carewatch.service.gather import current_roster
from carewatch.service.roster_files import take_in_roster
from carewatch.service.usecase import Outcome, run_plan
from carewatch.service.workplace import Workplace
from carewatch.store import runs

TICK = "tick"

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one round found."""

    faults: tuple[Fault, ...]
    asked: Asked
    outcome: Outcome


def do_round(work: Workplace, fleet_paths: tuple[Path, ...], *, now: datetime) -> Round:
    """Take in the roster files, ask the services, run the plan, note that it went well."""
    faults = take_in_roster(work, fleet_paths, now=now)
    with work.database.reading() as rx:
        roster = current_roster(work, rx)
    asked = ask_sources(work, roster.sites if roster else (), now=now)
    outcome = run_plan(work, now=now)
    with work.database.transaction() as tx:
        runs.succeeded(tx, TICK, at=now, next_due_at=outcome.next_due_at)
    return Round(faults=faults, asked=asked, outcome=outcome)


def note_failed_round(work: Workplace, error: Exception, *, now: datetime) -> None:
    """Write down that a round failed; if even that fails, the log has it."""
    log.error("round_failed", extra={"reason": str(error)}, exc_info=not isinstance(error, CarewatchError))
    try:
        with work.database.transaction() as tx:
            runs.failed(tx, TICK, at=now, trouble=f"The last round failed: {error}")
    except CarewatchError as trouble:
        log.error("round_not_noted", extra={"reason": str(trouble)})  # noqa: TRY400  # the cause is logged above


def send_round(work: Workplace, channel: Channel, *, worker: str) -> DeliveryReport:
    """Send what is due."""
    return deliver_due(
        work.database, channel, sender=work.signature.address, now=clock.now, worker=worker, jitter=random
    )


def beat(path: Path, *, now: datetime) -> None:
    """Touch the heartbeat file: whoever watches it from outside notices silence."""
    half = path.with_suffix(".part")
    try:
        path.parent.mkdir(exist_ok=True)
        half.write_text(f"{instant(now)} {os.getpid()}\n", encoding="utf-8")
        half.replace(path)
    except OSError as error:
        log.warning("heartbeat_not_written", extra={"reason": error.strerror})
