"""`carewatch round`: a technician's round over the fleets that agreed."""

from __future__ import annotations

import json
from pathlib import Path

import click

from carewatch.cli.installation import config_option, installation


@click.command("round", epilog="Example: carewatch round sam")
@click.argument("person")
@click.option("--json", "as_json", is_flag=True, help="One JSON array, an object for each fleet.")
@config_option
def technician_round(person: str, as_json: bool, config: Path) -> None:
    """Every machine PERSON (a technician of the roster) may see: what is in it, tonight, what is due, parts to take.

    A technician sees the own fleet and those that name the person in `seen_by`. After work on a machine it asks what is
    in it now, until somebody wrote that down.
    """
    from carewatch.cli.upkeep_report import round_lines
    from carewatch.service import clock
    from carewatch.service.upkeep import round_now
    from carewatch.service.upkeep_documents import round_document

    with installation(config) as (_, work):
        fleets = round_now(work, person, now=clock.now())
    if as_json:
        click.echo(json.dumps(round_document(fleets), ensure_ascii=False))
        return
    for found in fleets:
        for line in round_lines(found):
            click.echo(line)
