"""Lines of the logbook: JSON to entries and back, and what is wrong with those that do not fit."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from enum import StrEnum
from typing import Any
from uuid import UUID, uuid5

from pydantic import BaseModel, ValidationError

from carewatch.errors import BadInput, Fault, FaultyFiles
from carewatch.logbook.care_checks import Misfit, empty_details, misfits
from carewatch.logbook.entries import (
    AntifreezeRun,
    Assigned,
    BlownOut,
    Channel,
    Declined,
    Drained,
    Entry,
    EntryKind,
    Filled,
    HoursRead,
    Moved,
    Opened,
    Promised,
    Remark,
    Rinsed,
    RiskAccepted,
    Sprayed,
    StrengthMeasured,
)
from carewatch.logbook.kinds import DETAIL_TYPES
from carewatch.logbook.line_models import Line, line_model
from carewatch.roster.model import Machine, Roster, Site

MAY_BE_AHEAD = timedelta(minutes=10)  # chosen: how far a phone's clock may run ahead of ours
_IDS = UUID("3d1f6a0e-8c39-5b0e-9a44-5a6f0a7a9c11")  # made once for this logbook; ids of lines without one
_COMMON = ("id", "machine", "kind", "happened_at", "recorded_at", "by", "on_behalf_of", "channel")


def read_logbook(text: str, *, file: str, roster: Roster | None = None) -> tuple[Entry, ...]:
    """Entries of a file with one JSON object a line; FaultyFiles lists everything wrong in it."""
    entries: list[Entry] = []
    faults: list[Fault] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        try:
            entry = _parsed(_json_object(line, file=file, number=number), file=file, number=number)
        except FaultyFiles as trouble:
            faults += trouble.faults
            continue
        entries.append(entry)
        if roster is not None:
            faults += check_entry(entry, roster, file=file, line=number)
    if any(not fault.is_warning for fault in faults):
        raise FaultyFiles(faults)
    return tuple(entries)


def entry_from_json(line: Mapping[str, Any], *, where: str) -> Entry:
    """The entry of one JSON object; BadInput names every field that does not fit. `where` tells where it came from."""
    try:
        return _parsed(line, file=where, number=None)
    except FaultyFiles as trouble:
        raise BadInput(str(trouble)) from trouble


def entry_to_json(entry: Entry) -> dict[str, Any]:
    """One flat JSON object; what was not said is left out."""
    values: dict[str, Any] = {
        "id": entry.id,
        "machine": entry.machine,
        "kind": entry.kind.value,
        "happened_at": _utc_text(entry.happened_at),
        "recorded_at": _utc_text(entry.recorded_at),
        "by": entry.by,
        "on_behalf_of": entry.on_behalf_of,
        "channel": entry.channel.value,
    }
    for column in fields(entry.detail):
        values[column.name] = _plain(getattr(entry.detail, column.name))
    return {name: value for name, value in values.items() if value is not None}


def entry_schema() -> dict[str, Any]:
    """JSON Schema of a line: one form for each kind."""
    forms = [line_model(kind).model_json_schema() for kind in EntryKind]
    shared: dict[str, Any] = {}
    for form in forms:
        shared |= form.pop("$defs", {})
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "One line of logbook.jsonl",
        "description": "recorded_at left out: recorded when it happened. id left out: made from the content.",
        "oneOf": forms,
        "$defs": shared,
    }


# ---------------------------------------------------------------- parsing


def _json_object(line: str, *, file: str, number: int) -> Mapping[str, Any]:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError) as trouble:
        raise FaultyFiles([_fault(file, number, "line", line[:60], f"is not JSON ({trouble}).", _ONE_LINE)]) from None
    if not isinstance(found, dict):
        raise FaultyFiles([_fault(file, number, "line", line[:60], "is not a JSON object.", _ONE_LINE)])
    return found


_ONE_LINE = 'Write one object a line: {"machine": ..., "kind": ..., "happened_at": ..., "by": ...}.'


def _parsed(line: Mapping[str, Any], *, file: str, number: int | None) -> Entry:
    kind = _kind(line, file=file, number=number)
    model = line_model(kind)
    try:
        told = model.model_validate(dict(line))
    except ValidationError as trouble:
        raise FaultyFiles(_faults_of(trouble, model, file=file, number=number)) from None
    entry = _entry(kind, told)
    faults = _time_faults(entry, file, number) + _detail_faults(entry, file, number)
    if faults:
        raise FaultyFiles(faults)
    return entry


def _kind(line: Mapping[str, Any], *, file: str, number: int | None) -> EntryKind:
    word = line.get("kind")
    kinds = [kind.value for kind in EntryKind]
    if isinstance(word, str) and word in kinds:
        return EntryKind(word)
    problem = "is missing." if word is None else "is not a kind of entry."
    raise FaultyFiles([_fault(file, number, "kind", _shown(word), problem, _nearest(word, kinds))])


def _entry(kind: EntryKind, told: Line) -> Entry:
    detail_type = DETAIL_TYPES[kind]
    detail = detail_type(**{column.name: getattr(told, column.name) for column in fields(detail_type)})
    entry = Entry(
        id=told.id or "",
        machine=told.machine,
        kind=kind,
        happened_at=told.happened_at,
        recorded_at=told.recorded_at or told.happened_at,
        by=told.by,
        on_behalf_of=told.on_behalf_of,
        channel=Channel(told.channel),
        detail=detail,
    )
    return entry if told.id else _with_own_id(entry)


def _with_own_id(entry: Entry) -> Entry:
    """The same words give the same id, whenever they arrive."""
    content = {name: value for name, value in entry_to_json(entry).items() if name not in ("id", "recorded_at")}
    own = str(uuid5(_IDS, json.dumps(content, sort_keys=True)))
    return Entry(**{column.name: getattr(entry, column.name) for column in fields(entry)} | {"id": own})


_EMPTY = ("too_short", "string_too_short")  # what pydantic calls a list or a text without anything in it
_NOTHING_TO_SHOW = (*_EMPTY, "missing")


def _faults_of(trouble: ValidationError, model: type[BaseModel], *, file: str, number: int | None) -> list[Fault]:
    faults = []
    for found in trouble.errors(include_url=False):
        field = ".".join(str(step) for step in found["loc"]) or "line"
        if found["type"] == "extra_forbidden":
            problem, fix = "does not belong to this kind.", _nearest(field, list(model.model_fields))
        elif found["type"] == "carewatch":
            problem, fix = str(found["ctx"]["problem"]), str(found["ctx"]["fix"])
        elif found["type"] == "missing":
            problem, fix = "is missing.", "Add it."
        elif found["type"] in _EMPTY:
            problem, fix = "is empty.", "Write at least one word."
        else:
            problem, fix = "does not fit.", found["msg"].replace("Input should", "It must") + "."
        value = "" if found["type"] in _NOTHING_TO_SHOW else _shown(found["input"])
        faults.append(_fault(file, number, field, value, problem, fix))
    return faults


def _time_faults(entry: Entry, file: str, number: int | None) -> list[Fault]:
    ahead = entry.happened_at - entry.recorded_at
    if ahead <= MAY_BE_AHEAD:
        return []
    problem = f"lies {ahead} after it was recorded ({_utc_text(entry.recorded_at)})."
    return [_fault(file, number, "happened_at", _utc_text(entry.happened_at), problem, "Write when it happened.")]


def _detail_faults(entry: Entry, file: str, number: int | None) -> list[Fault]:
    detail = entry.detail
    if isinstance(detail, StrengthMeasured) and detail.first_ice_c is None and detail.strength_vol_pct is None:
        fix = "Write first_ice_c (°C, as read) or strength_vol_pct (0 to 100)."
        return [_fault(file, number, "first_ice_c", "", "and strength_vol_pct are both missing.", fix)]
    if isinstance(detail, HoursRead) and detail.from_zero and detail.counter is None:
        fix = "Name the counter that began at 0, such as the task; the one people read never does."
        return [_fault(file, number, "counter", "", "is missing, but from_zero is true.", fix)]
    return [_fault_of(misfit, file, number) for misfit in empty_details(detail)]


# ---------------------------------------------------------------- against the roster


def check_entry(entry: Entry, roster: Roster, *, file: str = "entry", line: int | None = None) -> tuple[Fault, ...]:
    """What does not fit the roster or cannot be; empty if all is well."""
    faults = _form_faults(entry, file, line)
    machines = [machine.id for machine in roster.machines]
    if entry.machine not in machines:
        problem = "is no machine of the roster."
        return (*faults, _fault(file, line, "machine", entry.machine, problem, _nearest(entry.machine, machines)))
    machine = roster.machine(entry.machine)

    def unknown(field: str, value: object, problem: str, known: Iterable[str]) -> None:
        faults.append(_fault(file, line, field, str(value), problem, _nearest(value, list(known))))

    _check_sides(entry, machine, unknown)
    _check_parts(entry, machine, unknown)
    _check_numbers(entry, machine, unknown)
    _check_place(entry, machine, roster, unknown)
    faults += [_fault_of(one, file, line) for one in misfits(entry.detail, machine, roster.fleet(machine.fleet))]
    faults += _duty_faults(entry, machine, file, line)
    return tuple(faults)


Unknown = Callable[[str, object, str, Iterable[str]], None]


def _form_faults(entry: Entry, file: str, line: int | None) -> list[Fault]:
    """What would be wrong with the entry as a line: entries made from forms and answers pass the same gate."""
    try:
        _parsed(entry_to_json(entry), file=file, number=line)
    except FaultyFiles as trouble:
        return list(trouble.faults)
    return []


def _check_sides(entry: Entry, machine: Machine, unknown: Unknown) -> None:
    match entry.detail:
        case Sprayed(sides=sides) | Rinsed(sides=sides) | BlownOut(sides=sides) | AntifreezeRun(sides=sides):
            told: Sequence[str | None] = sides or ()
        case StrengthMeasured(side=side) | HoursRead(side=side) | Remark(side=side):
            told = (side,)
        case _:
            return
    for side in told:
        if side is not None and side not in machine.side_keys:
            unknown("side", side, f"is no valve side of {machine.id}.", machine.side_keys)


def _check_parts(entry: Entry, machine: Machine, unknown: Unknown) -> None:
    if isinstance(entry.detail, Filled | Drained):
        for part in entry.detail.where:
            if part not in machine.wetted_parts:
                unknown("where", part, f"is no part of {machine.id} that holds liquid.", machine.wetted_parts)


def _check_numbers(entry: Entry, machine: Machine, unknown: Unknown) -> None:
    if isinstance(entry.detail, StrengthMeasured) and not 1 <= entry.detail.section <= len(machine.sections):
        sections = (str(number) for number in range(1, len(machine.sections) + 1))
        unknown("section", entry.detail.section, f"is no section of {machine.id}.", sections)
    if isinstance(entry.detail, Opened | Remark):
        position = entry.detail.position
        if position is not None and not 1 <= position <= machine.positions:
            unknown("position", position, f"is no position of {machine.id}.", (f"1 to {machine.positions}",))


def _check_place(entry: Entry, machine: Machine, roster: Roster, unknown: Unknown) -> None:
    if not isinstance(entry.detail, Moved):
        return
    sites = {site.id: site for site in roster.fleet(machine.fleet).sites}
    site = sites.get(entry.detail.site)
    if site is None:
        unknown("site", entry.detail.site, "is no site of this fleet.", sites)
    elif entry.detail.place is not None and entry.detail.place not in _places(site):
        unknown("place", entry.detail.place, f"is no place at {site.id}.", _places(site))


def _duty_faults(entry: Entry, machine: Machine, file: str, line: int | None) -> list[Fault]:
    """A duty's key names its machine second: written under another machine, the answer would count for nobody."""
    if not isinstance(entry.detail, Assigned | Promised | RiskAccepted | Declined):
        return []
    what, bar, rest = entry.detail.duty.partition("|")
    whose, _, when = rest.partition("|")
    if not bar or whose == machine.id:
        return []
    problem = f"is a duty of {whose or 'no machine'}, not of {machine.id}."
    fix = f"Did you mean {what}|{machine.id}|{when}?" if when else "Copy the duty's key whole."
    return [_fault(file, line, "duty", entry.detail.duty, problem, fix)]


def _places(site: Site) -> tuple[str, ...]:
    return tuple(place.id for place in site.places)


# ---------------------------------------------------------------- words


def _fault(file: str, line: int | None, field: str, value: str, problem: str, fix: str) -> Fault:
    return Fault(file=file, line=line, field=field, value=value, problem=problem, fix=fix)


def _fault_of(misfit: Misfit, file: str, line: int | None) -> Fault:
    fix = _nearest(misfit.value, misfit.known) if misfit.known else misfit.fix
    return _fault(file, line, misfit.field, str(misfit.value), misfit.problem, fix)


def _nearest(word: object, known: Sequence[str]) -> str:
    near = get_close_matches(str(word).lower(), known, n=1, cutoff=0.5)
    if near:
        return f"Did you mean {near[0]}?"
    return f"Write one of: {', '.join(known)}." if known else "There is none yet."


def _shown(value: object) -> str:
    if value is None:
        return ""
    shown = value if isinstance(value, str) else repr(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."


def _utc_text(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return _utc_text(value)
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    if is_dataclass(value) and not isinstance(value, type):
        told = {column.name: _plain(getattr(value, column.name)) for column in fields(value)}
        return {name: one for name, one in told.items() if one is not None}
    return value
