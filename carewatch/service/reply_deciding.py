"""What a reply changes: the entries it stands for, or the plain word why it changes nothing. It stores nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from carewatch.channels.received import Received, read_message
from carewatch.duties.duty import DutyState
from carewatch.duties.facts import Facts, MachineFacts
from carewatch.errors import BadInput
from carewatch.logbook.entries import Channel, Entry, EntryKind, Voided
from carewatch.logbook.reading import check_entry
from carewatch.notices.letter import Letter
from carewatch.notices.notice import Notice, SentNotice
from carewatch.notices.reply import ReadReply, read_reply
from carewatch.notices.reply_answer import (
    foreign_letter,
    over_letter,
    remarks_letter,
    unclear_letter,
    untied_letter,
    word_back,
)
from carewatch.notices.reply_deeds import EVIDENCE, TAKES_BACK, Asked, Options
from carewatch.roster.model import Person, Role
from carewatch.service.gather import current_roster, gather
from carewatch.service.reply_tying import Tie, duties_of, options_for, tie
from carewatch.service.workplace import Workplace
from carewatch.store import outbox, replies
from carewatch.weather.nights import night_on

MAY_BE_AHEAD = timedelta(minutes=10)  # as for every entry: how far a phone's clock may run ahead of ours
STILL_OPEN = frozenset({DutyState.OPEN, DutyState.PROMISED, DutyState.ACCEPTED, DutyState.LAPSED})
ANSWERABLE = STILL_OPEN - {DutyState.LAPSED}
WETTING = frozenset({EntryKind.SPRAYED, EntryKind.FILLED})
ID_LETTERS = 32


class Outcome(StrEnum):
    """What became of one mail."""

    TAKEN = "taken"
    UNCLEAR = "unclear"
    OVER = "over"
    UNTIED = "untied"
    FOREIGN = "foreign"
    STRANGER = "stranger"
    AUTOMATIC = "automatic"
    BOUNCED = "bounced"
    KNOWN = "known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """What is to be stored for one mail: entries, and a word back if there is one."""

    outcome: Outcome
    notice: SentNotice | None = None
    entries: tuple[Entry, ...] = ()
    back: Notice | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reply:
    """A tied reply. `written_at`: by its Date where that can be; `is_dated`: it could; `earlier`: replies before it."""

    mail: Received
    notice: SentNotice
    person: Person
    written_at: datetime
    is_dated: bool
    now: datetime
    earlier: tuple[str, ...]


def decide(work: Workplace, mail: Received, *, now: datetime) -> Decided:
    """Judge one mail."""
    own_addresses = (work.signature.address, work.signature.reply_to)
    if mail.is_automatic or not mail.sender or mail.sender in (one.casefold() for one in own_addresses if one):
        return Decided(outcome=Outcome.AUTOMATIC)
    with work.remembered.lock, work.database.reading() as rx:
        tied = tie(work, rx, mail, current_roster(work, rx), now=now)
        if tied.own is None or tied.person is None:
            return _not_theirs(mail, tied, now=now)
        earlier = replies.taken_for(rx, notice=tied.own.key, sender=mail.sender)
        sent = outbox.raw_message(rx, tied.own.key)
    written_at, is_dated = _written_at(mail, tied.own, now=now)
    reply = _Reply(
        mail=mail, notice=tied.own, person=tied.person, written_at=written_at, is_dated=is_dated, now=now,
        earlier=earlier,
    )  # fmt: skip
    gathered = gather(work, now=now)
    facts = gathered.facts if gathered else None
    return _judged(reply, facts, sent_text=read_message(sent).text if sent else "")


def _not_theirs(mail: Received, tied: Tie, *, now: datetime) -> Decided:
    """Somebody else's notice, or none. A stranger who names none gets no word: nobody is mailed by a forged sender."""
    if tied.is_named:
        letter, outcome = foreign_letter(), Outcome.FOREIGN
    elif tied.people:
        letter, outcome = untied_letter(), Outcome.UNTIED
    else:
        return Decided(outcome=Outcome.STRANGER)
    person = tied.people[0].id if tied.people else ""
    back = word_back(letter, key=f"answer|{mail.identity}", to=mail.sender, person=person, refers_to=None, now=now)
    return Decided(outcome=outcome, back=back)


def _written_at(mail: Received, notice: SentNotice, *, now: datetime) -> tuple[datetime, bool]:
    """When it was written, as far as its clock can be right: not before the notice, not in the future."""
    at = mail.sent_at
    if at is None or at < notice.created_at.replace(microsecond=0) or at > now + MAY_BE_AHEAD:
        return now, False
    return min(at, now), True


