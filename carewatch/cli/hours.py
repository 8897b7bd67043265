"""`carewatch hours`: spray hours machine by machine, or taken in from files."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from carewatch.cli.installation import config_option, installation

if TYPE_CHECKING:
    from carewatch.service.hours_files import Imported
    from carewatch.service.hours_list import HoursLine
    from carewatch.service.workplace import Workplace

STATES = {"due": "INSPECTION DUE", "soon": "INSPECTION SOON", "ok": ""}


@click.command(epilog="Example: carewatch hours TASKDATA.zip --device A-1044=sprayer-1 --by li")
@click.argument("files", nargs=-1, type=click.Path(exists=True, path_type=Path), metavar="[FILE ...]")
@click.option("--by", help="Who brings the files (a person id of the roster).")
@click.option(
    "--device",
    "devices",
    multiple=True,
    metavar="WORD=MACHINE",
    help="Whose hours a device of a task file's are, before iso_device of the roster.",
)
@click.option("--machine", help="Only this machine.")
@click.option("--json", "as_json", is_flag=True, help="One JSON array, or what became of the files.")
@config_option
def hours(
    files: tuple[Path, ...],
    by: str | None,
    devices: tuple[str, ...],
    machine: str | None,
    as_json: bool,
    config: Path,
) -> None:
    """Spray hours of every machine and side, since the last inspection, and when the next is due about.

    With FILE: take in hours. A .csv has the columns machine, time, hours (or hours_SIDE); task data of ISO 11783-10 is
    a TASKDATA.XML, its folder or its .zip. The same file twice adds nothing; one fault and nothing is taken.
    """
    from carewatch.service import clock

    if (by is None) == bool(files):
        raise click.UsageError("Give FILE and --by PERSON together, or neither.")
    said = dict(_device(word) for word in devices)
    with installation(config) as (_, work):
        now = clock.now()
        if files:
            _take_in(work, files, by=by or "", devices=said, as_json=as_json, now=now)
        else:
            _list(work, machine, as_json=as_json, now=now)


def _device(word: str) -> tuple[str, str]:
    device, separator, machine = word.rpartition("=")
    if not separator or not device or not machine:
        raise click.UsageError(f"--device {word} is not WORD=MACHINE, such as A-1044=sprayer-1.")
    return device, machine


def _take_in(
    work: Workplace, files: tuple[Path, ...], *, by: str, devices: dict[str, str], as_json: bool, now: datetime
) -> None:
    from carewatch.logbook.reading import entry_to_json
    from carewatch.service.hours_files import import_hours

    done = import_hours(work, files, by=by, devices=devices, now=now)
    if as_json:
        entries = [entry_to_json(entry) for entry in done.new]
        click.echo(json.dumps({"new": entries, "known": done.known, "remarks": list(done.remarks)}))
    else:
        _tell(done)
    if not done.new and not done.known:
        raise SystemExit(1)


def _tell(done: Imported) -> None:
    click.echo(f"{len(done.new)} readings are new, {done.known} were there already.")
    for remark in done.remarks:
        click.echo(remark, err=True)
    for notice in done.outcome.notices:
        click.echo(f"Message to {notice.person}: {notice.subject}")


def _list(work: Workplace, machine: str | None, *, as_json: bool, now: datetime) -> None:
    from carewatch.service.hours_list import hours_document, hours_now

    found = [line for line in hours_now(work, now=now) if machine in (None, line.one.machine.id)]
    if machine is not None and not found:
        raise click.UsageError(f"There is no machine {machine} in the roster.")
    if as_json:
        click.echo(json.dumps([hours_document(line, now=now) for line in found], ensure_ascii=False))
        return
    for line in found:
        _show(line, now)


def _show(line: HoursLine, now: datetime) -> None:
    from carewatch.duties.facts import local_day
    from carewatch.notices.hours_words import pace_sentence, since_sentence
    from carewatch.notices.words import Reader
    from carewatch.service.hours_list import hours_document

    one, due = line.one, line.due
    reader = Reader(units=one.fleet.units, zone=one.site.tz)
    state = STATES[hours_document(line, now=now)["state"]]
    by_side = one.state.spray_hours
    told = ", ".join(f"{side.label} {by_side[side.key]:.1f} h" for side in one.machine.sides)
    click.echo(f"{one.machine.name:18} {told}{f'   {state}' if state else ''}")
    words = (
        since_sentence(due, one, reader),
        pace_sentence(due, one, reader, local_day(now, one.site.tz)),
        *line.flags,
    )
    for sentence in words:
        if sentence:
            click.echo(f"    {sentence}")
