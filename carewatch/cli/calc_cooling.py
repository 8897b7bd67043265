"""`carewatch calc cooling` and `calc odds`: when a part turns to ice, and the chance of a night that cold."""

from __future__ import annotations

from typing import TextIO

import click

from carewatch.cli.answer import (
    check_part_flags,
    degrees_words,
    difference_words,
    json_option,
    liquid_of,
    refusing_bad_input,
    show,
    units_option,
)


@click.command()
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
            liquid=liquid_of(fluid, strength_vol_pct),
            hours=hours,
        )
    freezes_at = degrees_words(result.freezes_at_c, units)
    lines = [
        f"At its freezing point ({freezes_at}): {_when(result.hours_to_freezing_point, hours)}.",
        f"A fifth of it ice: {_when(result.hours_to_ice_20, hours)}. All ice: {_when(result.hours_to_ice_100, hours)}.",
        f"Coldest it gets in {hours:g} h: {degrees_words(result.lowest_c, units)}.",
    ]
    show(asdict(result), lines, as_json=as_json)


@click.command()
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
    lines = [
        f"Chance of {degrees_words(harm_c, units)} or less: {result.chance:.0%}.",
        f"Spread of the night's low: {difference_words(result.spread_c, units)}. No forecast is a promise.",
    ]
    show(asdict(result), lines, as_json=as_json)


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
    check_part_flags(part, inner_mm, wall_mm, material)
    if film is not None and (wind_mps is not None or sky is not None):
        raise click.UsageError("--film replaces wind and sky: leave out --wind-mps and --sky, or leave out --film.")
    if dew_c is not None and not -100.0 <= dew_c <= 80.0:
        raise click.UsageError(f"A dew point of {dew_c:g} °C is not possible; write -100 to 80.")


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
