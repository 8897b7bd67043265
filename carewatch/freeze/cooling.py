"""The cooling calculator: one part under weather that does not change."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

import numpy as np
import numpy.typing as npt

from carewatch.errors import BadInput
from carewatch.fluids.freezing import freezes_at_c
from carewatch.fluids.liquid import WATER, Liquid, LiquidKind
from carewatch.freeze.air import BOOM_WIND, STILL_AIR_MPS
from carewatch.freeze.exchange import Forcing
from carewatch.freeze.kernel import Load, run_numpy
from carewatch.freeze.parts import (
    DEFAULTS,
    OTHER_LIQUID_J_PER_KGK,
    WATER_J_PER_KGK,
    Part,
    default_part,
    pipe_part,
    stack,
)

DEW_BELOW_AIR_C = 8.0  # chosen: without a dew point the air counts as dry, so the sky as cold
STEPS_PER_HOUR = 30
LONGEST_H = 24.0 * 60.0
COLDEST_C, WARMEST_C = -80.0, 80.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A pipe material: density, heat capacity, conductivity and emissivity of a used, dirty surface."""

    density_kg_per_m3: float
    heat_j_per_kgk: float
    conductivity_w_per_mk: float
    emissivity: float


# rounded handbook figures, from memory; the wall matters little beside the liquid and the film
MATERIALS = {
    "stainless": Material(density_kg_per_m3=7900.0, heat_j_per_kgk=477.0, conductivity_w_per_mk=15.0, emissivity=0.90),
    "rubber": Material(density_kg_per_m3=1200.0, heat_j_per_kgk=1800.0, conductivity_w_per_mk=0.25, emissivity=0.92),
    "plastic": Material(density_kg_per_m3=950.0, heat_j_per_kgk=1700.0, conductivity_w_per_mk=0.22, emissivity=0.95),
}
SKIES = ("clear", "overcast", "none")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling:
    """Hours until each stage, None where it is not reached; `lowest_c` is the coldest the part gets [°C]."""

    hours_to_freezing_point: float | None
    hours_to_ice_20: float | None
    hours_to_ice_100: float | None
    lowest_c: float
    freezes_at_c: float


def cooling(
    *,
    part: str | None = None,
    inner_mm: float | None = None,
    wall_mm: float | None = None,
    material: str = "stainless",
    insulation_mm: float = 0.0,
    insulation_w_per_mk: float = 0.04,
    start_c: float,
    air_c: float,
    dew_c: float | None = None,
    wind_mps: float = 3.0,
    film_w_m2k: float | None = None,
    sky: str = "clear",
    liquid: Liquid = WATER,
    hours: float = 48.0,
) -> Cooling:
    """How a part cools and freezes under constant weather.

    Parameters
    ----------
    part : str, optional
        `valve`, `boom_pipe`, `hoses`, `pump`, `meter`, `hopper`, `tank`, `rinse_tank` or `hand_wash_tank`; or leave it
        out and give `inner_mm`, `wall_mm` [mm] and `material` (`stainless`, `rubber`, `plastic`) of a full pipe.
    insulation_mm, insulation_w_per_mk : float
        Insulation around an own pipe [mm], [W/m K].
    start_c, air_c, dew_c : float
        Liquid at the start, air, dew point [°C]; without a dew point 8 °C below the air.
    wind_mps : float
        Wind at 10 m [m/s].
    film_w_m2k : float, optional
        Film coefficient on the outer area [W/m2K]; replaces wind and sky.
    sky : str
        `clear`, `overcast`, or `none` (under a roof; surroundings as warm as the air).
    liquid : Liquid
        What the part holds.
    hours : float
        How long [h], up to 1440.

    Returns
    -------
    Cooling

    Raises
    ------
    BadInput
        If a value is not possible or the part is not described.
    """
    body = described_part(
        part=part,
        inner_mm=inner_mm,
        wall_mm=wall_mm,
        material=material,
        insulation_mm=insulation_mm,
        insulation_w_per_mk=insulation_w_per_mk,
        liquid=liquid,
    )
    _check(start_c=start_c, air_c=air_c, dew_c=dew_c, wind_mps=wind_mps, film_w_m2k=film_w_m2k, sky=sky, hours=hours)
    dew_c = air_c - DEW_BELOW_AIR_C if dew_c is None else min(dew_c, air_c)
    marks = ceil(hours) + 1

    def held(value: float) -> npt.NDArray[np.float64]:
        return np.full((marks, 1), value)

    parts = stack([body])
    load = Load(
        parts=parts,
        forcing=Forcing(
            air_c=held(air_c),
            dew_c=held(dew_c),
            wind_mps=held(max(wind_mps * BOOM_WIND, STILL_AIR_MPS)),
            cloud_fraction=held(1.0 if sky == "overcast" else 0.0),
            ground_below_air_c=held(0.0),
            sky_open=held(0.0 if sky == "none" else 1.0),
            is_wet=held(0.0),
            film_w_m2k=None if film_w_m2k is None else np.array([film_w_m2k]),
        ),
        start_j=parts.enthalpy_j(np.array([start_c])),
        first_h=np.zeros(1),
        last_h=np.array([float(marks - 1)]),
    )
    run = run_numpy(load, sub_steps=STEPS_PER_HOUR, levels=(0.2, 1.0))
    return Cooling(
        hours_to_freezing_point=0.0 if start_c <= body.freezes_at_c else _within(run.onset_h[0], hours),
        hours_to_ice_20=_within(run.level_h[0, 0], hours),
        hours_to_ice_100=_within(run.level_h[1, 0], hours),
        lowest_c=float(min(run.lowest_c[0], start_c)),
        freezes_at_c=body.freezes_at_c,
    )