def _judged(reply: _Reply, facts: Facts | None, *, sent_text: str) -> Decided:
    asked: tuple[Asked, ...] = ()
    if facts is not None:
        has_answered = bool(reply.earlier)
        asked = tuple(asked_of(facts, reply.notice, reply.person, now=reply.now, has_answered=has_answered))

    def result(outcome: Outcome, letter: Letter | None = None, kept: Sequence[Entry] = ()) -> Decided:
        key, to, person = f"answer|{reply.mail.identity}", reply.mail.sender, reply.person.id
        back = None
        if letter is not None:
            back = word_back(letter, key=key, to=to, person=person, refers_to=reply.notice, now=reply.now)
        return Decided(outcome=outcome, notice=reply.notice, entries=tuple(kept), back=back)

    if facts is None or not asked or all(one.is_over for one in asked):
        return result(Outcome.OVER, over_letter(reply.notice))
    ids = {one.machine.id for one in asked}
    others = [one.machine for one in facts.machines if one.fleet.id == reply.person.fleet and one.machine.id not in ids]
    found = read_reply(reply.mail.text, asked=asked, others=others, at=reply.written_at, sent_text=sent_text)
    try:
        kept = _entries(reply, found, asked, {one.machine.id: one for one in facts.machines})
        _refuse_misfits(kept, facts)
    except BadInput as trouble:
        kept, found = (), ReadReply(unclear=str(trouble))
    if found.unclear:
        return result(Outcome.UNCLEAR, unclear_letter(reply.notice, found.unclear, asked))
    return result(Outcome.TAKEN, remarks_letter(reply.notice, found.remarks) if found.remarks else None, kept)


def asked_of(facts: Facts, notice: SentNotice, person: Person, *, now: datetime, has_answered: bool) -> Iterator[Asked]:
    """What a notice asked of each of its machines, and what of it can still be answered."""
    machines = {one.machine.id: one for one in facts.machines if one.fleet.id == person.fleet}
    for machine in notice.machines:
        one, keys = machines.get(machine), duties_of(notice, machine)
        options = options_for(notice, machine)
        if one is None or options is None:
            continue
        duties = [duty for key in keys if (duty := facts.duties.get(key))]
        settable = STILL_OPEN | ({DutyState.DONE} if has_answered else set())  # what oneself closed may be taken back
        ends = [night_on(duty.night, one.site.tz).end_at for duty in duties]
        is_over = not any(duty.state in ANSWERABLE for duty in duties) and now >= max(ends, default=now)
        yield Asked(
            machine=one.machine,
            site=one.site,
            sites=one.fleet.sites,
            options=options,
            duties=tuple(duty.key for duty in duties if duty.state in settable),
            protect_due_at=next((duty.due_at for duty in duties if duty.key.startswith("protect|")), None),
            may_leave=may_leave(person, one),
            is_over=is_over,
        )


def may_leave(person: Person, one: MachineFacts) -> bool:
    """Whether the person may decide to leave a machine as it is."""
    return bool(person.roles & {Role.MANAGER, Role.OWNER}) or person.id in one.site.contacts


# ---------------------------------------------------------------- the entries


def _entries(
    reply: _Reply, found: ReadReply, asked: Sequence[Asked], machines: Mapping[str, MachineFacts]
) -> tuple[Entry, ...]:
    """One entry for each deed, and voids of what the same person said before to the same message."""
    options = {one.machine.id: one.options for one in asked}
    kept: list[Entry] = []
    for number, deed in enumerate(found.deeds):
        one = machines[deed.machine]
        if deed.digit in EVIDENCE[options[deed.machine]]:
            _refuse_undated(reply, one)
        own_id = f"mail|{reply.mail.identity[:ID_LETTERS]}|{deed.machine}|{deed.digit}|{number}"
        kept.append(_entry(reply, own_id, deed.machine, deed.kind, deed.detail))
    for machine, digit in dict.fromkeys((deed.machine, deed.digit) for deed in found.deeds):
        kept += _taken_back(reply, machines[machine], options[machine], digit)
    return tuple(kept)


def _entry(reply: _Reply, own_id: str, machine: str, kind: EntryKind, detail: object) -> Entry:
    return Entry(
        id=own_id,
        machine=machine,
        kind=kind,
        happened_at=reply.written_at,
        recorded_at=reply.now,
        by=reply.person.id,
        on_behalf_of=None,
        channel=Channel.MAIL,
        detail=detail,  # type: ignore[arg-type]  # a detail of entries.py, made together with its kind
    )


def _refuse_undated(reply: _Reply, one: MachineFacts) -> None:
    """Without a date that can be right nobody knows whether it was done before or after it was used again."""
    if reply.is_dated:
        return
    used = (entry for entry in one.entries if entry.kind in WETTING and entry.happened_at > reply.notice.created_at)
    if next(used, None) is not None:
        raise BadInput(f"{one.machine.name} was used since that message, and the date of your mail cannot be right.")


def _taken_back(reply: _Reply, one: MachineFacts, options: Options, digit: int) -> Iterator[Entry]:
    """An answer that says less than an earlier one to the same message voids it."""
    digits = TAKES_BACK.get((options, digit), frozenset())
    before = {
        f"mail|{identity[:ID_LETTERS]}|{one.machine.id}|{number}|" for identity in reply.earlier for number in digits
    }
    for entry in one.entries:
        if entry.kind is not EntryKind.VOIDED and any(entry.id.startswith(stem) for stem in before):
            own_id = f"mail|{reply.mail.identity[:ID_LETTERS]}|voids|{entry.id}"
            detail = Voided(entry=entry.id, reason="answered again by mail")
            yield _entry(reply, own_id, one.machine.id, EntryKind.VOIDED, detail)


def _refuse_misfits(kept: Sequence[Entry], facts: Facts) -> None:
    faults = [fault for entry in kept for fault in check_entry(entry, facts.roster)]
    if faults:
        raise BadInput(" ".join(f"{fault.field} {fault.value} {fault.problem} {fault.fix}" for fault in faults[:3]))
