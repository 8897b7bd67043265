"""`carewatch calc`: the same arithmetic as the service, as a calculator.

Only click is imported here at the top, so that `--help` is quick; each command loads what it computes with.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

import click

if TYPE_CHECKING:
    from carewatch.fluids.liquid import Liquid

UNITS = click.Choice(["metric", "us"])

json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document, always metric.")
units_option = click.option(
    "--units", type=UNITS, default="metric", show_default=True, help="Units of the text; JSON stays metric."
)


@click.group()
def calc() -> None:
    """Calculate: water for a flush, minutes per side, cooling, odds."""


@contextmanager
def refusing_bad_input() -> Iterator[None]:
    """Turn a caller's mistake into a usage message and exit code 2."""
    from carewatch.errors import BadInput

    try:
        yield
    except BadInput as refused:
        raise click.UsageError(str(refused), ctx=click.get_current_context(silent=True)) from refused


def show(answer: Mapping[str, object], lines: list[str], *, as_json: bool) -> None:
    """Print one answer: the JSON document, or its lines for a reader."""
    click.echo(json.dumps(answer, allow_nan=False) if as_json else "\n".join(lines))


def volume_words(litres: float, units: str) -> str:
    """A volume as a reader of these units writes it."""
    from carewatch.units import l_to_gallons

    return f"{l_to_gallons(litres):.0f} US gal" if units == "us" else f"{litres:.0f} L"


@calc.command()
@click.option("--held-l", type=float, required=True, help="Litres that stay in the boom plumbing.")
@click.option("--passes", type=int, default=3, show_default=True, help="Number of equal rinses.")
@click.option("--water-l", type=float, help="Clean water over all rinses: how much is left?")
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
        f"Left of the product in the main line: {left * 100:.2g} % (one part in {1 / left:,.0f}).",
    ]
    show({"left_fraction": left, "water_l": water_l}, lines, as_json=as_json)


@calc.command("nozzle-time")
@click.option("--held-l", type=float, required=True, help="Litres that stay in the boom plumbing.")
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


@calc.command()
@click.option("--part", help="valve, boom_pipe, hoses, pump, meter, hopper, tank, rinse_tank, hand_wash_tank.")
@click.option("--inner-mm", type=float, help="Or a pipe of your own: inner width.")
@click.option("--wall-mm", type=float, help="Its wall.")
@click.option("--material", type=click.Choice(["stainless", "rubber", "plastic"]), help="What it is made of.")
@click.option("--start-c", type=float, required=True, help="Temperature of the liquid at the start.")
@click.option("--air-c", type=float, required=True, help="Air temperature, the same all the time.")
@click.option("--dew-c", type=float, help="Dew point; without it the air counts as dry (8 °C below the air).")
@click.option("--wind-mps", type=float, help="Wind at 10 m height.  [default: 3]")
@click.option("--film", type=float, help="Film coefficient on the outside in W/m2K; replaces wind and sky.")
@click.option("--sky", type=click.Choice(["clear", "overcast", "none"]), help="none: under a roof.  [default: clear]")
@click.option("--fluid", default="water", show_default=True, help="What it holds, such as uan_28, propylene_glycol.")
@click.option("--strength-vol-pct", type=float, help="Strength of an antifreeze.")
@click.option("--hours", type=float, default=48.0, show_default=True, help="How long to look ahead.")
@units_option
@json_option
def cooling(
    part: str | None,
    inner_mm: float | None,
    wall_mm: float | None,
    material: str | None,
    start_c: float,
    air_c: float,
    dew_c: float | None,
    wind_mps: float | None,
    film: float | None,
    sky: str | None,
    fluid: str,
    strength_vol_pct: float | None,
    hours: float,
    units: str,
    as_json: bool,
) -> None:
    """When a part freezes in weather that does not change.

    A heat balance: convection across a cylinder (Churchill-Bernstein 1977, Churchill-Chu 1975), radiation to sky
    (Prata 1996) and ground, heat of freezing; supercooling is never counted on. The 10 m wind is brought down to boom
    height by the log law. Parts of a real machine differ, so this ranks and warns; it does not promise.

    \b
    Example:
      carewatch calc cooling --part valve --start-c 8 --air-c -5 --wind-mps 1 --sky overcast --hours 12
      carewatch calc cooling --inner-mm 22 --wall-mm 1.5 --material stainless --start-c 8 --air-c -5 --film 15
    """
    from dataclasses import asdict

    from carewatch.freeze.cooling import cooling as cool

    _check_cooling_flags(part, inner_mm, wall_mm, material, film=film, wind_mps=wind_mps, sky=sky, dew_c=dew_c)
    with refusing_bad_input():
        result = cool(
            part=part,
            inner_mm=inner_mm,
            wall_mm=wall_mm,
            material=material or "stainless",
            start_c=start_c,
            air_c=air_c,
            dew_c=dew_c,
            wind_mps=3.0 if wind_mps is None else wind_mps,
            film_w_m2k=film,
            sky=sky or "clear",
            liquid=_liquid(fluid, strength_vol_pct),
            hours=hours,
        )
    freezes_at = degrees_words(result.freezes_at_c, units)
    lines = [
        f"At its freezing point ({freezes_at}): {_when(result.hours_to_freezing_point, hours)}.",
        f"A fifth of it ice: {_when(result.hours_to_ice_20, hours)}. All ice: {_when(result.hours_to_ice_100, hours)}.",
        f"Coldest it gets in {hours:g} h: {degrees_words(result.lowest_c, units)}.",
    ]
    show(asdict(result), lines, as_json=as_json)


