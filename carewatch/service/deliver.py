"""Sends what is due: claim in one short transaction, send outside any, settle in another."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import Connection

from carewatch.channels.port import (
    Ambiguous,
    Channel,
    ChannelDown,
    ChannelStopped,
    ChannelTrouble,
    PermanentRefusal,
    TemporaryRefusal,
)
from carewatch.errors import StoreTrouble
from carewatch.store import notices, visits
from carewatch.store.backoff import next_wait
from carewatch.store.database import Database
from carewatch.store.notices import Claimed
from carewatch.store.visits import Visit

LEASE = timedelta(seconds=180)
"""How long a claimed notice stays with its worker; chosen: three times the longest a channel may take."""

MOST_AMBIGUOUS_IN_A_ROW = 3
"""So many lines that broke before the confirmation end a round; chosen: then it is the server, not the message."""

LONGEST_REST_DOWN = timedelta(minutes=5)
"""Longest wait between two tries of a dead server; chosen: one connection, and freeze notices are in a hurry."""

REST_STOPPED = timedelta(minutes=15)
"""Wait after the server refused our login or sender; chosen: servers lock accounts that knock too often."""

CHANNEL_STATE = ("channel", "mail")
"""Source and key under which the store keeps how the whole channel goes."""

log = logging.getLogger(__name__)


class Fate(StrEnum):
    """What became of one claimed notice in this round."""

    SENT = "sent"
    RETRIED = "retried"
    REFUSED = "refused"
    UNTRIED = "untried"


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryReport:
    """What one round did. `trouble`: why it ended early or did not begin; `is_stopped`: a person must act."""

    fates: tuple[tuple[str, Fate], ...]
    expired: tuple[str, ...]
    trouble: str = ""
    is_stopped: bool = False

    @property
    def handed_over(self) -> int:
        """How many the server took."""
        return len(self.keys(Fate.SENT))

    def keys(self, fate: Fate) -> tuple[str, ...]:
        """Give the keys of the notices with one fate."""
        return tuple(key for key, own in self.fates if own is fate)


def deliver_due(
    database: Database,
    channel: Channel,
    *,
    sender: str,
    now: Callable[[], datetime],
    worker: str,
    jitter: Callable[[], float],
    lease: timedelta = LEASE,
) -> DeliveryReport:
    """Send until nothing is due or the channel as a whole is in trouble; a claim that cannot commit sends nothing."""
    expired, state = _begin(database, now())
    if state is not None and _is_resting(state, now()):
        return DeliveryReport(fates=(), expired=expired, trouble=state.trouble)
    fates: list[tuple[str, Fate]] = []
    unconfirmed = 0
    while (claimed := _claim(database, now=now(), worker=worker, lease=lease)) is not None:
        fate, trouble = _send(channel, claimed, sender=sender)
        _settle(database, claimed, fate, trouble, now=now(), jitter=jitter())
        fates.append((claimed.key, fate))
        unconfirmed = unconfirmed + 1 if isinstance(trouble, Ambiguous) else 0
        if trouble is not None and (fate is Fate.UNTRIED or unconfirmed >= MOST_AMBIGUOUS_IN_A_ROW):
            _rest(database, state, trouble, now=now(), jitter=jitter())
            is_stopped = isinstance(trouble, ChannelStopped)
            return DeliveryReport(fates=tuple(fates), expired=expired, trouble=str(trouble), is_stopped=is_stopped)
        if state is not None and not isinstance(trouble, Ambiguous):  # a server that refuses one address is back too
            _recover(database)
            state = None
    return DeliveryReport(fates=tuple(fates), expired=expired)


def forget_channel_trouble(database: Database) -> None:
    """Let the next round try at once: the mail settings have changed, or the service has just started."""
    with database.transaction() as tx:
        visits.clear(tx, *CHANNEL_STATE)


def _begin(database: Database, now: datetime) -> tuple[tuple[str, ...], Visit | None]:
    with database.transaction() as tx:
        expired = notices.expire(tx, now=now)
        state = visits.get(tx, *CHANNEL_STATE)
    for key in expired:
        log.warning("notice_expired", extra={"notice": key})
    return expired, state


def _is_resting(state: Visit, now: datetime) -> bool:
    # A rest longer than the longest was set by a clock that has been put back since.
    return now < state.next_at <= now + REST_STOPPED


def _claim(database: Database, *, now: datetime, worker: str, lease: timedelta) -> Claimed | None:
    with database.transaction() as tx:
        return notices.claim(tx, now=now, worker=worker, lease=lease)


def _send(channel: Channel, claimed: Claimed, *, sender: str) -> tuple[Fate, ChannelTrouble | None]:
    try:
        channel.send(claimed.raw, sender=sender, recipient=claimed.recipient)
    except PermanentRefusal as trouble:
        return Fate.REFUSED, trouble
    except (ChannelStopped, ChannelDown) as trouble:
        return Fate.UNTRIED, trouble
    except TemporaryRefusal as trouble:
        return Fate.RETRIED, trouble
    return Fate.SENT, None


def _settle(
    database: Database, claimed: Claimed, fate: Fate, trouble: ChannelTrouble | None, *, now: datetime, jitter: float
) -> None:
    def settle(tx: Connection) -> bool:
        match fate:
            case Fate.SENT:
                return notices.settle_sent(tx, claimed, now=now)
            case Fate.REFUSED:
                return notices.settle_refused(tx, claimed, now=now, trouble=str(trouble))
            case Fate.RETRIED:
                return notices.settle_retry(tx, claimed, now=now, trouble=str(trouble), jitter=jitter)
            case Fate.UNTRIED:
                return notices.settle_untried(tx, claimed, trouble=str(trouble))

    is_ours = _twice(database, settle)
    event = f"notice_{fate.value}" if is_ours else "notice_claim_lost"
    level = logging.INFO if is_ours and fate is Fate.SENT else logging.WARNING
    # The server's words may hold addresses, so only the class of the trouble is logged.
    extra = {"notice": claimed.key, "attempt": claimed.attempts, "trouble": type(trouble).__name__ if trouble else None}
    log.log(level, event, extra=extra)


def _twice(database: Database, change: Callable[[Connection], bool]) -> bool:
    # The first failure on a full disk frees the ballast; without a second try a mail that is out would go out again.
    try:
        with database.transaction() as tx:
            return change(tx)
    except StoreTrouble:
        with database.transaction() as tx:
            return change(tx)


def _rest(database: Database, state: Visit | None, trouble: ChannelTrouble, *, now: datetime, jitter: float) -> None:
    failures = 1 if state is None else state.failures + 1
    is_stopped = isinstance(trouble, ChannelStopped)
    wait = REST_STOPPED if is_stopped else min(next_wait(failures, jitter=jitter), LONGEST_REST_DOWN)
    visit = Visit(
        source=CHANNEL_STATE[0],
        key=CHANNEL_STATE[1],
        failed_since=now if state is None or state.failed_since is None else state.failed_since,
        failures=failures,
        next_at=now + wait,
        trouble=str(trouble),
    )
    with database.transaction() as tx:
        visits.put(tx, visit)
    log.log(
        logging.ERROR if is_stopped else logging.WARNING,
        "channel_stopped" if is_stopped else "channel_down",
        extra={"failures": failures, "next_at": visit.next_at.isoformat(), "trouble": type(trouble).__name__},
    )


def _recover(database: Database) -> None:
    with database.transaction() as tx:
        visits.clear(tx, *CHANNEL_STATE)
    log.info("channel_recovered")
