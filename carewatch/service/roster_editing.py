"""Editing people, machines and sites on a page: back into the fleet file with its remarks, checked as always."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from shutil import copymode
from typing import Any, get_args, get_origin

import tomlkit
from pydantic.fields import FieldInfo
from tomlkit.items import AoT
from tomlkit.items import Table as TomlTable

from carewatch.errors import BadInput
from carewatch.roster.files import FoundFiles, fingerprint_of, read_texts
from carewatch.roster.model import Person
from carewatch.roster.reading import parse_roster
from carewatch.roster.tables import MachineTable, PersonTable, SiteTable, Table
from carewatch.service.roster_files import take_in_roster
from carewatch.service.workplace import Workplace
from carewatch.store import rosters
from carewatch.store.rosters import RosterChange


class Kind(StrEnum):
    """What can be edited here; fleets, places, absences and figures of parts are edited in the file."""

    PERSON = "person"
    MACHINE = "machine"
    SITE = "site"


MODELS: Mapping[Kind, type[Table]] = {Kind.PERSON: PersonTable, Kind.MACHINE: MachineTable, Kind.SITE: SiteTable}
MAY_BE_NEW = frozenset({Kind.PERSON, Kind.MACHINE})  # a site needs its places, which are written in the file
IN_THE_FILE = frozenset({"place", "absence", "figures", "side_labels", "iso_sides"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of a table as a form shows it. `as_written`: the text in the field."""

    name: str
    hint: str
    is_required: bool
    is_list: bool
    is_yes_no: bool
    as_written: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetFile:
    """The file of one fleet, and the ids in it; `digest` tells whether it changed since it was looked at."""

    path: Path
    text: str
    digest: str
    ids: Mapping[Kind, tuple[str, ...]]


def fleet_file(paths: tuple[Path, ...], fleet: str) -> FleetFile:
    """The file that holds a fleet; BadInput if none does or it cannot be read."""
    for name, text in _texts(paths).texts.items():
        if not name.endswith(".toml"):
            continue
        document = _parsed(text)
        told = document.get("fleet", {})
        if isinstance(told, Mapping) and told.get("id") == fleet:
            ids = {kind: tuple(str(one.get("id", "")) for one in _tables(document, kind)) for kind in Kind}
            return FleetFile(path=Path(name), text=text, digest=_digest(text), ids=ids)
    raise BadInput("The file of this fleet is not where the settings say. Run `carewatch check` on the computer.")


def keys_of(file: FleetFile, kind: Kind, own_id: str | None) -> tuple[Key, ...]:
    """The keys of one entry (None: a new one); BadInput if there is no such entry in the file."""
    table = _found(_parsed(file.text), kind, own_id) if own_id is not None else {}
    return tuple(
        _key(name, field, table.get(name))
        for name, field in MODELS[kind].model_fields.items()
        if name not in IN_THE_FILE and (name != "id" or own_id is None)
    )


def change(
    work: Workplace,
    paths: tuple[Path, ...],
    file: FleetFile,
    kind: Kind,
    own_id: str | None,
    told: Mapping[str, str],
    *,
    by: Person,
    now: datetime,
) -> None:
    """Write one entry back. FaultyFiles: what `check` would name; BadInput: somebody was faster; nothing is written."""
    if told.get("digest") != file.digest:
        raise BadInput("Somebody changed the file in the meantime. Look at it again, then write your change.")
    document = _parsed(file.text)
    before = "" if own_id is None else _found(document, kind, own_id).as_string()
    table = _new(document, kind) if own_id is None else _found(document, kind, own_id)
    for name, field in MODELS[kind].model_fields.items():
        if name in told and name not in IN_THE_FILE and (name != "id" or own_id is None):
            _set(table, name, field, told[name].strip())
    text = tomlkit.dumps(document)
    found = _texts(paths)
    parse_roster({**found.texts, file.path.as_posix(): text}, found.faults)
    _write(file.path, text)
    key = own_id or str(table.get("id", ""))
    with work.database.transaction() as tx:
        rosters.note_change(
            tx,
            RosterChange(
                fleet=by.fleet,
                entry=f"{kind.value} {key}",
                person=by.id,
                before=before,
                after=table.as_string(),
                at=now,
            ),
        )
    take_in_roster(work, paths, now=now)


