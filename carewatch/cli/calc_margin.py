"""`carewatch calc freeze-margin`: one part, one night, and why it freezes or not, hour by hour."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

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
from carewatch.cli.tables import table

if TYPE_CHECKING:
    from carewatch.freeze.course import Course, Weather

PLACES = ("outdoors", "open_roof", "unheated_shed", "heated_shop")
FIRST_HOUR = 12  # a night runs from noon to noon
SHOWN_EVERY_H = 2


@click.command("freeze-margin")
@click.option("--part", help="valve, boom_pipe, hoses, pump, meter, hopper, tank, rinse_tank, hand_wash_tank.")
@click.option("--inner-mm", type=float, help="Or a pipe of your own: inner width.")
@click.option("--wall-mm", type=float, help="Its wall.")
@click.option("--material", type=click.Choice(["stainless", "rubber", "plastic"]), help="What it is made of.")
@click.option("--low-c", type=float, help="Forecast low of the night, at six in the morning.")
@click.option("--high-c", type=float, help="High of the day before, at three.  [default: 9 °C above the low]")
@click.option("--dew-c", type=float, help="Dew point, all night.  [default: 8 °C below the low: dry]")
@click.option("--wind-mps", type=float, help="Wind at 10 m height; half and double are tried too.  [default: 1.5]")
@click.option("--cloud", type=float, help="Share of the sky covered, 0 to 1.  [default: 0, clear]")
@click.option(
    "--weather",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Or hour by hour: CSV with time_utc, air_c, dew_c, wind_mps, cloud_fraction.",
)
@click.option(
    "--from", "from_utc", help="First hour of the night in that file, as 2025-10-28T17:00Z.  [default: its first]"
)
@click.option("--place", type=click.Choice(PLACES), default="outdoors", show_default=True, help="Where it stands.")
@click.option("--colder-c", type=float, default=0.0, show_default=True, help="How much colder the spot is (a hollow).")
@click.option("--fluid", default="water", show_default=True, help="What it holds, such as uan_28, propylene_glycol.")
@click.option("--strength-vol-pct", type=float, help="Strength of an antifreeze.")
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Draw the night to this file.")
@units_option
@json_option
def freeze_margin(
    part: str | None,
    inner_mm: float | None,
    wall_mm: float | None,
    material: str | None,
    low_c: float | None,
    high_c: float | None,
    dew_c: float | None,
    wind_mps: float | None,
    cloud: float | None,
    weather: Path | None,
    from_utc: str | None,
    place: str,
    colder_c: float,
    fluid: str,
    strength_vol_pct: float | None,
    svg: Path | None,
    units: str,
    as_json: bool,
) -> None:
    """By how much a night could turn out warmer and a part would still freeze, and the course of that night.

    The same heat balance, with the same cautions, as the outlook of the service: three winds, 0.5 °C of inversion and
    cold ground on clear calm nights, supercooling never counted on. The night is typical (from --low-c) or your own
    (--weather). A margin above 0: it freezes even if the night turns out that much warmer; below 0: only if it turns
    out that much colder. The chance is for the coming night of an official forecast. It ranks and warns; it does not
    promise.

    \b
    Example:
      carewatch calc freeze-margin --part valve --low-c 1 --svg night.svg
      carewatch calc freeze-margin --part boom_pipe --weather weather/home.csv --from 2025-10-28T17:00Z
    """
    from carewatch.freeze.cooling import described_part
    from carewatch.freeze.course import course
    from carewatch.roster.model import PlaceKind
    from carewatch.web.night_picture import picture

    check_part_flags(part, inner_mm, wall_mm, material)
    with refusing_bad_input():
        body = described_part(
            part=part,
            inner_mm=inner_mm,
            wall_mm=wall_mm,
            material=material or "stainless",
            liquid=liquid_of(fluid, strength_vol_pct),
        )
        night, first_hour = _night(low_c, high_c, dew_c, wind_mps, cloud, weather=weather, from_utc=from_utc)
        found = course(body, night, place=PlaceKind(place), colder_c=colder_c)
    clock = [f"{(first_hour + hour) % 24:02d}:00" for hour in range(len(found.air_c))]
    clock_name = "hour" if weather is None else "hour UTC"
    if svg is not None:
        drawn = picture(found, clock=clock, clock_name=clock_name, units=units, what=part or "pipe")
        svg.write_text(drawn, encoding="utf-8")
    show(_document(found, clock), _lines(found, clock, clock_name, units), as_json=as_json)


def _night(
    low_c: float | None,
    high_c: float | None,
    dew_c: float | None,
    wind_mps: float | None,
    cloud: float | None,
    *,
    weather: Path | None,
    from_utc: str | None,
) -> tuple[Weather, int]:
    """The night and the clock hour it begins at."""
    from carewatch.freeze.course import typical_night

    if (low_c is None) == (weather is None):
        raise click.UsageError("Write one of --low-c (a typical night) and --weather (a file of hours).")
    if weather is not None:
        if any(value is not None for value in (high_c, dew_c, wind_mps, cloud)):
            raise click.UsageError("--weather says all of it: leave out --high-c, --dew-c, --wind-mps and --cloud.")
        from carewatch.service.records import recorded_night

        return recorded_night(weather, from_utc)
    if from_utc is not None or low_c is None:
        raise click.UsageError("--from goes with --weather.")
    return (
        typical_night(
            low_c=low_c,
            high_c=high_c,
            dew_c=dew_c,
            wind_mps=1.5 if wind_mps is None else wind_mps,
            cloud_fraction=0.0 if cloud is None else cloud,
        ),
        FIRST_HOUR,
    )


def _document(found: Course, clock: list[str]) -> dict[str, object]:
    return {
        "margin_c": found.margin_c,
        "chance": found.chance,
        "freezes_at_c": found.freezes_at_c,
        "coldest_air_c": found.coldest_air_c,
        "coldest_part_c": found.coldest_part_c,
        "ice_fraction": float(found.ice_fraction.max()),
        "first_ice_h": found.first_ice_h,
        "hours": [
            {"clock": at, "air_c": float(air_c), "part_c": float(part_c), "ice_fraction": float(ice)}
            for at, air_c, part_c, ice in zip(clock, found.air_c, found.part_c, found.ice_fraction, strict=True)
        ],
    }


def _lines(found: Course, clock: list[str], clock_name: str, units: str) -> list[str]:
    rows = [
        [at, degrees_words(float(air_c), units), degrees_words(float(part_c), units), f"{ice:.0%}"]
        for at, air_c, part_c, ice in zip(clock, found.air_c, found.part_c, found.ice_fraction, strict=True)
    ][::SHOWN_EVERY_H]
    return [
        _margin_words(found, units),
        f"Chance that it freezes: {found.chance:.0%} (the coming night, an official forecast).",
        _ice_words(found, clock, units),
        "",
        *table([clock_name, "air there", "part", "ice"], rows),
    ]


def _margin_words(found: Course, units: str) -> str:
    point = f"(it freezes at {degrees_words(found.freezes_at_c, units)})"
    if found.margin_c is None:
        return f"No night that can come would freeze it there {point}."
    by = difference_words(abs(found.margin_c), units)
    if found.margin_c >= 0.0:
        return f"It freezes even if the night turns out {by} warmer {point}."
    return f"It freezes only if the night turns out {by} colder {point}."


def _ice_words(found: Course, clock: list[str], units: str) -> str:
    coldest = f"Coldest: air {degrees_words(found.coldest_air_c, units)}"
    coldest += f", part {degrees_words(found.coldest_part_c, units)}"
    if found.first_ice_h is None:
        return f"{coldest}. In this very night no ice forms."
    return (
        f"{coldest}. First ice about {clock[round(found.first_ice_h)]}, {found.ice_fraction.max():.0%} of it at most."
    )