def described_part(
    *,
    part: str | None = None,
    inner_mm: float | None = None,
    wall_mm: float | None = None,
    material: str = "stainless",
    insulation_mm: float = 0.0,
    insulation_w_per_mk: float = 0.04,
    liquid: Liquid = WATER,
) -> Part:
    """The part of that name, or a metre of pipe of these measures [mm], full of a liquid; BadInput if it cannot be."""
    is_water = liquid.kind in (LiquidKind.WATER, LiquidKind.PRODUCT, LiquidKind.UNKNOWN)
    if part is not None:
        if part != "valve" and not part.startswith("valve.") and part not in DEFAULTS:
            raise BadInput(f"There is no part {part!r}; write valve or one of {', '.join(DEFAULTS)}.")
        body = default_part(part)
    elif inner_mm is None or wall_mm is None:
        raise BadInput("Name a part, or give the inner width and the wall of a pipe in mm.")
    elif material not in MATERIALS:
        raise BadInput(f"There is no material {material!r}; write one of {', '.join(MATERIALS)}.")
    elif not (inner_mm > 0.0 and wall_mm > 0.0 and insulation_mm >= 0.0 and insulation_w_per_mk > 0.0):
        raise BadInput(f"A pipe of {inner_mm:g} mm with a wall of {wall_mm:g} mm is not possible; write both above 0.")
    else:
        stuff = MATERIALS[material]
        body = pipe_part(
            inner_mm=inner_mm,
            wall_mm=wall_mm,
            density_kg_per_m3=stuff.density_kg_per_m3,
            heat_j_per_kgk=stuff.heat_j_per_kgk,
            conductivity_w_per_mk=stuff.conductivity_w_per_mk,
            emissivity=stuff.emissivity,
            insulation_mm=insulation_mm,
            insulation_w_per_mk=insulation_w_per_mk,
        )
    return replace(
        body,
        freezes_at_c=freezes_at_c(liquid),
        liquid_j_per_kgk=WATER_J_PER_KGK if is_water else OTHER_LIQUID_J_PER_KGK,
    )


def _check(
    *,
    start_c: float,
    air_c: float,
    dew_c: float | None,
    wind_mps: float,
    film_w_m2k: float | None,
    sky: str,
    hours: float,
) -> None:
    for name, value_c in (("start", start_c), ("air", air_c), ("dew point", air_c if dew_c is None else dew_c)):
        if not COLDEST_C <= value_c <= WARMEST_C:
            raise BadInput(f"A {name} temperature of {value_c:g} °C is outside {COLDEST_C:g} to {WARMEST_C:g} °C.")
    if not 0.0 <= wind_mps <= 100.0:
        raise BadInput(f"A wind of {wind_mps:g} m/s is not possible; write 0 to 100.")
    if film_w_m2k is not None and not 0.0 < film_w_m2k < 1e6:
        raise BadInput(f"A film coefficient of {film_w_m2k:g} W/m2K is not possible; write a number above 0.")
    if sky not in SKIES:
        raise BadInput(f"There is no sky {sky!r}; write one of {', '.join(SKIES)}.")
    if not 0.0 < hours <= LONGEST_H:
        raise BadInput(f"{hours:g} hours are not possible; write a number above 0, up to {LONGEST_H:g}.")


def _within(value_h: float, hours: float) -> float | None:
    return float(value_h) if value_h <= hours else None
