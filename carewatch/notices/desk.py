"""Everything the notices look at in one run of the plan, with the look-ups they share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, by_machine, tonight
from carewatch.duties.protect import Level, level_of, protect_key
from carewatch.notices.letter import Letter, set_letter, tidy
from carewatch.notices.notice import Notice, NoticeKind, SentNotice
from carewatch.notices.who import Address
from carewatch.notices.words import Reader
from carewatch.roster.model import Fleet, Person


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """The ways of answering that work in this installation; a letter offers no other."""

    by_mail: bool = False
    page_url: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What has been written before, newest last; `expired`: given up and not yet folded into a catch-up mail."""

    sent: tuple[SentNotice, ...] = ()
    expired: tuple[SentNotice, ...] = ()
    ways: Ways = Ways()


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """One run: facts, what was told, the duties as they stand now, and who can be reached.

    The mappings hold the same again, sorted for looking up: duties by machine, notices by person and by duty.
    """

    facts: Facts
    told: Told
    duties: Mapping[str, Duty]
    address: Address
    now: datetime
    of_machine: Mapping[str, list[Duty]]
    sent_keys: frozenset[str]
    sent_by_person: Mapping[str, list[SentNotice]]
    sent_by_duty: Mapping[str, list[SentNotice]]

    @classmethod
    def opened(cls, facts: Facts, told: Told, duties: Mapping[str, Duty], now: datetime) -> Desk:
        """A desk with everything in its place."""
        by_person: dict[str, list[SentNotice]] = {}
        by_duty: dict[str, list[SentNotice]] = {}
        for notice in told.sent:
            by_person.setdefault(notice.person, []).append(notice)
            for key in notice.duties:
                by_duty.setdefault(key, []).append(notice)
        addresses = {person.id: person.email for person in facts.roster.people}
        refused = frozenset(
            notice.person
            for notice in told.sent
            if notice.is_refused and notice.to in ("", addresses.get(notice.person))
        )
        return cls(
            facts=facts,
            told=told,
            duties=duties,
            address=Address(roster=facts.roster, refused=refused, now=now),
            now=now,
            of_machine=by_machine(duties.values()),
            sent_keys=frozenset(notice.key for notice in told.sent),
            sent_by_person=by_person,
            sent_by_duty=by_duty,
        )

    def tonight(self, one: MachineFacts) -> date:
        """The evening meant by "tonight" where the machine stands."""
        return tonight(self.now, one.site.tz)

    def protect(self, one: MachineFacts) -> Duty | None:
        """The duty to protect it tonight, if there is one."""
        return self.duties.get(protect_key(one.machine.id, self.tonight(one)))

    def level(self, one: MachineFacts) -> Level:
        """How tonight stands with what it holds now."""
        return level_of(one.outlook(self.tonight(one)), one.fleet.threshold_tonight)

    def open_duties(self, kind: DutyKind) -> Iterator[tuple[MachineFacts, Duty]]:
        """Open duties of one kind with their machines, in roster order."""
        for one in self.facts.machines:
            for duty in self.of_machine.get(one.machine.id, ()):
                if duty.kind is kind and duty.state is DutyState.OPEN:
                    yield one, duty

    def must_thaw(self, one: MachineFacts) -> bool:
        """Whether it may be frozen from an earlier night and nobody has looked yet."""
        return any(
            duty.kind is DutyKind.THAW and duty.state is DutyState.OPEN
            for duty in self.of_machine.get(one.machine.id, ())
        )

    def by_first_contact(self, fleet: Fleet) -> dict[str, list[MachineFacts]]:
        """The fleet's machines by the person told first of them."""
        groups: dict[str, list[MachineFacts]] = {}
        for one in self.facts.of(fleet):
            chain = self.address.chain(one.site)
            if chain and not one.state.is_retired:
                groups.setdefault(chain[0].id, []).append(one)
        return groups

    def sent_to(self, person: str, kinds: Iterable[NoticeKind], *, within: timedelta) -> tuple[SentNotice, ...]:
        """Notices of these kinds to a person, newest last."""
        wanted = frozenset(kinds)
        return tuple(
            notice
            for notice in self.sent_by_person.get(person, ())
            if notice.kind in wanted and self.now - notice.created_at < within
        )

    def was_sent(self, key: str) -> bool:
        """Whether a notice with this key was written before."""
        return key in self.sent_keys

    def about(self, duty: Duty) -> list[SentNotice]:
        """Every earlier notice that asked for a duty, oldest first."""
        return self.sent_by_duty.get(duty.key, [])

    def next_key(self, stem: str) -> str:
        """The stem with the number of the next such notice: the same for whoever decides it at the same time."""
        return f"{stem}|{1 + sum(key.startswith(stem + '|') for key in self.sent_keys)}"

    def reader(self, person: Person, machines: Iterable[MachineFacts]) -> Reader:
        """How to write for a person about these machines: their units, the clock of the place."""
        zones = {one.site.zone: one.site.tz for one in machines}
        fleet = self.facts.roster.fleet(person.fleet)
        zone = next(iter(zones.values())) if len(zones) == 1 else fleet.tz
        return Reader(units=person.units, zone=zone, names_zone=len(zones) > 1)

    def write(
        self,
        letter: Letter,
        *,
        key: str,
        kind: NoticeKind,
        person: Person,
        machines: Iterable[MachineFacts],
        duties: Iterable[Duty] = (),
        not_after: datetime,
        refers_to: str | None = None,
        said: Mapping[str, str] | None = None,
    ) -> Notice:
        """The notice made of a letter."""
        text, html = set_letter(letter)
        return Notice(
            key=key,
            kind=kind,
            person=person.id,
            to=tidy(person.email or ""),
            machines=tuple(dict.fromkeys(one.machine.id for one in machines)),
            duties=tuple(dict.fromkeys(duty.key for duty in duties)),
            subject=tidy(letter.subject),
            text=text,
            html=html,
            created_at=self.now,
            not_after=not_after,
            refers_to=refers_to,
            facts=tuple(sorted((said or {}).items())),
        )