def _texts(paths: tuple[Path, ...]) -> FoundFiles:
    return read_texts([path.resolve() for path in paths])


def _digest(text: str) -> str:
    return fingerprint_of(FoundFiles(texts={"": text}, faults=()))[:24]


def _parsed(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except tomlkit.exceptions.TOMLKitError as error:
        raise BadInput(f"The fleet file cannot be read as TOML: {error}. Correct it in the file.") from error


def _tables(document: tomlkit.TOMLDocument, kind: Kind) -> list[TomlTable]:
    found = document.get(kind.value)
    return list(found) if isinstance(found, AoT) else []


def _found(document: tomlkit.TOMLDocument, kind: Kind, own_id: str) -> TomlTable:
    for table in _tables(document, kind):
        if table.get("id") == own_id:
            return table
    raise BadInput(f"{own_id} does not stand in the fleet file (a CSV of machines is edited in a spreadsheet).")


def _new(document: tomlkit.TOMLDocument, kind: Kind) -> TomlTable:
    if kind not in MAY_BE_NEW:
        raise BadInput("A new site is written in the file, with its places.")
    table = tomlkit.table()
    if kind.value not in document:
        document.append(kind.value, tomlkit.aot())
    listed = document[kind.value]
    if not isinstance(listed, AoT):
        raise BadInput(f"{kind.value} in the fleet file is not a list of tables. Correct it in the file.")
    listed.append(table)
    return listed[-1]


def _key(name: str, field: FieldInfo, value: Any) -> Key:  # noqa: ANN401  # whatever a person wrote
    shape = _shape(field)
    hint = field.description or ""
    if field.examples:
        hint = f"{hint}{', ' if hint else ''}such as {_written(field.examples[0])}"
    return Key(
        name=name,
        hint=hint,
        is_required=field.is_required(),
        is_list=shape == "list",
        is_yes_no=shape == "bool",
        as_written="" if value is None else _written(value),
    )


def _shape(field: FieldInfo) -> str:
    """What a value is: list, bool, int, float or text."""
    options = [one for one in (get_args(field.annotation) or (field.annotation,)) if one is not type(None)]
    if get_origin(field.annotation) is list or any(get_origin(one) is list for one in options):
        return "list"
    return next((name for kind, name in ((bool, "bool"), (int, "int"), (float, "float")) if kind in options), "text")


def _written(value: Any) -> str:  # noqa: ANN401
    if isinstance(value, list):
        return ", ".join(map(_written, value))
    return str(value).lower() if isinstance(value, bool) else str(value)


def _set(table: TomlTable, name: str, field: FieldInfo, text: str) -> None:
    """Write a key as it was meant; an empty field takes the key away; what did not change keeps its comment."""
    if _written(table.get(name)) == text if name in table else not text:
        return
    if not text:
        table.remove(name)
        return
    shape = _shape(field)
    if shape == "list":
        parts = [part for part in (one.strip() for one in text.split(",")) if part]
        table[name] = [_number(part) for part in parts] if "int" in str(field.annotation) else parts
    elif shape == "bool":
        table[name] = text == "true"
    elif shape in ("int", "float"):
        table[name] = _number(text)
    else:
        table[name] = text


def _number(text: str) -> int | float | str:
    """A number where it is one; else the text, which the checks then name."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _write(path: Path, text: str) -> None:
    """The whole file or none of it."""
    half = path.with_suffix(".part")
    try:
        with half.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        copymode(path, half)
        half.replace(path)
    except OSError as error:
        raise BadInput(f"{path.name} cannot be written: {error.strerror}. Nothing was changed.") from error
