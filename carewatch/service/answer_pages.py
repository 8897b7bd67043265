"""Answers tapped on a page: of a notice (no sign-in, one link each), or of a machine's standing evening page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from carewatch.duties.facts import Facts, MachineFacts
from carewatch.errors import BadInput
from carewatch.logbook.entries import Channel, Entry, EntryKind, Voided
from carewatch.logbook.reading import check_entry
from carewatch.notices.notice import SentNotice
from carewatch.notices.reply_deeds import TAKES_BACK, Asked, Deed, Options, Said, deeds_chosen
from carewatch.roster.model import Machine, Person, Place, Roster, Site
from carewatch.service.gather import glance
from carewatch.service.links import ANSWER, MACHINE, find_link
from carewatch.service.reply_deciding import asked_of
from carewatch.service.usecase import run_plan
from carewatch.service.workplace import Workplace
from carewatch.store import entries, links, outbox

CLOCK_AHEAD = timedelta(minutes=10)
OLDEST_TAP = timedelta(days=2)  # chosen: a phone without signal over a weekend day; older is told to somebody
UNDO_WITHIN = timedelta(hours=1)  # as the rule for voiding what makes a machine look safer
MARK_LETTERS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """What was chosen. `id`: made by the page, the same however often it is sent; `tapped_at` None: when it arrives."""

    id: str
    machine: str
    digit: int
    by: str | None = None
    place: str | None = None
    counter_h: float | None = None
    litres: float | None = None
    strength_vol_pct: float | None = None
    by_at: datetime | None = None
    tapped_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What a link opens. `people` may answer here; `notice` None: the standing page of a machine."""

    mark: str
    people: tuple[Person, ...]
    asked: tuple[Asked, ...]
    machines: Mapping[str, MachineFacts]
    roster: Roster
    notice: SentNotice | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of a tap. `is_new` False: it was known; `until`: till when it may be undone."""

    is_new: bool
    machine: Machine
    kinds: tuple[EntryKind, ...]
    remarks: tuple[str, ...]
    until: datetime


def page_of_notice(work: Workplace, token: str, *, now: datetime) -> Page | None:
    """The answer page of a notice; None if the link is unknown, over or revoked. Looking changes nothing."""
    link = find_link(work, token, kind=ANSWER, now=now)
    if link is None:
        return None
    key = link.purpose.partition("|")[2]
    with work.database.reading() as rx:
        notice = outbox.by_key(rx, key)
    gathered = glance(work, now=now)
    if notice is None or gathered is None:
        return None
    person = gathered.facts.roster.find_person(link.person)
    if person is None:
        return None
    mark = links.hash_token(token)[:MARK_LETTERS]
    has_answered = any(entry.id.startswith(f"page|{mark}|") for one in gathered.facts.machines for entry in one.entries)
    asked = tuple(asked_of(gathered.facts, notice, person, now=now, has_answered=has_answered))
    return _page(gathered.facts, mark=mark, people=(person,), asked=asked, notice=notice)


def page_of_machine(work: Workplace, token: str, *, now: datetime) -> Page | None:
    """The standing evening page of a machine: it works without a duty; whoever stands there says who they are."""
    link = find_link(work, token, kind=MACHINE, now=now)
    gathered = glance(work, now=now) if link is not None else None
    if link is None or gathered is None:
        return None
    machine = link.purpose.partition("|")[2]
    one = next((facts for facts in gathered.facts.machines if facts.machine.id == machine), None)
    if one is None:
        return None
    open_duties = tuple(
        duty.key
        for duty in gathered.facts.duties.values()
        if duty.machine == machine and duty.key.startswith(("rinse|", "protect|", "say|"))
    )
    asked = Asked(
        machine=one.machine,
        site=one.site,
        sites=one.fleet.sites,
        options=Options.EVENING,
        duties=open_duties,
    )
    operators = [person for key in one.machine.operators if (person := gathered.facts.roster.find_person(key))]
    others = [person for person in one.fleet.people if person not in operators]
    mark = links.hash_token(token)[:MARK_LETTERS]
    return _page(gathered.facts, mark=mark, people=(*operators, *others), asked=(asked,))


def _page(
    facts: Facts,
    *,
    mark: str,
    people: tuple[Person, ...],
    asked: tuple[Asked, ...],
    notice: SentNotice | None = None,
) -> Page:
    wanted = {one.machine.id for one in asked}
    machines = {one.machine.id: one for one in facts.machines if one.machine.id in wanted}
    return Page(mark=mark, people=people, asked=asked, machines=machines, roster=facts.roster, notice=notice)


def take(work: Workplace, page: Page, tap: Tap, *, now: datetime) -> Taken:
    """Keep what a tap says and run the plan; the same tap any number of times is one. BadInput says what is unclear."""
    asked = _asked(page, tap)
    person = _person(page, tap)
    at = _happened_at(tap, now=now)
    said = Said(
        places=_places(asked, tap.place),
        counter_h=tap.counter_h,
        litres=tap.litres,
        strength_vol_pct=tap.strength_vol_pct,
        time_at=tap.by_at,
    )
    deeds, remarks = deeds_chosen(asked, tap.digit, said, at=at)
    kept = [*_entries(page, tap, deeds, person, at=at, now=now), *_taken_back(page, tap, asked, person, at=at, now=now)]
    _refuse_misfits(kept, page.roster)
    stem = _stem(page, tap)
    with work.database.transaction() as tx:
        is_new = not entries.any_with_stem(tx, stem)
        for entry in kept if is_new else ():
            entries.add(tx, entry)
    if is_new:
        run_plan(work, now=now)
    return Taken(
        is_new=is_new,
        machine=asked.machine,
        kinds=tuple(deed.kind for deed in deeds),
        remarks=remarks,
        until=now + UNDO_WITHIN,
    )


def undo(work: Workplace, page: Page, tap: Tap, *, now: datetime) -> int:
    """Void what a tap said, within the hour; with a trace, nothing is deleted. How many entries that were."""
    asked = _asked(page, tap)
    stem = _stem(page, tap)
    one = page.machines[asked.machine.id]
    said = [entry for entry in one.entries if entry.id.startswith(stem) and entry.kind is not EntryKind.VOIDED]
    if any(now - entry.recorded_at > UNDO_WITHIN for entry in said):
        raise BadInput("That was more than an hour ago. Answer again with what is true now, or tell the manager.")
    with work.database.transaction() as tx:
        for entry in said:
            detail = Voided(entry=entry.id, reason="taken back on the page")
            own_id = f"{stem}undo|{entry.id[len(stem) :]}"
            entries.add(tx, _entry(own_id, entry.machine, EntryKind.VOIDED, detail, by=entry.by, at=now, now=now))
    if said:
        run_plan(work, now=now)
    return len(said)


def _asked(page: Page, tap: Tap) -> Asked:
    asked = next((one for one in page.asked if one.machine.id == tap.machine), None)
    if asked is None:
        raise BadInput("This page asks nothing about that machine.")
    return asked


def _person(page: Page, tap: Tap) -> Person:
    if tap.by is None and len(page.people) == 1:
        return page.people[0]
    person = next((one for one in page.people if one.id == tap.by), None)
    if person is None:
        raise BadInput("Who are you? Choose your name, then tap again.")
    return person


def _happened_at(tap: Tap, *, now: datetime) -> datetime:
    """When it was tapped, as far as the phone's clock can be right."""
    at = tap.tapped_at
    if at is None or at > now + CLOCK_AHEAD:
        return now
    if now - at > OLDEST_TAP:
        raise BadInput("That was tapped more than two days ago. Say how it stands now.")
    return min(at, now)


