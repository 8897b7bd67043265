"""The one use case: gather -> plan -> apply. The clock, a replay, an answer and the demo all come through here."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection

from carewatch.channels.message import compose, message_id_for, reference_for
from carewatch.duties.duty import UNDONE, Duty
from carewatch.duties.facts import Facts, MachineFacts, tonight
from carewatch.errors import BadInput
from carewatch.freeze.outlook import Outlook, Urgency
from carewatch.notices.answer_link import offers_page, with_token
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.plan import Plan, plan
from carewatch.notices.reply import options_of
from carewatch.roster.model import Roster
from carewatch.service import noting
from carewatch.service.documents import duty_line, instant, notice_line, outlook_document, without_age
from carewatch.service.forecasts import ask_sources
from carewatch.service.gather import RUN, Gathered, current_roster, gather, picture
from carewatch.service.links import answer_token
from carewatch.service.looking_back import look_back
from carewatch.service.workplace import Remembered, Workplace
from carewatch.store import duties, notices, outbox, outlooks, runs

LOOK_AGAIN_AFTER = timedelta(hours=1)
PAGE_WORKS_FOR = timedelta(hours=36)  # chosen: until the evening after
MOST_TRIES = 3  # chosen: facts that change faster than the plan is made wait for the next run

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one run did; `notices` are only those that were new; `blind`: machines nothing is known of for tonight."""

    notices: tuple[Notice, ...]
    duties: int
    outlooks: int
    next_due_at: datetime
    blind: tuple[str, ...] = ()


def run_plan(work: Workplace, *, now: datetime) -> Outcome:
    """Gather, plan, apply. Running it twice, or on two instances at once, sends nothing twice.

    What was decided before an answer came in is dropped and decided anew, so that no reminder crosses an answer.
    """
    with work.remembered.lock:
        look_back(work, now=now)
        return _run_plan(work, now=now)


def _run_plan(work: Workplace, *, now: datetime) -> Outcome:
    for tries_left in reversed(range(MOST_TRIES)):
        gathered = gather(work, now=now)
        if gathered is None:
            break
        decided = plan(gathered.facts, gathered.told, now)
        outcome = apply(work, gathered, decided, now=now, is_last_try=tries_left == 0)
        if outcome is not None:
            return outcome
    return Outcome(notices=(), duties=0, outlooks=0, next_due_at=now + LOOK_AGAIN_AFTER)


def apply(
    work: Workplace, gathered: Gathered, decided: Plan, *, now: datetime, is_last_try: bool = False
) -> Outcome | None:
    """Store what follows in one transaction: duties, outlooks, notices with their final bytes.

    None, and nothing is stored, if the facts have changed since they were gathered.
    """
    with work.database.transaction() as tx:
        if not is_last_try and picture(tx) != gathered.picture:
            return None
        new_duties = [duty_line(duty, at=now) for duty in duties.append_all(tx, decided.duties, at=now)]
        changed = _changed_outlooks(work.remembered, gathered.facts, decided.duties, now=now)
        new_outlooks = _keep_outlooks(tx, changed, now=now)
        noted = noting.to_note(work.remembered.noted, gathered.facts, now=now)
        noting.keep(tx, noted)
        noting.say_late(tx, gathered.facts, changed, now=now)
        new_notices = [notice for notice in decided.notices if queue_notice(work, tx, notice)]
        _fold_expired(tx, gathered, new_notices)
        runs.succeeded(tx, RUN, at=now, next_due_at=decided.next_due_at)
        if work.recorder:
            work.recorder.write("duties", new_duties, at=now)
            work.recorder.write("outlooks", new_outlooks, at=now)
            lines = [notice_line(one, message_id=message_id_of(work, one.key)) for one in new_notices]
            work.recorder.write("notices", lines, at=now)
    work.remembered.noted.update(noted.done)
    work.remembered.written.update({(one.machine, one.night): one for one in changed})
    for notice in new_notices:
        log.info("notice_queued", extra={"notice": notice.key, "kind": notice.kind.value})
    return Outcome(
        notices=tuple(new_notices),
        duties=len(new_duties),
        outlooks=len(new_outlooks),
        next_due_at=decided.next_due_at,
        blind=tuple(one.machine.id for one in gathered.facts.machines if _is_blind(one, now=now)),
    )


def _is_blind(one: MachineFacts, *, now: datetime) -> bool:
    outlook = one.outlook(tonight(now, one.site.tz))
    return not one.state.is_retired and (outlook is None or not outlook.is_assessed)


