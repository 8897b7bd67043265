"""What the calculating commands share: their options, how an answer is shown, how its figures are written.

Only click is imported here at the top, so that `--help` is quick.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from decimal import Decimal

import click

UNITS = click.Choice(["metric", "us"])
WHOLE_FROM = 10.0  # chosen: from here on nobody measures a tenth

json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document, always metric.")
units_option = click.option(
    "--units", type=UNITS, default="metric", show_default=True, help="Units of the text; JSON stays metric."
)


@contextmanager
def refusing_bad_input() -> Iterator[None]:
    """Turn a caller's mistake into a usage message and exit code 2."""
    from carewatch.errors import BadInput

    try:
        yield
    except BadInput as refused:
        raise click.UsageError(str(refused), ctx=click.get_current_context(silent=True)) from refused
    except OverflowError as beyond:
        said = "One of the numbers is too large or too close to 0 to calculate with. Write a smaller or larger one."
        raise click.UsageError(said, ctx=click.get_current_context(silent=True)) from beyond


def show(answer: Mapping[str, object], lines: list[str], *, as_json: bool) -> None:
    """Print one answer: the JSON document, or its lines for a reader."""
    click.echo(json.dumps(answer, allow_nan=False) if as_json else "\n".join(lines))


def figure_words(value: float) -> str:
    """A number from 0 up as people write it: whole, below 10 with two digits that count, never as a power of ten."""
    return f"{value:.0f}" if value >= WHOLE_FROM else f"{Decimal(f'{value:.2g}'):f}"


def volume_words(litres: float, units: str) -> str:
    """A volume as a reader of these units writes it."""
    from carewatch.units import l_to_gallons

    return f"{figure_words(l_to_gallons(litres))} US gal" if units == "us" else f"{figure_words(litres)} L"


def degrees_words(temperature_c: float, units: str) -> str:
    """A temperature as a reader of these units writes it."""
    from carewatch.units import c_to_f

    return f"{c_to_f(temperature_c):.1f} °F" if units == "us" else f"{temperature_c:.1f} °C"


def difference_words(difference_c: float, units: str) -> str:
    """A temperature difference as a reader of these units writes it."""
    from carewatch.units import c_to_f_difference

    return f"{c_to_f_difference(difference_c):.1f} °F" if units == "us" else f"{difference_c:.1f} °C"
