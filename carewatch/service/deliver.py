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
from carewatch.service.resting import MAIL_OUT, is_resting
from carewatch.store import notices
from carewatch.store.database import Database
from carewatch.store.notices import Claimed
from carewatch.store.visits import Visit

LEASE = timedelta(seconds=180)
"""How long a claimed notice stays with its worker; chosen: three times the longest a channel may take."""

MOST_AMBIGUOUS_IN_A_ROW = 3
"""So many lines that broke before the confirmation end a round; chosen: then it is the server, not the message."""

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
    goes_on: Callable[[], bool] = lambda: True,
) -> DeliveryReport:
    """Send until nothing is due or the channel as a whole is in trouble; a claim that cannot commit sends nothing.

    `goes_on` is asked before each message.
    """
    expired, state = _begin(database, now())
    if state is not None and is_resting(state, now()):
        return DeliveryReport(fates=(), expired=expired, trouble=state.trouble)
    fates: list[tuple[str, Fate]] = []
    unconfirmed = 0
    while goes_on() and (claimed := _claim(database, now=now(), worker=worker, lease=lease)) is not None:
        fate, trouble = _send(channel, claimed, sender=sender)
        _settle(database, claimed, fate, trouble, now=now(), jitter=jitter())
        fates.append((claimed.key, fate))
        unconfirmed = unconfirmed + 1 if isinstance(trouble, Ambiguous) else 0
        if trouble is not None and (fate is Fate.UNTRIED or unconfirmed >= MOST_AMBIGUOUS_IN_A_ROW):
            MAIL_OUT.rest(database, state, trouble, now=now(), jitter=jitter())
            is_stopped = isinstance(trouble, ChannelStopped)
            return DeliveryReport(fates=tuple(fates), expired=expired, trouble=str(trouble), is_stopped=is_stopped)
        if state is not None and not isinstance(trouble, Ambiguous):  # a server that refuses one address is back too
            MAIL_OUT.recover(database)
            state = None
    return DeliveryReport(fates=tuple(fates), expired=expired)


def _begin(database: Database, now: datetime) -> tuple[tuple[str, ...], Visit | None]:
    with database.transaction() as tx:
        expired = notices.expire(tx, now=now)
        state = MAIL_OUT.trouble(tx)
    for key in expired:
        log.warning("notice_expired", extra={"notice": key})
    return expired, state


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
