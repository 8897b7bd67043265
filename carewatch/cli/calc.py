"""`carewatch calc`: the same arithmetic as the service, as a calculator.

Only click is imported here at the top, so that `--help` is quick; each command loads what it computes with.
"""

from __future__ import annotations

import click

from carewatch.cli.answer import figure_words, json_option, refusing_bad_input, show, units_option, volume_words
from carewatch.cli.calc_cooling import cooling, odds
from carewatch.cli.calc_margin import freeze_margin

LITRES = click.FloatRange(max=1e6)  # chosen: a hundred times the largest tank; beyond, it is a slip of the keyboard
LEAST_LEFT = 1e-6  # chosen: a share below one in a million says nothing about a real boom


@click.group()
def calc() -> None:
    """Calculate: water for a flush, minutes per side, cooling, odds, the freeze margin of a night."""


calc.add_command(cooling)
calc.add_command(odds)
calc.add_command(freeze_margin)


@calc.command()
@click.option("--held-l", type=LITRES, required=True, help="Litres that stay in the boom plumbing.")
@click.option("--passes", type=int, default=3, show_default=True, help="Number of equal rinses.")
@click.option("--water-l", type=LITRES, help="Clean water over all rinses: how much is left?")
@click.option("--target-fraction", type=float, help="Share that may be left (0.02 is 2 %): how much water?")
@units_option
@json_option
def rinse(
    held_l: float, passes: int, water_l: float | None, target_fraction: float | None, units: str, as_json: bool
) -> None:
    """What a rinse leaves, or the clean water it takes.

    Equal rinses that mix fully with what stays behind: left = (1 / (1 + W / (n R)))^n for W litres in n rinses and R
    litres held. Published limits at the nozzle are 1 % (France) and 2 % (Denmark); cleaning for another crop lowers
    the concentration 300 times (ISO 16119-4). Boom ends, strainers and an unopened valve side hold more than this
    says. The label decides.

    \b
    Example:
      carewatch calc rinse --held-l 60 --passes 3 --target-fraction 0.02
    """
    from carewatch.duties.flushing import left_fraction, water_for

    with refusing_bad_input():
        if water_l is None and target_fraction is not None:
            water_l = water_for(held_l=held_l, passes=passes, target=target_fraction)
        elif water_l is None or target_fraction is not None:
            raise click.UsageError(
                "Write one of --water-l (how much is left?) and --target-fraction (how much water?)."
            )
        left = left_fraction(held_l=held_l, water_l=water_l, passes=passes)
    times = water_l / held_l
    lines = [
        f"Clean water: {volume_words(water_l, units)} in {passes} equal rinses ({times:.1f} times what is held).",
        f"Left of the product in the main line: {_left_words(left)}.",
    ]
    show({"left_fraction": left, "water_l": water_l}, lines, as_json=as_json)


@calc.command("nozzle-time")
@click.option("--held-l", type=LITRES, required=True, help="Litres that stay in the boom plumbing.")
@click.option("--nozzles", type=int, required=True, help="Nozzle bodies on the boom.")
@click.option("--size", required=True, help="Size code as stamped on the nozzle: 025, 04, 10.")
@click.option(
    "--pressure-kpa", type=float, required=True, help="Pressure at the nozzle (3 bar are 300, 40 psi are 276)."
)
@click.option("--passes", type=int, default=3, show_default=True, help="How often the held volume goes through.")
@units_option
@json_option
def nozzle_time(
    held_l: float, nozzles: int, size: str, pressure_kpa: float, passes: int, units: str, as_json: bool
) -> None:
    """How long each valve side must run to pass what the boom holds.

    Flow of one nozzle at 100 % duty: 0.4 L/min for each step of the size code at 300 kPa (04: 1.6 L/min), with the
    square root of the pressure. Minutes = passes x held volume / (nozzles x flow), for each side on its own: the
    valves of a side that stays closed keep what they hold.

    \b
    Example:
      carewatch calc nozzle-time --held-l 60 --nozzles 54 --size 04 --pressure-kpa 300 --passes 3
    """
    from carewatch.duties.nozzles import minutes_per_side, nozzle_flow_l_per_min
    from carewatch.units import l_to_gallons

    with refusing_bad_input():
        flow_l_per_min = nozzle_flow_l_per_min(size, pressure_kpa)
        minutes = minutes_per_side(held_l=held_l, nozzles=nozzles, size=size, pressure_kpa=pressure_kpa, passes=passes)
    flow = f"{l_to_gallons(flow_l_per_min):.2f} US gal/min" if units == "us" else f"{flow_l_per_min:.2f} L/min"
    lines = [
        f"One nozzle, valve open all the time: {flow}.",
        f"Each valve side: {minutes:.1f} min, {volume_words(passes * held_l, units)}. Keep moving while it runs.",
    ]
    show({"litres_per_min": flow_l_per_min, "minutes_per_side": minutes}, lines, as_json=as_json)


def _left_words(left_fraction: float) -> str:
    if left_fraction < LEAST_LEFT:
        return "less than one part in a million"
    percent = f"{figure_words(left_fraction * 100)} %"
    return f"{percent} (one part in {1 / left_fraction:,.0f})" if left_fraction <= 0.5 else percent
