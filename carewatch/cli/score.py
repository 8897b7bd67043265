"""`carewatch score`: how good the chance would have been on nights that were forecast and observed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from carewatch.cli.answer import json_option, refusing_bad_input
from carewatch.cli.installation import config_option

if TYPE_CHECKING:
    from carewatch.freeze.score.scorecard import Terms
    from carewatch.freeze.score.table import PairsTable

MOST_FAULTS = 20  # chosen: a table in the wrong format has a fault on every line


@click.command()
@click.argument("pairs", type=click.Path(path_type=Path), required=False)
@click.option("--own", is_flag=True, help="Score what carewatch itself said here, machine by machine.")
@click.option(
    "--database", type=click.Path(path_type=Path, dir_okay=False), help="With --own: of this database, as a replay's."
)
@click.option("--unit", type=click.Choice(["c", "f"]), help="Unit of the table, where its column names do not say it.")
@click.option("--threshold", type=float, default=0.10, show_default=True, help="Chance from which a night is flagged.")
@click.option("--freeze-c", type=float, default=0.0, show_default=True, help="A night froze at this or below, in °C.")
@click.option("--cost-loss", type=float, help="Cost of acting over the loss of a freeze.  [default: the threshold]")
@click.option("--grade", type=click.Choice(["official", "raw"]), default="official", show_default=True)
@click.option("--learn", is_flag=True, help="Let each place learn from its own earlier nights.")
@json_option
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Draw said against happened to this file.")
@config_option
def score(
    pairs: Path | None,
    own: bool,
    database: Path | None,
    unit: str | None,
    threshold: float,
    freeze_c: float,
    cost_loss: float | None,
    grade: str,
    learn: bool,
    as_json: bool,
    svg: Path | None,
    config: Path,
) -> None:
    """Score the chance on nights that were forecast and observed, against simple rules.

    With PAIRS: a table of anybody's nights. With --own: what was said here of each machine, held against what the
    site's thermometer or the nearest weather station read and what people found, and the lows as a table of pairs.

    PAIRS is a CSV table: date (YYYY-MM-DD), columns that name the place, forecast lows with the hours ahead in the
    name (fc24_f, fc48_c), one observed low (obs_lo_f); an empty cell is missing. --grade raw: lows of a model that no
    weather service has corrected. Every night is judged as it would have been then, in date order, from nights known by
    then. It is about the air's low: a wet part under a clear sky is colder.

    \b
    Example:
      carewatch score lows.csv --learn --svg reliability.svg
      carewatch score --own
    """
    from carewatch.freeze.score.scorecard import Terms
    from carewatch.weather.forecast import Grade

    if own is (pairs is not None):
        raise click.UsageError("Name a table of nights, or write --own for what was said here.")
    if database is not None and not own:
        raise click.UsageError("--database goes with --own.")
    with refusing_bad_input():
        terms = Terms(
            threshold=threshold,
            freeze_c=freeze_c,
            cost_loss=threshold if cost_loss is None else cost_loss,
            learn=learn,
            grade=Grade(grade),
        )
    if pairs is not None:
        document, lines = _of_table(_read(pairs, unit), terms, svg)
    else:
        document, lines = _of_our_own(database or _database_of(config), terms, svg)
    click.echo(json.dumps(document, allow_nan=False) if as_json else "\n".join(lines))


def _of_table(table: PairsTable, terms: Terms, svg: Path | None) -> tuple[dict[str, object], list[str]]:
    from carewatch.cli.score_picture import picture
    from carewatch.cli.score_report import as_document, as_lines
    from carewatch.freeze.score.scorecard import score as score_table

    card = score_table(table, terms)
    if svg is not None:
        svg.write_text(picture(card), encoding="utf-8")
    return as_document(card), list(as_lines(card))


def _of_our_own(database: Path, terms: Terms, svg: Path | None) -> tuple[dict[str, object], list[str]]:
    """The words said of machines, and the lows of the sites where any was read."""
    from carewatch.cli.score_own import as_document, as_lines
    from carewatch.freeze.score.own import own_score, own_table
    from carewatch.service.kept_nights import kept_nights

    words, pairs = kept_nights(database)
    score = own_score(words)
    document, lines = as_document(score, words), list(as_lines(score))
    if any(pair.observed_c is not None for pair in pairs):
        lows, more = _of_table(own_table(pairs), terms, svg)
        return {**document, "lows": lows}, [*lines, "", "The lows of the sites", *more]
    return document, lines


def _database_of(config: Path) -> Path:
    from carewatch.settings.reading import read_settings

    return read_settings(config).database_path


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
