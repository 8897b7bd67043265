"""Who is told: contacts in order, deputies, absences, weekends, refused addresses, quiet hours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from carewatch.duties.facts import MachineFacts
from carewatch.logbook.entries import EntryKind
from carewatch.roster.model import Person, Role, Roster, Site

SATURDAY = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Who can be reached now. `refused`: ids of people whose address said no since the roster last changed it."""

    roster: Roster
    refused: frozenset[str]
    now: datetime

    def chain(self, site: Site) -> tuple[Person, ...]:
        """The people to tell about a site, in order; an absent one is replaced by the deputy.

        Falls back to the fleet's managers, then owners, then to people on a free weekend, so that somebody is told.
        """
        fleet = next(fleet for fleet in self.roster.fleets if site in fleet.sites)
        wanted = [self.roster.person(person_id) for person_id in site.contacts]
        wanted += [*fleet.people_with(Role.MANAGER), *fleet.people_with(Role.OWNER)]
        stood_in = [self._stand_in(person) for person in wanted]
        reachable = [person for person in stood_in if person is not None and self.can_reach(person)]
        on_duty = [person for person in reachable if self._is_on_duty(person)]
        return tuple(dict.fromkeys([*on_duty, *reachable]))

    def everyone(self, one: MachineFacts) -> tuple[Person, ...]:
        """All who may be told when it is urgent: the chain (owners are in it) and the machine's operators."""
        return tuple(dict.fromkeys([*self.chain(one.site), *self.operators(one)]))

    def operators(self, one: MachineFacts) -> tuple[Person, ...]:
        """The machine's operators who can be reached today."""
        people = [self._stand_in(self.roster.person(person_id)) for person_id in one.machine.operators]
        return tuple(dict.fromkeys(person for person in people if person is not None and self.can_reach(person)))

    def given_to(self, person_id: str | None) -> Person | None:
        """Whoever does what was given to a person: that person or the deputy; None: nobody can be reached."""
        given = self.roster.find_person(person_id)
        person = self._stand_in(given) if given else None
        return person if person and self.can_reach(person) else None

    def operator(self, one: MachineFacts, last_by: str | None) -> Person | None:
        """The one operator to ask about today: whoever used it last, else the first who can be reached."""
        operators = self.operators(one)
        return next((person for person in operators if person.id == last_by), next(iter(operators), None))

    def can_reach(self, person: Person) -> bool:
        """Whether there is an address that has not been refused."""
        return bool(person.email) and person.id not in self.refused

    def is_quiet(self, person: Person, at: datetime | None = None) -> bool:
        """Whether it is the person's quiet time, now or at another moment."""
        return person.quiet is not None and person.quiet.holds((at or self.now).astimezone(self._zone(person)).time())

    def _stand_in(self, person: Person, seen: frozenset[str] = frozenset()) -> Person | None:
        if person.email is None and person.told_by is not None and person.told_by not in seen:
            return self._stand_in(self.roster.person(person.told_by), seen | {person.id})
        today = self.now.astimezone(self._zone(person)).date()
        for absence in person.absences:
            if absence.first_on <= today <= absence.last_on:
                if absence.deputy is None or absence.deputy in seen:
                    return None
                return self._stand_in(self.roster.person(absence.deputy), seen | {person.id})
        return person

    def _is_on_duty(self, person: Person) -> bool:
        return person.works_weekends or self.now.astimezone(self._zone(person)).weekday() < SATURDAY

    def _zone(self, person: Person) -> ZoneInfo:
        return self.roster.fleet(person.fleet).tz


def last_user(one: MachineFacts) -> str | None:
    """The person who sprayed with it last, if the logbook says so."""
    used = [entry for entry in one.entries if entry.kind is EntryKind.SPRAYED]
    last = max(used, key=lambda entry: entry.happened_at, default=None)
    return (last.on_behalf_of or last.by) if last else None


def name_of(roster: Roster, person_id: str) -> str:
    """A person's name; whoever left the roster is called by the id."""
    person = roster.find_person(person_id)
    return person.name if person else person_id
