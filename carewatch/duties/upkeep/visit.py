"""The question a technician leaves behind answered: what is in it now? Service fills, drains and tests machines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from carewatch.duties.facts import MachineFacts, local_day
from carewatch.logbook.entries import Entry, EntryKind, Remark
from carewatch.logbook.order import CHANGES_CONTENTS, effective_at
from carewatch.roster.model import Machine

WORK = frozenset(
    {
        EntryKind.OPENED,
        EntryKind.CONNECTORS_CHECKED,
        EntryKind.INSPECTED,
        EntryKind.PART_REPLACED,
        EntryKind.REVISION_FITTED,
    }
)
LEFT_AS_FOUND = "left as found"


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One answer: the entry it stands for. `asks`: fields of that entry the person still has to say."""

    words: str
    kind: EntryKind
    told: Mapping[str, object]
    asks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LeaveBehind:
    """What is asked when a visit ends, and the answers."""

    machine: str
    question: str
    choices: tuple[Choice, ...]


def leave_behind(one: MachineFacts, person: str, *, day: object) -> LeaveBehind | None:
    """The question, if this person worked on the nozzle bodies that local day and nobody said since what is in it."""
    worked = [entry for entry in one.entries if _is_work_of(entry, person, one, day)]
    if not worked:
        return None
    last_at = max(effective_at(entry) for entry in worked)
    if any(_says_contents(entry) and effective_at(entry) >= last_at for entry in one.entries):
        return None
    return LeaveBehind(
        machine=one.machine.id, question=f"What is in {one.machine.name} now?", choices=choices_for(one.machine)
    )  # fmt: skip


def choices_for(machine: Machine) -> tuple[Choice, ...]:
    """The answers for one machine; whoever is not sure says product, which counts as wet."""
    sides = list(machine.side_keys)

    def choice(words: str, kind: EntryKind, asks: tuple[str, ...] = (), **told: object) -> Choice:
        return Choice(words=words, kind=kind, told=MappingProxyType(told), asks=asks)

    return (
        choice("As I found it", EntryKind.STEP_DONE, text=LEFT_AS_FOUND),
        choice("Water, run through every side", EntryKind.RINSED, sides=sides),
        choice("Water in the tank, from a test", EntryKind.FILLED, liquid="water"),
        choice("Air went through every side", EntryKind.BLOWN_OUT, sides=sides),
        choice(
            "Antifreeze through every side", EntryKind.ANTIFREEZE_RUN, ("fluid", "strength_vol_pct", "litres"),
            sides=sides,
        ),
        choice("Product, or not sure", EntryKind.FILLED, liquid="product"),
    )  # fmt: skip


def _is_work_of(entry: Entry, person: str, one: MachineFacts, day: object) -> bool:
    is_theirs = person in (entry.by, entry.on_behalf_of)
    return is_theirs and entry.kind in WORK and local_day(effective_at(entry), one.site.tz) == day


def _says_contents(entry: Entry) -> bool:
    if entry.kind in CHANGES_CONTENTS:
        return True
    is_step = entry.kind is EntryKind.STEP_DONE and isinstance(entry.detail, Remark)
    return is_step and getattr(entry.detail, "text", "").casefold().startswith(LEFT_AS_FOUND)
