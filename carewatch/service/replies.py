"""Answers by mail: one look into the mailbox. Each mail is decided and stored before it is marked as read."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection

from carewatch.channels.inbox import Fate, Inbox
from carewatch.channels.port import ChannelTrouble
from carewatch.channels.received import Received, read_message
from carewatch.service.reply_deciding import Decided, Outcome, decide
from carewatch.service.resting import MAIL_IN, is_resting
from carewatch.service.usecase import queue_notice, run_plan
from carewatch.service.workplace import Workplace
from carewatch.store import entries, notices, replies

MOST_AT_ONCE = 50  # chosen: the rest waits for the next look
ONE_WORD_A = timedelta(days=1)
FATES = {
    Outcome.TAKEN: Fate.TAKEN, Outcome.KNOWN: Fate.TAKEN, Outcome.UNCLEAR: Fate.UNCLEAR, Outcome.OVER: Fate.UNCLEAR,
    Outcome.UNTIED: Fate.UNCLEAR, Outcome.FOREIGN: Fate.UNCLEAR,
}  # fmt: skip

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class RepliesReport:
    """What one look into the mailbox did; `trouble`: why it ended early or did not begin."""

    outcomes: tuple[Outcome, ...] = ()
    trouble: str = ""


def take_replies(
    work: Workplace,
    inbox: Inbox,
    *,
    now: Callable[[], datetime],
    jitter: Callable[[], float],
    most: int = MOST_AT_ONCE,
    goes_on: Callable[[], bool] = lambda: True,
) -> RepliesReport:
    """Read every unread mail, oldest first, until the mailbox is in trouble; `goes_on` is asked before each."""
    with work.database.reading() as rx:
        state = MAIL_IN.trouble(rx)
    if state is not None and is_resting(state, now()):
        return RepliesReport(trouble=state.trouble)
    outcomes: list[Outcome] = []
    try:
        with inbox.visit() as visit:
            for uid in visit.unread(most):
                if not goes_on():
                    break
                raw = visit.read(uid)
                if raw:
                    outcomes.append(take_one(work, read_message(raw), now=now()))
                    visit.settle(uid, FATES.get(outcomes[-1], Fate.IGNORED))
    except ChannelTrouble as trouble:
        MAIL_IN.rest(work.database, state, trouble, now=now(), jitter=jitter())
        return RepliesReport(outcomes=tuple(outcomes), trouble=str(trouble))
    if state is not None:
        MAIL_IN.recover(work.database)
    return RepliesReport(outcomes=tuple(outcomes))


def take_one(work: Workplace, mail: Received, *, now: datetime) -> Outcome:
    """Decide and store one mail; the plan runs at once if it changed anything. Read twice, it counts once."""
    with work.database.reading() as rx:
        if replies.is_known(rx, mail.identity):
            return Outcome.KNOWN
    decided = Decided(outcome=Outcome.BOUNCED) if mail.bounces else decide(work, mail, now=now)
    with work.database.transaction() as tx:
        back = decided.back
        if back is not None and replies.was_answered(tx, mail.sender, since=now - ONE_WORD_A):
            back = None
        if not _note(tx, mail, decided, now=now, is_answered=back is not None):
            return Outcome.KNOWN
        has_bounced = [_mark_bounced(tx, mail, now=now)] if mail.bounces else []
        is_new = [entries.add(tx, entry) for entry in decided.entries]
        if back is not None:
            queue_notice(work, tx, back)
    key = decided.notice.key if decided.notice else None
    log.info("reply_read", extra={"outcome": decided.outcome.value, "notice": key, "is_answered": back is not None})
    if any(is_new) or any(has_bounced):
        run_plan(work, now=now)
    return decided.outcome


def _note(tx: Connection, mail: Received, decided: Decided, *, now: datetime, is_answered: bool) -> bool:
    return replies.add(
        tx,
        identity=mail.identity,
        sender=mail.sender,
        at=now,
        outcome=decided.outcome.value,
        notice=decided.notice.key if decided.notice else None,
        is_answered=is_answered,
    )


def _mark_bounced(tx: Connection, mail: Received, *, now: datetime) -> bool:
    """Note on the notices that came back that their address said no: the next contact is told."""
    marked = [
        notices.mark_bounced(
            tx, message_id=message_id, recipient=bounce.recipient, now=now, trouble=f"It came back: {bounce.said}"
        )
        for bounce in mail.bounces
        for message_id in bounce.message_ids
    ]
    return any(marked)