def queue_notice(work: Workplace, tx: Connection, notice: Notice) -> bool:
    """Put one notice into the outbox, its bytes fixed from now on; False if its key was queued before."""
    if offers_page(notice):
        until = max(notice.not_after, notice.created_at + PAGE_WORKS_FOR)
        notice = with_token(notice, answer_token(work, tx, notice=notice.key, person=notice.person, until=until))
    message_id = message_id_of(work, notice.key)
    earlier = outbox.message_id_of(tx, notice.refers_to) if notice.refers_to else None
    raw = compose(
        notice,
        sender_name=work.signature.name,
        sender_address=work.signature.address,
        reply_to=work.signature.reply_to,
        date=notice.created_at,
        message_id=message_id,
        references=(earlier,) if earlier else (),
        reference=reference_for(notice.key, secret=work.secret) if _wants_reply(work, notice) else None,
    )
    return notices.queue(tx, notice, message_id=message_id, raw=raw, send_at=notice.created_at)


def message_id_of(work: Workplace, key: str) -> str:
    """The Message-ID of the notice with this key."""
    return message_id_for(key, work.signature.domain, secret=work.secret)


def _wants_reply(work: Workplace, notice: Notice) -> bool:
    return work.ways.by_mail and options_of(notice.kind, notice.duties, of_notice=notice.duties) is not None


def _fold_expired(tx: Connection, gathered: Gathered, written: list[Notice]) -> None:
    for notice in written:
        if notice.kind is NoticeKind.CATCH_UP:
            missed = [lost.key for lost in gathered.told.expired if lost.person == notice.person]
            notices.mark_folded(tx, missed, into=notice.key)


def _changed_outlooks(
    remembered: Remembered, facts: Facts, changed: tuple[Duty, ...], *, now: datetime
) -> list[Outlook]:
    """Those that are not the very ones this process wrote last; the database has the last word on them."""
    ledger = {**facts.duties, **{duty.key: duty for duty in changed}}
    found = outlooks_now(facts, ledger, now=now)
    return [one for one in found if remembered.written.get((one.machine, one.night)) != one]


def _keep_outlooks(tx: Connection, changed: list[Outlook], *, now: datetime) -> list[dict[str, Any]]:
    """Store the outlooks that changed in more than the age of their forecast; give them as lines."""
    if not changed:
        return []
    machines = sorted({one.machine for one in changed})
    stored = outlooks.latest(tx, from_night=min(one.night for one in changed), machines=machines)
    known = {(one.machine, one.night): one.document for one in stored}
    documents = []
    for outlook in changed:
        document = outlook_document(outlook)
        before = known.get((outlook.machine, outlook.night))
        if before is None or without_age(before) != without_age(document):
            documents.append((outlook.machine, outlook.night, document))
    outlooks.put_all(tx, documents, at=now)
    return [{"at": instant(now), **document} for _, _, document in documents]


def outlooks_now(facts: Facts, ledger: Mapping[str, Duty], *, now: datetime) -> list[Outlook]:
    """Every outlook; a machine still wet at its deadline has urgency immediate for that night."""
    late = {
        (duty.machine, duty.night)
        for duty in ledger.values()
        if duty.kind.value == "protect" and duty.state in UNDONE and duty.due_at <= now
    }
    return [
        replace(outlook, urgency=Urgency.IMMEDIATE)
        if outlook.is_assessed and (outlook.machine, outlook.night) in late
        else outlook
        for one in facts.machines
        for outlook in one.outlooks
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What somebody sees who only looks: nothing is decided and nothing is written but forecast answers."""

    roster: Roster
    outlooks: tuple[Outlook, ...]
    troubles: tuple[str, ...]


def look(work: Workplace, *, now: datetime, asks: bool) -> Look:
    """The outlooks as they stand, after asking the services if `asks`."""
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    if roster is None:
        raise BadInput("There is no roster yet. Run `carewatch check`.")
    asked = ask_sources(work, roster.sites, now=now) if asks else None
    gathered = gather(work, now=now)
    found = tuple(outlooks_now(gathered.facts, gathered.facts.duties, now=now)) if gathered else ()
    troubles = tuple(f"{site}, {source}: {words}" for site, source, words in (asked.troubles if asked else ()))
    return Look(roster=roster, outlooks=found, troubles=troubles)