@calc.command()
@click.option("--low-c", type=float, help="Forecast low of the night.")
@click.option("--night", type=int, default=1, show_default=True, help="Nights ahead; 1 is the coming one.")
@click.option("--grade", type=click.Choice(["official", "raw"]), default="official", show_default=True)
@click.option("--site-sd", type=float, help="Spread of your field against the forecast's place in °C.  [default: 1]")
@click.option(
    "--members", type=click.File(encoding="utf-8"), help="Instead of --low-c: file with the lows of an ensemble."
)
@click.option("--harm-c", type=float, default=0.0, show_default=True, help="Temperature from which it does harm.")
@units_option
@json_option
def odds(
    low_c: float | None,
    night: int,
    grade: str,
    site_sd: float | None,
    members: TextIO | None,
    harm_c: float,
    units: str,
    as_json: bool,
) -> None:
    """The chance that a night falls to a temperature that does harm.

    Observed minus forecast low counts as normal with a spread by nights ahead, computed from US National Weather
    Service city forecasts 2021-2022, and the spread of the field beside it. It is about the air at 2 m: a wet part
    under a clear sky is colder. The file of --members holds one low in °C for each member, apart by commas or lines.

    \b
    Example:
      carewatch calc odds --low-c 2 --night 1
      carewatch calc odds --members lows.csv --harm-c -1
    """
    from dataclasses import asdict

    from carewatch.freeze.night_error import SITE_SD_C
    from carewatch.freeze.odds import odds as chance_of
    from carewatch.weather.forecast import Grade

    if (low_c is None) == (members is None):
        raise click.UsageError("Write one of --low-c (the forecast low) and --members (a file with lows).")
    with refusing_bad_input():
        result = chance_of(
            low_c=low_c,
            night=night,
            grade=Grade(grade),
            site_sd_c=SITE_SD_C if site_sd is None else site_sd,
            members_c=None if members is None else _members_c(members),
            harm_c=harm_c,
        )
    spread = f"{result.spread_c * 1.8:.1f} °F" if units == "us" else f"{result.spread_c:.1f} °C"
    lines = [
        f"Chance of {degrees_words(harm_c, units)} or less: {result.chance:.0%}.",
        f"Spread of the night's low: {spread}. No forecast is a promise.",
    ]
    show(asdict(result), lines, as_json=as_json)


def degrees_words(temperature_c: float, units: str) -> str:
    """A temperature as a reader of these units writes it."""
    from carewatch.units import c_to_f

    return f"{c_to_f(temperature_c):.1f} °F" if units == "us" else f"{temperature_c:.1f} °C"


def _when(after_h: float | None, hours: float) -> str:
    return f"not within {hours:g} h" if after_h is None else f"after {after_h:.1f} h"


def _check_cooling_flags(
    part: str | None,
    inner_mm: float | None,
    wall_mm: float | None,
    material: str | None,
    *,
    film: float | None,
    wind_mps: float | None,
    sky: str | None,
    dew_c: float | None,
) -> None:
    own_pipe = [value is not None for value in (inner_mm, wall_mm, material)]
    if (part is None and not all(own_pipe)) or (part is not None and any(own_pipe)):
        raise click.UsageError("Write --part, or all of --inner-mm, --wall-mm and --material for a pipe of your own.")
    if film is not None and (wind_mps is not None or sky is not None):
        raise click.UsageError("--film replaces wind and sky: leave out --wind-mps and --sky, or leave out --film.")
    if dew_c is not None and not -100.0 <= dew_c <= 80.0:
        raise click.UsageError(f"A dew point of {dew_c:g} °C is not possible; write -100 to 80.")


def _liquid(fluid: str, strength_vol_pct: float | None) -> Liquid:
    """The liquid of a name. A name nobody knows is refused here: read as water it would look like an answer."""
    from carewatch.errors import BadInput
    from carewatch.fluids.liquid import LiquidKind
    from carewatch.fluids.naming import ANTIFREEZE_KEYS, FERTILIZER_KEYS, liquid_named

    liquid = liquid_named(fluid, strength_vol_pct)
    if liquid.kind is LiquidKind.PRODUCT and fluid.strip().lower() != "product":
        known = ", ".join(sorted({"water", *ANTIFREEZE_KEYS.values(), *FERTILIZER_KEYS.values()}))
        raise BadInput(f"There is no fluid {fluid!r} here. Write product (counts as water) or one of: {known}.")
    if liquid.kind is LiquidKind.ANTIFREEZE and strength_vol_pct is None:
        raise BadInput(f"{fluid!r} needs its strength. Write --strength-vol-pct, such as 40; without it, it is water.")
    return liquid


def _members_c(file: TextIO) -> list[float]:
    from carewatch.errors import BadInput

    members_c = []
    try:
        words = file.read().replace(",", " ").split()
    except UnicodeDecodeError as error:
        raise BadInput(f"{file.name} is no text. Save the lows as a text file, one number for each member.") from error
    for word in words:
        try:
            members_c.append(float(word))
        except ValueError as error:
            raise BadInput(f"{word!r} in {file.name} is no number. Write one low in °C for each member.") from error
    return members_c
