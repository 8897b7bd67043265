"""`carewatch replay`: the same plan over past days."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click


@click.command(
    epilog="Example: carewatch replay examples/autumn --from 2025-10-13 --to 2025-11-05 --out out --forecast synthetic"
)
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option("--from", "from_on", type=click.DateTime(["%Y-%m-%d"]), required=True, help="First day.")
@click.option("--to", "to_on", type=click.DateTime(["%Y-%m-%d"]), required=True, help="Last day, included.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder for everything.")
@click.option("--forecast", type=click.Choice(["perfect", "synthetic"]), help="Make forecasts from the weather.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the synthetic forecast errors.")
@click.option("--json", "as_json", is_flag=True, help="Print a summary as JSON.")
def replay(
    scenario: Path, from_on: datetime, to_on: datetime, out: Path, forecast: str | None, seed: int, as_json: bool
) -> None:
    """Drive the plan over the days of SCENARIO. A stopped replay goes on where it was when it is started again."""
    import json

    from carewatch.cli.story import progress_over
    from carewatch.logbook.line_models import FIRST_YEAR, LAST_YEAR
    from carewatch.service.replay import read_scenario
    from carewatch.service.replay import replay as run

    for option, day in (("--from", from_on), ("--to", to_on)):
        if not FIRST_YEAR <= day.year < LAST_YEAR:
            raise click.UsageError(f"{option} {day.date()} lies outside {FIRST_YEAR} to {LAST_YEAR}.")
    if to_on < from_on:
        raise click.UsageError("--to lies before --from.")
    read = read_scenario(scenario)
    steps = run(read, from_on=from_on.date(), to_on=to_on.date(), out=out, forecast=forecast, seed=seed)
    count, notices = 0, 0
    for step in progress_over(steps, read, from_on=from_on.date(), to_on=to_on.date()):
        count += 1
        notices += len(step.outcome.notices)
    if as_json:
        click.echo(json.dumps({"steps": count, "notices": notices, "out": str(out)}))
    else:
        click.echo(f"{count} steps, {notices} new messages. Mails and JSON lines are in {out}.")
