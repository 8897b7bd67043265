"""Entries written in a form: its fields, what was written in them, and the paper link of a machine."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from datetime import datetime
from typing import Any

from carewatch.duties.facts import MachineFacts
from carewatch.errors import BadInput
from carewatch.logbook.entries import Channel, Entry, EntryKind
from carewatch.logbook.kinds import DETAIL_TYPES, FOR_PROGRAMS, choices_of
from carewatch.logbook.reading import entry_from_json
from carewatch.roster.model import Machine, Person
from carewatch.service.documents import instant
from carewatch.service.links import FOR_EVER, MACHINE, new_token
from carewatch.service.workplace import Workplace
from carewatch.store import links

WHOEVER = "-"  # stands before the machine


@dataclass(frozen=True, slots=True, kw_only=True)
class FormField:
    """One field of a form. `choices`: value and words; `is_many`: several of them; without choices it is written."""

    name: str
    label: str
    is_required: bool
    input: str
    choices: tuple[tuple[str, str], ...] = ()
    is_many: bool = False


def fields_of(kind: EntryKind, machine: Machine) -> tuple[FormField, ...]:
    """What can be said with a kind of entry about a machine."""
    return tuple(
        _field(one.name, str(one.type), machine, is_required=one.default is MISSING, words=choices_of(kind, one.name))
        for one in fields(DETAIL_TYPES[kind])
        if one.name not in FOR_PROGRAMS
    )


def _field(name: str, told_as: str, machine: Machine, *, is_required: bool, words: tuple[str, ...]) -> FormField:
    label = name.replace("_", " ")
    if words:
        choices = tuple((word, word.replace("_", " ")) for word in words)
        return FormField(name=name, label=label, is_required=is_required, input="choice", choices=choices)
    if "bool" in told_as:
        choices = (("true", "yes"), ("false", "no"))
        return FormField(name=name, label=label, is_required=is_required, input="choice", choices=choices)
    if name == "sides":
        sides = tuple((side.key, side.label) for side in machine.sides)
        return FormField(name=name, label=label, is_required=is_required, input="choice", choices=sides, is_many=True)
    if "tuple" in told_as:
        return FormField(name=name, label=f"{label}, apart by commas", is_required=is_required, input="text")
    if "datetime" in told_as:
        return FormField(name=name, label=label, is_required=is_required, input="datetime-local")
    is_number = "float" in told_as or "int" in told_as
    return FormField(name=name, label=label, is_required=is_required, input="number" if is_number else "text")


def entry_of_form(
    one: MachineFacts, kind: EntryKind, form: Mapping[str, str], *, by: Person, leads: bool, now: datetime
) -> Entry:
    """The entry a form stands for; BadInput names every field that does not fit."""
    tap = "".join(letter for letter in form.get("tap", "") if letter.isalnum() or letter in "-_")[:40]
    if len(tap) < 8:
        raise BadInput("The form was not complete. Open the page again.")
    line: dict[str, Any] = {
        "id": f"form|{by.id}|{one.machine.id}|{tap}",
        "machine": one.machine.id,
        "kind": kind.value,
        "by": by.id,
        "channel": Channel.PAGE.value,
        "happened_at": instant(_local(one, form.get("at", ""), now)),
        "recorded_at": instant(now),
    }
    if leads and form.get("on_behalf_of"):
        line["on_behalf_of"] = form["on_behalf_of"]
    for column in fields(DETAIL_TYPES[kind]):
        told = form.get(column.name, "").strip()
        if told:
            is_word = bool(choices_of(kind, column.name))
            line[column.name] = told if is_word else _value(one, column.name, str(column.type), told, now)
    return entry_from_json(line, where=f"{one.machine.name}, {kind.value.replace('_', ' ')}")


def _value(one: MachineFacts, name: str, told_as: str, told: str, now: datetime) -> object:
    if "tuple" in told_as:
        return [part.strip() for part in told.split(",") if part.strip()]
    if "datetime" in told_as:
        return instant(_local(one, told, now))
    if "str" in told_as:
        return told
    try:
        return json.loads(told.lower().replace(",", "."))
    except (ValueError, RecursionError):
        raise BadInput(f"{name.replace('_', ' ')}: {told!r} is no number. Write figures only.") from None


def _local(one: MachineFacts, text: str, now: datetime) -> datetime:
    """An instant on the clock of the site; nothing written: now."""
    if not text:
        return now
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(f"{text!r} is no time. Write it like 2026-10-19T19:10.") from None
    return moment if moment.utcoffset() is not None else moment.replace(tzinfo=one.site.tz)


def link_of_machine(work: Workplace, machine: str, *, pages_url: str, now: datetime) -> str:
    """A new address of a machine's evening page; the one before stops working."""
    purpose = f"{MACHINE}|{machine}"
    with work.database.transaction() as tx:
        links.revoke_purpose(tx, purpose, at=now)
    return f"{pages_url}/m/{new_token(work, person=WHOEVER, purpose=purpose, until=now + FOR_EVER)}"
