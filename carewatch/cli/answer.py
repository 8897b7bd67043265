"""What the calculating commands share: their options, how an answer is shown, how its figures are written.

Only click is imported here at the top, so that `--help` is quick.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from decimal import Decimal
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from carewatch.fluids.liquid import Liquid

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


def check_part_flags(part: str | None, inner_mm: float | None, wall_mm: float | None, material: str | None) -> None:
    """Refuse anything but a part of the list or a whole pipe."""
    own_pipe = [value is not None for value in (inner_mm, wall_mm, material)]
    if (part is None and not all(own_pipe)) or (part is not None and any(own_pipe)):
        raise click.UsageError("Write --part, or all of --inner-mm, --wall-mm and --material for a pipe of your own.")


def liquid_of(fluid: str, strength_vol_pct: float | None) -> Liquid:
    """The liquid of a name. A name nobody knows is refused here: read as water it would look like an answer."""
    from carewatch.errors import BadInput
    from carewatch.fluids.liquid import LiquidKind
    from carewatch.fluids.naming import ANTIFREEZE_KEYS, FERTILIZER_KEYS, liquid_named

    liquid = liquid_named(fluid, strength_vol_pct)
    if liquid.kind is LiquidKind.PRODUCT and fluid.strip().lower() != "product":
        known = ", ".join(sorted({"water", *ANTIFREEZE_KEYS.values(), *FERTILIZER_KEYS.values()}))
        raise BadInput(f"There is no fluid {fluid!r} here. Write product (counts as water) or one of: {known}.")
    if liquid.kind is not LiquidKind.ANTIFREEZE and strength_vol_pct is not None:
        raise BadInput(f"{fluid!r} is no antifreeze and has no strength. Leave out --strength-vol-pct.")
    if liquid.kind is LiquidKind.ANTIFREEZE and strength_vol_pct is None:
        raise BadInput(f"{fluid!r} needs its strength. Write --strength-vol-pct, such as 40; without it, it is water.")
    return liquid
