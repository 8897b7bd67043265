"""`carewatch parts`: what is open at a machine's nozzle bodies, which parts it takes, and the spares."""

from __future__ import annotations

import json
from pathlib import Path

import click

from carewatch.cli.installation import config_option, installation


@click.command(epilog="Example: carewatch parts sprayer-1")
@click.argument("machine")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
@config_option
def parts(machine: str, as_json: bool, config: Path) -> None:
    """Findings and symptoms of MACHINE with what to do, the pick list, spares and what to buy, where to look first.

    Costs are at the fleet's own prices ([[part]] in the fleet file); a missing price makes a sum "not known". Decisions
    are common practice, no published source; the machine's manual goes first.
    """
    from carewatch.cli.upkeep_report import parts_lines
    from carewatch.notices.words import Reader
    from carewatch.service import clock
    from carewatch.service.upkeep import upkeep_now
    from carewatch.service.upkeep_documents import upkeep_document

    with installation(config) as (_, work):
        found = upkeep_now(work, machine, now=clock.now())
    if as_json:
        click.echo(json.dumps(upkeep_document(found), ensure_ascii=False))
        return
    reader = Reader(units=found.one.fleet.units, zone=found.one.site.tz)
    for line in parts_lines(found, reader):
        click.echo(line)
