"""`carewatch score`: how good the chance would have been on nights that were forecast and observed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from carewatch.cli.answer import json_option, refusing_bad_input

if TYPE_CHECKING:
    from carewatch.freeze.score.table import PairsTable

MOST_FAULTS = 20  # chosen: a table in the wrong format has a fault on every line


@click.command()
@click.argument("pairs", type=click.Path(path_type=Path))
@click.option("--unit", type=click.Choice(["c", "f"]), help="Unit of the table, where its column names do not say it.")
@click.option("--threshold", type=float, default=0.10, show_default=True, help="Chance from which a night is flagged.")
@click.option("--freeze-c", type=float, default=0.0, show_default=True, help="A night froze at this or below, in °C.")
@click.option("--cost-loss", type=float, help="Cost of acting over the loss of a freeze.  [default: the threshold]")
@click.option("--grade", type=click.Choice(["official", "raw"]), default="official", show_default=True)
@click.option("--learn", is_flag=True, help="Let each place learn from its own earlier nights.")
@json_option
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Draw said against happened to this file.")
def score(
    pairs: Path,
    unit: str | None,
    threshold: float,
    freeze_c: float,
    cost_loss: float | None,
    grade: str,
    learn: bool,
    as_json: bool,
    svg: Path | None,
) -> None:
    """Score the chance on nights that were forecast and observed, against simple rules.

    PAIRS is a CSV table: date (YYYY-MM-DD), columns that name the place, forecast lows with the hours ahead in the
    name (fc24_f, fc48_c), one observed low (obs_lo_f); an empty cell is missing. --grade raw: lows of a model that no
    weather service has corrected. Every night is judged as it would have
    been then, in date order, from nights known by then. It is about the air's low: a wet part under a clear sky is
    colder.

    \b
    Example:
      carewatch score lows.csv --learn --svg reliability.svg
    """
    from carewatch.cli.score_picture import picture
    from carewatch.cli.score_report import as_document, as_lines
    from carewatch.freeze.score.scorecard import Terms
    from carewatch.freeze.score.scorecard import score as score_table
    from carewatch.weather.forecast import Grade

    with refusing_bad_input():
        terms = Terms(
            threshold=threshold,
            freeze_c=freeze_c,
            cost_loss=threshold if cost_loss is None else cost_loss,
            learn=learn,
            grade=Grade(grade),
        )
    card = score_table(_read(pairs, unit), terms)
    if svg is not None:
        svg.write_text(picture(card), encoding="utf-8")
    click.echo(json.dumps(as_document(card), allow_nan=False) if as_json else "\n".join(as_lines(card)))


def _read(path: Path, unit: str | None) -> PairsTable:
    from carewatch.errors import BadInput, FaultyFiles
    from carewatch.freeze.score.table import read_pairs

    try:
        return read_pairs(path.read_text(encoding="utf-8-sig"), file=str(path), unit=unit)
    except UnicodeDecodeError as error:
        raise BadInput(f"{path}: it is no text in UTF-8. Save the table as plain CSV in UTF-8.") from error
    except FaultyFiles as refused:
        more = len(refused.faults) - MOST_FAULTS
        if more > 0:
            click.echo(f"{len(refused.faults)} faults; the first {MOST_FAULTS}:", err=True)
        raise FaultyFiles(refused.faults[:MOST_FAULTS]) from refused
