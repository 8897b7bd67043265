"""`carewatch outlook`: tonight and the nights ahead."""

from __future__ import annotations

import json
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

import click

from carewatch.cli.installation import config_option, installation

if TYPE_CHECKING:
    from carewatch.freeze.outlook import Outlook
    from carewatch.notices.words import Reader
    from carewatch.service.usecase import Look


@click.command(epilog="Example: carewatch outlook --machine sprayer-3")
@click.option("--machine", help="Only this machine, with its reasons.")
@click.option("--nights", type=click.IntRange(1, 7), default=5, show_default=True, help="How many nights.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="Units of the text (default: the fleet's).")
@click.option("--offline", is_flag=True, help="Do not ask the forecast services; use what is stored.")
@click.option("--json", "as_json", is_flag=True, help="One JSON array, always metric.")
@config_option
def outlook(machine: str | None, nights: int, units: str | None, offline: bool, as_json: bool, config: Path) -> None:
    """Tonight and the nights ahead, machine by machine: what freezes, how sure, from when, and why."""
    from carewatch.service import clock
    from carewatch.service.documents import outlook_document
    from carewatch.service.usecase import look

    with installation(config) as (_, work):
        seen = look(work, now=clock.now(), asks=not offline)
    for trouble in seen.troubles:
        click.echo(trouble, err=True)
    found = [one for one in seen.outlooks if machine in (None, one.machine)]
    if machine is not None and not found:
        raise click.UsageError(f"There is no machine {machine} in the roster.")
    first = min((one.night for one in found), default=None)
    found = [one for one in found if first is not None and (one.night - first).days < nights]
    if as_json:
        click.echo(json.dumps([outlook_document(one) for one in found], ensure_ascii=False))
        return
    _show(seen, found, units, with_reasons=machine is not None)


def _show(seen: Look, found: list[Outlook], units: str | None, *, with_reasons: bool) -> None:
    from carewatch.notices.words import Reader
    from carewatch.roster.model import UnitSystem

    for one in found:
        fleet = seen.roster.fleet(seen.roster.machine(one.machine).fleet)
        zone = seen.roster.site(one.site).tz
        reader = Reader(units=UnitSystem(units) if units else fleet.units, zone=zone)
        name = seen.roster.machine(one.machine).name
        verdict = _verdict(one, reader)
        if not one.is_assessed and not with_reasons:
            verdict = " ".join([verdict, *(reader.reason(reason) for reason in one.because[:2])])
        click.echo(f"{one.night:%a %d %b}  {name:18} {verdict}")
        for reason in one.because if with_reasons else ():
            click.echo(f"              {reader.reason(reason)}")


def _verdict(one: Outlook, reader: Reader) -> str:
    if not one.is_assessed or one.chance is None or one.coldest_air_c is None or one.margin_c is None:
        return "NOT ASSESSED - treat as wet."
    cold = f"coldest air {reader.temperature(one.coldest_air_c)}, chance {one.chance:.0%}"
    if one.margin_c >= 0:
        when = f", ice from {reader.about(one.first_ice_at)}" if one.first_ice_at else ""
        return f"{one.severity.value.upper():9} {cold}, freezes even if {reader.difference(one.margin_c)} warmer{when}"
    if not isfinite(one.margin_c):
        return f"{one.severity.value.upper():9} {cold}, no ice to be expected"
    return f"{one.severity.value.upper():9} {cold}, ice only if {reader.difference(one.margin_c)} colder"
