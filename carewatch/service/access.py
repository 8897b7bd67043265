"""Who may see and do what: the one place that keeps fleets apart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from carewatch.duties.facts import Facts, MachineFacts
from carewatch.notices.notice import NoticeKind
from carewatch.roster.model import Person, Role
from carewatch.service.gather import glance
from carewatch.service.links import SESSION, find_link
from carewatch.service.workplace import Workplace
from carewatch.store import outbox
from carewatch.store.notices import NoticeState
from carewatch.store.outbox import NoticeLine

__all__ = ["NoticeLine", "NoticeState", "Viewer", "notice_lines", "viewer_of"]

SHOWN_FOR = timedelta(days=14)


@dataclass(frozen=True, slots=True, kw_only=True)
class Viewer:
    """Somebody who has signed in, with the facts of this moment."""

    person: Person
    facts: Facts
    now: datetime

    @property
    def leads(self) -> bool:
        """Whether the person decides for the fleet: gives duties away, writes for others, sees who was told what."""
        return bool(self.person.roles & {Role.MANAGER, Role.OWNER})

    @property
    def machines(self) -> tuple[MachineFacts, ...]:
        """The machines the person may see: those of the fleet; an operator's own where that is the only role."""
        own = [one for one in self.facts.machines if one.fleet.id == self.person.fleet and not one.state.is_retired]
        if self.leads or Role.TECHNICIAN in self.person.roles:
            return tuple(own)
        return tuple(one for one in own if self.person.id in one.machine.operators)

    def machine(self, machine_id: str) -> MachineFacts | None:
        """One machine, if the person may see it; to everybody else it does not exist."""
        return next((one for one in self.machines if one.machine.id == machine_id), None)


def notice_lines(work: Workplace, seen: Viewer) -> list[NoticeLine]:
    """The messages of the last two weeks to people of the viewer's fleet, newest first; sign-in links are nobody's."""
    people = {person.id for person in seen.facts.roster.fleet(seen.person.fleet).people}
    with work.database.reading() as rx:
        lines = outbox.lines(rx, since=seen.now - SHOWN_FOR)
    return [line for line in lines if line.person in people and line.kind is not NoticeKind.SIGN_IN]


def viewer_of(work: Workplace, session: str | None, *, now: datetime) -> Viewer | None:
    """Whose session it is; None: nobody's, or the person has left the roster."""
    link = find_link(work, session, kind=SESSION, now=now) if session else None
    gathered = glance(work, now=now) if link is not None else None
    if link is None or gathered is None:
        return None
    person = gathered.facts.roster.find_person(link.person)
    return None if person is None else Viewer(person=person, facts=gathered.facts, now=now)
