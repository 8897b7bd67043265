"""The full nonlinear heat balance of one part, solved with scipy to a tight tolerance: what the kernel is held to.

Written from the published correlations on its own, in scalar form, without anything of carewatch.freeze: Prata 1996 sky
with linear cloud factor 0.84, Churchill-Bernstein 1977 and Churchill-Chu 1975 blended with exponent 4, film properties
at air temperature, and an evaporating film where the outside is wet. Weather is linear between the hour marks.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, nan, sqrt

import numpy as np
from scipy.integrate import solve_ivp

SIGMA = 5.670374419e-8
K0 = 273.15


@dataclass(frozen=True)
class Marks:
    """Weather at the hour marks, plain lists; wind at the part, ground so much below the air."""

    air_c: np.ndarray
    dew_c: np.ndarray
    wind_mps: np.ndarray
    cloud: np.ndarray
    ground_below_c: np.ndarray
    wet: np.ndarray


@dataclass(frozen=True)
class Solution:
    onset_h: float
    end_j: float
    exchanged_j: float
    ice_fraction: np.ndarray
    part_c: np.ndarray


def solve(part, marks: Marks, *, start_c: float, is_open: bool = True, rtol: float = 1e-8) -> Solution:
    """One part (an object with the fields of `Part`) through the hours; start at liquid of `start_c`."""
    liquid = part.liquid_kg * part.liquid_j_per_kgk + part.wall_j_per_k
    skin = part.skin_share * part.liquid_kg * part.liquid_j_per_kgk + part.wall_j_per_k
    solid = part.liquid_kg * 2096.7 + part.wall_j_per_k
    latent = part.liquid_kg * 333_430.0
    freezes_c = part.freezes_at_c
    skin_range = max(4.0 - freezes_c, 0.0)
    view = part.sky_view if is_open else 0.0

    def temperature_c(heat: float) -> float:
        if heat > skin * skin_range:
            return freezes_c + skin_range + (heat - skin * skin_range) / liquid
        if heat > 0.0:
            return freezes_c + heat / skin
        if heat >= -latent:
            return freezes_c
        return freezes_c + (heat + latent) / solid

    def heat(temp_c: float) -> float:
        above = max(temp_c - freezes_c, 0.0)
        return skin * min(above, skin_range) + liquid * max(above - skin_range, 0.0)

    def at(values: np.ndarray, hour: float) -> float:
        i = min(int(hour), values.size - 2)
        return float(values[i] + (values[i + 1] - values[i]) * (hour - i))

    def flow_w(hour: float, heat_now: float) -> float:
        part_k = temperature_c(heat_now) + K0
        conductance, pull_k = exchange(
            part,
            view,
            part_k,
            air_c=at(marks.air_c, hour),
            dew_c=at(marks.dew_c, hour),
            wind=at(marks.wind_mps, hour),
            cloud=at(marks.cloud, hour),
            ground_below_c=at(marks.ground_below_c, hour),
            wet=at(marks.wet, hour),
        )
        return conductance * (pull_k - part_k)

    def rate(second: float, state: np.ndarray) -> list[float]:
        watt = flow_w(second / 3600.0, float(state[0]))
        return [watt, abs(watt)]

    def freezes(_second: float, state: np.ndarray) -> float:
        return float(state[0])

    hours = marks.air_c.size - 1
    start_j = heat(max(start_c, freezes_c))
    found = solve_ivp(
        rate,
        (0.0, hours * 3600.0),
        [start_j, 0.0],
        method="LSODA",
        rtol=rtol,
        atol=[1e-6 * latent, 1.0],
        max_step=600.0,
        events=freezes,
        t_eval=np.arange(hours + 1) * 3600.0,
    )
    falling = [t for t in found.t_events[0] if rate(t, np.array([0.0, 0.0]))[0] < 0.0]
    onset_h = falling[0] / 3600.0 if falling else nan
    if start_j == 0.0 and rate(0.0, np.array([0.0, 0.0]))[0] < 0.0:
        onset_h = 0.0
    heats = found.y[0]
    return Solution(
        onset_h=onset_h,
        end_j=float(heats[-1]),
        exchanged_j=float(found.y[1][-1]),
        ice_fraction=np.clip(-heats / latent, 0.0, 1.0),
        part_c=np.array([temperature_c(float(one)) for one in heats]),
    )


def exchange(
    part, view: float, part_k: float, *, air_c, dew_c, wind, cloud, ground_below_c, wet
) -> tuple[float, float]:
    """Conductance [W/K] and the temperature the surroundings pull to [K]."""
    air_k, diameter = air_c + K0, part.diameter_mm / 1000.0
    conductivity = 0.02436 * (air_k / K0) ** 0.86
    viscosity = 1.7218e-5 * (air_k / K0) ** 0.79 * 287.05 * air_k / 101325.0
    pr = 0.711
    re = wind * diameter / viscosity
    forced = 0.3 + 0.62 * re**0.5 * pr ** (1 / 3) / (1 + (0.4 / pr) ** (2 / 3)) ** 0.25 * (
        1 + (re / 282000) ** (5 / 8)
    ) ** (4 / 5)
    ra = 9.80665 * abs(part_k - air_k) * diameter**3 * pr / (air_k * viscosity**2)
    natural = (0.60 + 0.387 * ra ** (1 / 6) / (1 + (0.559 / pr) ** (9 / 16)) ** (8 / 27)) ** 2
    convection = conductivity / diameter * (forced**4 + natural**4) ** 0.25
    vapour = 611.2 * exp(17.62 * dew_c / (243.12 + dew_c))
    w = 46.5 * vapour / 100.0 / air_k
    clear = 1.0 - (1.0 + w) * exp(-sqrt(1.2 + 3.0 * w))
    sky = (clear + 0.84 * cloud * (1.0 - clear)) * air_k**4
    radiant_k = (view * sky + (1.0 - view) * (air_k - ground_below_c) ** 4) ** 0.25
    radiation = part.emissivity * SIGMA * (part_k**2 + radiant_k**2) * (part_k + radiant_k)
    film, pull = convection + radiation, convection * air_k + radiation * radiant_k
    t = part_k - K0
    a, b, gamma = (22.46, 272.62, 57.7) if t < 0.0 else (17.62, 243.12, 65.4)
    es = 611.2 * exp(a * t / (b + t))
    if wet > 0.0 and es > vapour:
        slope = es * a * b / (b + t) ** 2
        evaporation = wet * convection * slope / gamma
        film += evaporation
        pull += evaporation * (part_k - (es - vapour) / slope)
    return part.area_m2 / (1.0 / film + part.wall_m2k_per_w), pull / film
