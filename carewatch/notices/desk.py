"""Everything the notices look at in one run of the plan, with the look-ups they share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, tonight
from carewatch.duties.protect import Level, level_of, protect_key
from carewatch.notices.letter import Letter, set_letter
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
    """One run: facts, what was told, the duties as they stand now, and who can be reached."""

    facts: Facts
    told: Told
    duties: Mapping[str, Duty]
    address: Address
    now: datetime

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
            for duty in self.duties.values():
                if duty.machine == one.machine.id and duty.kind is kind and duty.state is DutyState.OPEN:
                    yield one, duty

    def machine(self, machine_id: str) -> MachineFacts | None:
        """The facts of one machine; None when it left the roster."""
        return next((one for one in self.facts.machines if one.machine.id == machine_id), None)

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
            for notice in self.told.sent
            if notice.person == person and notice.kind in wanted and self.now - notice.created_at <= within
        )

    def was_sent(self, key: str) -> bool:
        """Whether a notice with this key was written before."""
        return any(notice.key == key for notice in self.told.sent)

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
            to=person.email or "",
            machines=tuple(one.machine.id for one in machines),
            duties=tuple(duty.key for duty in duties),
            subject=letter.subject,
            text=text,
            html=html,
            created_at=self.now,
            not_after=not_after,
            refers_to=refers_to,
            facts=tuple(sorted((said or {}).items())),
        )
