"""Can everybody be reached who has to be told?"""

from __future__ import annotations

import re
from collections.abc import Iterator

from carewatch.errors import Fault
from carewatch.roster.document import ABSENT
from carewatch.roster.drafts import FleetDraft, Written
from carewatch.roster.model import Role
from carewatch.roster.tables import Table


def check_reach(draft: FleetDraft) -> Iterator[Fault]:
    """People without an address, and sites, machines or a fleet without anybody who has one."""
    known = {word for person in draft.people if (word := person.text("id")) is not None}
    reachable = {word for person in draft.people if "email" in person.raw and (word := person.text("id")) is not None}
    for person in draft.people:
        yield from _person(person, reachable)
        yield from _absences(person, reachable)
    yield from _managers(draft)
    for site in draft.sites:
        yield from _contacts(site, known, reachable)
    for machine in draft.machines:
        yield from _operators(machine, known, reachable)


def _person(person: Written[Table], reachable: set[str]) -> Iterator[Fault]:
    if "email" in person.raw:
        return
    name = person.text("name") or "this person"
    told_by = person.text("told_by")
    if told_by is None:
        fix = 'Write email = "...", or told_by = "id" of the person who passes messages on by word of mouth.'
        phone = " A telephone alone is not enough: no text messages are sent today." if "phone" in person.raw else ""
        yield person.fault(("email",), ABSENT, f"is missing: nobody can reach {name}.{phone}", fix)
    elif told_by == person.text("id") or told_by not in reachable:
        problem = f"cannot pass messages on to {name}: has no mail address."
        yield person.fault(("told_by",), told_by, problem, "Name somebody else who has one.")


def _absences(person: Written[Table], reachable: set[str]) -> Iterator[Fault]:
    for absence in person.tables("absence"):
        deputy = absence.text("deputy")
        if deputy is not None and deputy == person.text("id"):
            yield absence.fault(("deputy",), deputy, "is the absent person.", "Name somebody else.")
        elif deputy is not None and deputy not in reachable:
            yield absence.fault(("deputy",), deputy, "has no mail address.", "Name somebody who has one.")
        first, last = absence.raw.get("first_on"), absence.raw.get("last_on")
        if all(re.fullmatch(r"\d{4}-\d\d-\d\d", str(day)) for day in (first, last)) and str(first) > str(last):
            yield absence.fault(("last_on",), last, f"is before first_on ({first}).", "Exchange the two dates.")


def _managers(draft: FleetDraft) -> Iterator[Fault]:
    managers = [person for person in draft.people if Role.MANAGER.value in (word for _, word in person.texts("roles"))]
    if draft.people and not managers:
        fix = 'Give at least one person roles = ["manager"]: that person gets the day mail.'
        yield draft.document.fault(("person",), ABSENT, "holds no manager.", fix)
    elif managers and not any("email" in person.raw for person in managers):
        fix = 'Write email = "..." for at least one manager.'
        yield managers[0].fault(("email",), ABSENT, "is missing for every manager: nobody gets the day mail.", fix)


def _contacts(site: Written[Table], known: set[str], reachable: set[str]) -> Iterator[Fault]:
    contacts = [word for _, word in site.texts("contacts")]
    if contacts and known.issuperset(contacts) and not reachable.intersection(contacts):
        fix = "Put a person with a mail address into the list."
        yield site.fault(("contacts",), contacts, "holds nobody who has a mail address.", fix)


def _operators(machine: Written[Table], known: set[str], reachable: set[str]) -> Iterator[Fault]:
    operators = [word for _, word in machine.texts("operators")]
    if known.issuperset(operators) and not reachable.intersection(operators):
        value = operators if "operators" in machine.raw else ABSENT
        problem = "holds nobody who has a mail address: nobody gets the evening message of this machine."
        fix = "Name somebody who has one, a manager if need be."
        yield machine.fault(("operators",), value, problem, fix, is_warning=True)
