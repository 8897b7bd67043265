"""Do parts, revisions and prices of a fleet fit together, and may those who look after it see it?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from carewatch.errors import Fault
from carewatch.roster.document import ABSENT, advice
from carewatch.roster.drafts import FleetDraft, Written
from carewatch.roster.model import Role
from carewatch.roster.part_tables import RevisionTable
from carewatch.roster.parts import PartKind
from carewatch.roster.tables import Table

KINDS = tuple(kind.value for kind in PartKind)
Tables = Sequence[Written[Table]]


def check_parts(draft: FleetDraft) -> Iterator[Fault]:
    """References and prices of the parts and revisions of one fleet."""
    machines, sides = _ids(draft.machines), _sides(draft.machines)
    parts, revisions = _ids(draft.parts), _ids(draft.revisions)
    for part in draft.parts:
        yield from _named_like_a_kind(part)
        yield from _listed(part, "sides", sides, "side of any machine here")
        yield from _listed(part, "comes_with", revisions, "revision here")
        yield from _spares(part, machines)
    for revision in draft.revisions:
        yield from _listed(revision, "machines", machines, "machine of this fleet")
        yield from _listed(revision, "sides", sides, "side of any machine here")
        yield from _known(revision, "part", parts, "part here")
        yield from _fitting_part(revision, draft.parts)
        yield from _payer(revision)
    yield from _currency(draft)


def check_technicians(drafts: Sequence[FleetDraft]) -> Iterator[Fault]:
    """Whoever `seen_by` names is a technician of some fleet."""
    people = {word: person for draft in drafts for person in draft.people if (word := person.text("id")) is not None}
    for draft in drafts:
        yield from draft.fleet.twice("seen_by")
        for path, word in draft.fleet.texts("seen_by"):
            person = people.get(word)
            if person is None:
                fix = advice(word, people, otherwise="Add the person to the fleet he belongs to.")
                yield draft.fleet.fault(path, word, "is not the id of a person in any fleet file.", fix)
            elif Role.TECHNICIAN.value not in (role for _, role in person.texts("roles")):
                problem = "is no technician: only a technician may see fleets of others."
                yield draft.fleet.fault(path, word, problem, 'Add "technician" to the roles there, or delete it here.')


def _ids(tables: Tables) -> list[str]:
    return [word for table in tables if (word := table.text("id")) is not None]


def _sides(machines: Tables) -> list[str]:
    found: dict[str, None] = {}
    for machine in machines:
        found |= dict.fromkeys([side for _, side in machine.texts("sides")] or ["front", "rear"])
    return list(found)


def _listed(table: Written[Table], key: str, known: list[str], kind: str) -> Iterator[Fault]:
    yield from table.twice(key)
    for path, word in table.texts(key):
        if word not in known:
            yield table.fault(path, word, f"is no {kind}.", advice(word, known))


def _known(table: Written[Table], key: str, known: list[str], kind: str) -> Iterator[Fault]:
    word = table.text(key)
    if word is not None and word not in known:
        yield table.fault((key,), word, f"is no {kind}.", advice(word, known))


def _named_like_a_kind(part: Written[Table]) -> Iterator[Fault]:
    word, renews = part.text("id"), [kind for _, kind in part.texts("replaces")]
    yield from part.twice("replaces")
    if word in KINDS and word not in renews:
        problem = f"is the word for a kind of part, but this one replaces {', '.join(renews) or 'another one'}."
        yield part.fault(("id",), word, problem, f'Choose another id, such as "{word}-kit".')


def _spares(part: Written[Table], machines: list[str]) -> Iterator[Fault]:
    told = part.raw.get("min_stock_of")
    for machine, spares in told.items() if isinstance(told, dict) else ():
        if machine not in machines:
            problem = "is no machine of this fleet."
            yield part.fault(("min_stock_of", machine), spares, problem, advice(machine, machines))


def _fitting_part(revision: Written[RevisionTable], parts: Tables) -> Iterator[Fault]:
    word, of = revision.text("part"), revision.text("of")
    part = next((one for one in parts if one.text("id") == word), None)
    if part is None or of is None:
        return
    renews = [kind for _, kind in part.texts("replaces")]
    if of not in renews and PartKind.BODY.value not in renews:
        problem = f"does not renew a {of.replace('_', ' ')}."
        yield revision.fault(("part",), word, problem, "Name a part that does, or add it to its replaces.")


def _payer(revision: Written[RevisionTable]) -> Iterator[Fault]:
    if "paid_until" in revision.raw and "paid_by" not in revision.raw:
        problem = "says until when, but not who pays."
        yield revision.fault(("paid_until",), revision.raw["paid_until"], problem, 'Write paid_by = "..." as well.')


def _currency(draft: FleetDraft) -> Iterator[Fault]:
    priced = next((part for part in draft.parts if "price" in part.raw), None)
    if priced is not None and "currency" not in draft.fleet.raw:
        fix = 'Write currency = "USD" (or yours) under [fleet].'
        yield draft.fleet.fault(("currency",), ABSENT, "is missing, but parts have prices.", fix)
