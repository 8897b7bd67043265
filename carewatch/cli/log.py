"""`carewatch log`: write an entry into the logbook."""

from __future__ import annotations

import json
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from carewatch.cli.installation import config_option, installation


@click.command(epilog="Example: carewatch log sprayer-3 rinsed sides=front,rear litres=380 --by anna")
@click.argument("machine", required=False)
@click.argument("kind", required=False)
@click.argument("details", nargs=-1, metavar="[NAME=VALUE ...]")
@click.option("--by", help="Who says so (a person id of the roster).")
@click.option("--on-behalf-of", help="For whom, if somebody else did it.")
@click.option("--at", "at_text", help="When it happened, local to the machine: 2026-10-19T19:10 (default: now).")
@click.option("--id", "entry_id", help="Your own id, so that writing it twice is one entry.")
@click.option("--schema", is_flag=True, help="Print the JSON schema of an entry and leave.")
@click.option("--kinds", is_flag=True, help="List the kinds of entries with their fields and leave.")
@click.option("--json", "as_json", is_flag=True, help="Print the entry as JSON.")
@config_option
def log(
    machine: str | None,
    kind: str | None,
    details: tuple[str, ...],
    by: str | None,
    on_behalf_of: str | None,
    at_text: str | None,
    entry_id: str | None,
    schema: bool,
    kinds: bool,
    as_json: bool,
    config: Path,
) -> None:
    """Write an entry: what happened to MACHINE. Lists are written with commas: sides=front,rear."""
    from carewatch.logbook.reading import entry_schema

    if schema:
        click.echo(json.dumps(entry_schema(), indent=2))
        return
    if kinds:
        _list_kinds()
        return
    if machine is None or kind is None or by is None:
        raise click.UsageError("Give MACHINE, KIND and --by PERSON. `carewatch log --kinds` lists the kinds.")
    line: dict[str, Any] = {"machine": machine, "kind": kind, "by": by, "channel": "command", **_fields(kind, details)}
    line |= {name: value for name, value in (("on_behalf_of", on_behalf_of), ("id", entry_id)) if value}
    with installation(config) as (_, work):
        _write(work, line, at_text=at_text, as_json=as_json)


def _write(work: Any, line: dict[str, Any], *, at_text: str | None, as_json: bool) -> None:  # noqa: ANN401  # late import
    from carewatch.logbook.reading import entry_from_json, entry_to_json
    from carewatch.service import clock
    from carewatch.service.answering import write_entry
    from carewatch.service.documents import instant

    now = clock.now()
    happened_at = _moment(work, line["machine"], at_text) if at_text else now
    stamped = {**line, "happened_at": instant(happened_at), "recorded_at": instant(now)}
    entry = entry_from_json(stamped, where="carewatch log")
    is_new, outcome = write_entry(work, entry, now=now)
    if as_json:
        click.echo(json.dumps(entry_to_json(entry)))
        return
    click.echo(f"{'Written' if is_new else 'Already there'}: {entry.machine} {entry.kind.value}, id {entry.id}.")
    for notice in outcome.notices:
        click.echo(f"Message to {notice.person}: {notice.subject}")


def _moment(work: Any, machine: str, text: str) -> datetime:  # noqa: ANN401  # late import
    from carewatch.service.gather import current_roster

    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise click.UsageError(f"--at {text} is not a time; write it like 2026-10-19T19:10.") from error
    if moment.tzinfo is not None:
        return moment
    with work.database.reading() as rx:
        roster = current_roster(work, rx)
    home = next((one.home_site for one in roster.machines if one.id == machine), None) if roster else None
    if roster is None or home is None:
        raise click.UsageError(f"There is no machine {machine} in the roster.")
    return moment.replace(tzinfo=roster.site(home).tz)


def _fields(kind: str, details: tuple[str, ...]) -> dict[str, Any]:
    return dict(_field(kind, detail) for detail in details)


def _field(kind: str, detail: str) -> tuple[str, Any]:
    name, separator, text = detail.partition("=")
    if not separator:
        raise click.UsageError(f"{detail!r} is not NAME=VALUE, such as sides=front,rear.")
    if "tuple" in _types(kind).get(name, ""):
        return name, [part for part in text.split(",") if part]
    if "str" in _types(kind).get(name, "str"):
        return name, text
    try:
        return name, json.loads(text.lower())
    except (ValueError, RecursionError):
        return name, text


def _types(kind: str) -> dict[str, str]:
    from carewatch.logbook.entries import EntryKind
    from carewatch.logbook.kinds import DETAIL_TYPES

    if kind not in EntryKind.__members__.values():
        return {}
    return {one.name: str(one.type) for one in fields(DETAIL_TYPES[EntryKind(kind)])}


def _list_kinds() -> None:
    from carewatch.logbook.entries import EntryKind
    from carewatch.logbook.kinds import HELP

    for kind in EntryKind:
        click.echo(f"{kind.value:20} {HELP[kind]} Fields: {', '.join(_types(kind)) or 'none'}.")