def _places(asked: Asked, word: str | None) -> tuple[tuple[Site, Place], ...]:
    """The place chosen, as `site/place`."""
    if not word:
        return ()
    site_id, _, place_id = word.partition("/")
    found = [
        (site, place) for site in asked.sites for place in site.places if (site.id, place.id) == (site_id, place_id)
    ]
    if not found:
        raise BadInput("That place is not known here. Choose one of the list.")
    return tuple(found)


def _stem(page: Page, tap: Tap) -> str:
    return f"page|{page.mark}|{tap.id}|"


def _entries(
    page: Page, tap: Tap, deeds: Sequence[Deed], person: Person, *, at: datetime, now: datetime
) -> Iterator[Entry]:
    for number, deed in enumerate(deeds):
        own_id = f"{_stem(page, tap)}{deed.machine}|{deed.digit}|{number}"
        yield _entry(own_id, deed.machine, deed.kind, deed.detail, by=person.id, at=at, now=now)


def _taken_back(page: Page, tap: Tap, asked: Asked, person: Person, *, at: datetime, now: datetime) -> Iterator[Entry]:
    """An answer that says less than an earlier one on the same page voids it."""
    if page.notice is None:
        return
    digits = {str(digit) for digit in TAKES_BACK.get((asked.options, tap.digit), frozenset())}
    for entry in page.machines[asked.machine.id].entries:
        parts = entry.id.split("|")
        is_ours = len(parts) == 6 and parts[:2] == ["page", page.mark] and parts[2] != tap.id
        if is_ours and parts[4] in digits and entry.kind is not EntryKind.VOIDED:
            detail = Voided(entry=entry.id, reason="answered again on the page")
            own_id = f"{_stem(page, tap)}voids|{entry.id}"
            yield _entry(own_id, asked.machine.id, EntryKind.VOIDED, detail, by=person.id, at=at, now=now)


def _entry(
    own_id: str, machine: str, kind: EntryKind, detail: object, *, by: str, at: datetime, now: datetime
) -> Entry:
    return Entry(
        id=own_id,
        machine=machine,
        kind=kind,
        happened_at=at,
        recorded_at=now,
        by=by,
        on_behalf_of=None,
        channel=Channel.PAGE,
        detail=detail,  # type: ignore[arg-type]  # a detail of entries.py, made together with its kind
    )


def _refuse_misfits(kept: Sequence[Entry], roster: Roster) -> None:
    faults = [fault for entry in kept for fault in check_entry(entry, roster)]
    if faults:
        raise BadInput(" ".join(f"{fault.problem} {fault.fix}" for fault in faults[:3]))
