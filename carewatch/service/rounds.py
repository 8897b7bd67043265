"""One round of the running service: roster files, forecasts, the plan; and one round of sending."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from random import random

from carewatch.channels.inbox import Inbox
from carewatch.channels.port import Channel
from carewatch.errors import CarewatchError, Fault
from carewatch.service import clock
from carewatch.service.deliver import DeliveryReport, deliver_due
from carewatch.service.documents import instant
from carewatch.service.forecasts import Asked, ask_sources
from carewatch.service.gather import current_roster
from carewatch.service.health import REPLIES, SEND, TICK, WEATHER
from carewatch.service.replies import RepliesReport, take_replies
from carewatch.service.roster_files import take_in_roster
from carewatch.service.usecase import Outcome, run_plan
from carewatch.service.workplace import Workplace
from carewatch.store import answers, links, nights, outlooks, replies, runs

TIDY = "tidy"
ASKING_S = 60.0  # chosen: services that hang (20 s each) must not keep the plan waiting for longer
TIDY_EVERY = timedelta(days=1)
ANSWERS_KEPT_FOR = timedelta(
    days=30
)  # chosen: the heat balance looks back two days; the rest is for people who ask why
OUTLOOKS_KEPT_FOR = timedelta(days=30)
NIGHTS_KEPT_FOR = timedelta(days=800)  # chosen: two seasons; what a site has taught outlives the summer

FAILED = {
    SEND: ("sending_failed", "Sending failed"),
    REPLIES: ("replies_failed", "Reading the answers by mail failed"),
}
REPLIES_KEPT_FOR = timedelta(days=60)

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one round found."""

    faults: tuple[Fault, ...]
    asked: Asked
    outcome: Outcome


def do_round(
    work: Workplace,
    fleet_paths: tuple[Path, ...],
    *,
    now: Callable[[], datetime],
    is_over: Callable[[], bool] = lambda: False,
) -> Round:
    """Take in the roster files, ask the services, run the plan, note that it went well.

    `now` is asked again after the services: what people wrote while those were slow has to count.
    """
    faults = take_in_roster(work, fleet_paths, now=now())
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    has_time = clock.runs_for(ASKING_S)
    sites = roster.sites if roster else ()
    asked = ask_sources(work, sites, now=now(), goes_on=lambda: has_time() and not is_over())
    at = now()
    outcome = run_plan(work, now=at)
    tidy_up(work, now=at)
    with work.database.transaction() as tx:
        if outcome.blind:
            runs.failed(tx, WEATHER, at=at, trouble=f"No usable forecast for tonight: {', '.join(outcome.blind)}.")
        else:
            runs.succeeded(tx, WEATHER, at=at, next_due_at=None)
        runs.succeeded(tx, TICK, at=at, next_due_at=outcome.next_due_at)
    return Round(faults=faults, asked=asked, outcome=outcome)


def tidy_up(work: Workplace, *, now: datetime) -> None:
    """Once a day: forget raw answers and outlooks that nothing looks at any more; never an entry or a notice."""
    with work.database.reading() as rx:
        last = runs.get(rx, TIDY)
    if last is not None and last.last_ok_at is not None and timedelta(0) <= now - last.last_ok_at < TIDY_EVERY:
        return
    with work.database.transaction() as tx:
        answers.prune(tx, before=now - ANSWERS_KEPT_FOR)
        outlooks.prune(tx, before=(now - OUTLOOKS_KEPT_FOR).date())
        nights.prune(tx, before=(now - NIGHTS_KEPT_FOR).date())
        links.prune(tx, before=now - OUTLOOKS_KEPT_FOR)
        replies.prune(tx, before=now - REPLIES_KEPT_FOR)
        runs.succeeded(tx, TIDY, at=now, next_due_at=now + TIDY_EVERY)


def note_failed(work: Workplace, job: str, error: Exception, *, now: datetime) -> None:
    """Write down that a round of planning or sending failed; if even that fails, the log has it."""
    event, words = FAILED.get(job, ("round_failed", "The last round failed"))
    log.error(event, extra={"reason": str(error)}, exc_info=not isinstance(error, CarewatchError))
    try:
        with work.database.transaction() as tx:
            runs.failed(tx, job, at=now, trouble=f"{words}: {error}")
    except CarewatchError as trouble:
        log.error("round_not_noted", extra={"reason": str(trouble)})  # noqa: TRY400  # the cause is logged above


def send_round(
    work: Workplace, channel: Channel, *, worker: str, is_over: Callable[[], bool] = lambda: False
) -> DeliveryReport:
    """Send what is due."""
    report = deliver_due(
        work.database,
        channel,
        sender=work.signature.address,
        now=clock.now,
        worker=worker,
        jitter=random,
        goes_on=lambda: not is_over(),
    )
    _note_well(work, SEND)
    return report


def reply_round(work: Workplace, inbox: Inbox, *, is_over: Callable[[], bool] = lambda: False) -> RepliesReport:
    """Read the answers that came by mail."""
    report = take_replies(work, inbox, now=clock.now, jitter=random, goes_on=lambda: not is_over())
    _note_well(work, REPLIES)
    return report


def _note_well(work: Workplace, job: str) -> None:
    """Write down that a job works again, if it did not."""
    with work.database.reading() as rx:
        before = runs.get(rx, job)
    if before is not None and before.failures:
        with work.database.transaction() as tx:
            runs.succeeded(tx, job, at=clock.now(), next_due_at=None)


def beat(path: Path, *, now: datetime) -> None:
    """Touch the heartbeat file: whoever watches it from outside notices silence."""
    half = path.with_suffix(".part")
    try:
        path.parent.mkdir(exist_ok=True)
        half.write_text(f"{instant(now)} {os.getpid()}\n", encoding="utf-8")
        half.replace(path)
    except OSError as error:
        log.warning("heartbeat_not_written", extra={"reason": error.strerror})
