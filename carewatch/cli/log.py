"""`carewatch log`: write an entry into the logbook."""

from __future__ import annotations

import json
from dataclasses import MISSING, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from carewatch.cli.installation import config_option, installation

if TYPE_CHECKING:
    from carewatch.logbook.entries import Entry
    from carewatch.service.workplace import Workplace

NOT_FIELDS = {  # what every entry has besides the fields of its kind -> where it is said here
    "machine": "is said first",
    "kind": "is said second",
    "by": "is said by --by",
    "on_behalf_of": "is said by --on-behalf-of",
    "happened_at": "is said by --at",
    "id": "is said by --id",
    "recorded_at": "is always now",
    "channel": "is always this command",
}


@click.command(epilog="Example: carewatch log sprayer-3 rinsed sides=front,rear litres=380 --by ana")
@click.argument("machine", required=False)
@click.argument("kind", required=False)
@click.argument("details", nargs=-1, metavar="[NAME=VALUE ...]")
@click.option("--by", help="Who says so (a person id of the roster).")
@click.option("--on-behalf-of", help="For whom, if somebody else did it.")
@click.option(
    "--at", "at_text", help="When it happened, on the clock of its home site: 2026-10-19T19:10 (default: now)."
)
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
    """Write an entry: what happened to MACHINE.

    Lists are written with commas (sides=front,rear), times on the clock of its home site (by_at=2026-10-20T18:30).
    """
    from carewatch.logbook.reading import entry_schema

    if schema:
        click.echo(json.dumps(entry_schema(), indent=2))
        return
    if kinds:
        _list_kinds()
        return
    if machine is None or kind is None or by is None:
        raise click.UsageError("Give MACHINE, KIND and --by PERSON. `carewatch log --kinds` lists the kinds.")
    line = {"machine": machine, "kind": kind, "by": by, "channel": "command", **_fields(kind, details)}
    line |= {name: value for name, value in (("on_behalf_of", on_behalf_of), ("id", entry_id)) if value}
    with installation(config) as (_, work):
        _write(work, line, at_text=at_text, as_json=as_json)


def _write(work: Workplace, line: dict[str, Any], *, at_text: str | None, as_json: bool) -> None:
    from carewatch.logbook.reading import entry_from_json, entry_to_json
    from carewatch.service import clock
    from carewatch.service.answering import write_entry
    from carewatch.service.documents import instant

    now = clock.now()
    machine, types = line["machine"], _types(line["kind"])
    told = {
        name: instant(_moment(work, machine, name, text)) if types.get(name) == "datetime" else text
        for name, text in line.items()
    }
    happened_at = _moment(work, machine, "--at", at_text) if at_text else now
    stamped = {**told, "happened_at": instant(happened_at), "recorded_at": instant(now)}
    entry = entry_from_json(stamped, where="carewatch log")
    is_new, outcome = write_entry(work, entry, now=now)
    _warn_of_no_antifreeze(entry)
    _warn_of_few_positions(entry)
    if as_json:
        click.echo(json.dumps(entry_to_json(entry)))
        return
    click.echo(f"{'Written' if is_new else 'Already there'}: {entry.machine} {entry.kind.value}, id {entry.id}.")
    for notice in outcome.notices:
        click.echo(f"Message to {notice.person}: {notice.subject}")


def _warn_of_no_antifreeze(entry: Entry) -> None:
    """A slip in the name would otherwise show only when the machine is told to be wet after all."""
    from carewatch.fluids.liquid import LiquidKind
    from carewatch.fluids.naming import ANTIFREEZE_KEYS, liquid_named
    from carewatch.logbook.entries import AntifreezeRun

    if isinstance(entry.detail, AntifreezeRun):
        fluid = entry.detail.fluid
        if liquid_named(fluid).kind is not LiquidKind.ANTIFREEZE:
            known = ", ".join(sorted(set(ANTIFREEZE_KEYS.values())))
            click.echo(f"{fluid!r} is no antifreeze known here: it counts as water. Known: {known}.", err=True)


def _warn_of_few_positions(entry: Entry) -> None:
    """Who writes findings alone may think that the rest counts as looked at."""
    from carewatch.logbook.care import Inspected

    told = entry.detail
    if isinstance(told, Inspected) and told.findings and told.positions is None and told.sections is None:
        click.echo("This counts for the positions of the findings alone. Looked at more? Add sections=1-5.", err=True)


def _moment(work: Workplace, machine: str, name: str, text: str) -> datetime:
    """The instant a person means: without a zone on the clock of the machine's home site."""
    from carewatch.errors import BadInput
    from carewatch.logbook.line_models import FIRST_YEAR, LAST_YEAR
    from carewatch.service.gather import current_roster

    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise click.UsageError(f"{name} {text} is not a time; write it like 2026-10-19T19:10.") from error
    if not FIRST_YEAR <= moment.year < LAST_YEAR:
        raise BadInput(f"{name} {text} lies outside {FIRST_YEAR} to {LAST_YEAR}. Correct the year.")
    if moment.tzinfo is not None:
        return moment
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    home = next((one.home_site for one in roster.machines if one.id == machine), None) if roster else None
    if roster is None or home is None:
        raise click.UsageError(f"There is no machine {machine} in the roster.")
    return moment.replace(tzinfo=roster.site(home).tz)


def _fields(kind: str, details: tuple[str, ...]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for detail in details:
        name, value = _field(kind, detail)
        if name in NOT_FIELDS:
            raise click.UsageError(f"{name} is no field of an entry: it {NOT_FIELDS[name]}.")
        if name in found:
            raise click.UsageError(f"{name} is given twice. Lists are written with commas: sides=front,rear.")
        found[name] = value
    return found


def _field(kind: str, detail: str) -> tuple[str, Any]:
    name, separator, text = detail.partition("=")
    if not separator:
        raise click.UsageError(f"{detail!r} is not NAME=VALUE, such as sides=front,rear.")
    told_as = _types(kind).get(name, "str")
    if "tuple" in told_as:
        return name, [part.strip() for part in text.split(",") if part.strip()]
    if "str" in told_as or told_as == "datetime":
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
    from carewatch.logbook.findings import FindingKind
    from carewatch.logbook.kinds import DETAIL_TYPES, HELP, choices_of

    for kind in EntryKind:
        named = []
        for one in fields(DETAIL_TYPES[kind]):
            words = f" ({'|'.join(choices_of(kind, one.name))})" if choices_of(kind, one.name) else ""
            named.append(f"{one.name}{'*' if one.default is MISSING else ''}{words}")
        click.echo(f"{kind.value:20} {HELP[kind]} Fields: {', '.join(named) or 'none'}.")
    click.echo("A field with * must be given.")
    click.echo("Positions and sections may be spans: positions=1-12,17.")
    click.echo(f"Findings: {', '.join(kind.value for kind in FindingKind)}.")
