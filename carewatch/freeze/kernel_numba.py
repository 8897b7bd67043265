"""The heat balance compiled by numba: the same arithmetic as `kernel.run_numpy`, column by column.

Needs the extra `[fast]`. Everything that is compiled stands in this one file and takes its physical constants as
arguments, because the compiler's cache on disk looks at the age of this file alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from itertools import pairwise
from math import exp, isnan, log, log1p, nan, sqrt
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
import numpy.typing as npt

from carewatch.freeze import air, exchange, sky
from carewatch.freeze.exchange import MARKS
from carewatch.freeze.kernel import SUB_STEPS, Load, Run
from carewatch.units import ZERO_C_IN_K

FloatArray = npt.NDArray[np.float64]
Marks = tuple[float, float, float, float, float, float, float]
"""The weather of one column at one mark, in the order of `exchange.MARKS`."""
numba: Any = import_module("numba")  # it has no types
F = TypeVar("F", bound=Callable[..., object])

THREADS_PAY_FROM = 40_000  # column-hours; below, starting threads takes longer than it saves


class Figures(NamedTuple):
    """Physical constants of the compiled code, from where the numpy engine takes them."""

    zero_k: float
    gravity: float
    prandtl: float
    gas: float
    pressure_pa: float
    stefan_boltzmann: float
    cloud_factor: float
    gamma_water: float
    gamma_ice: float
    forced: float
    natural: float


FIGURES = Figures(
    zero_k=ZERO_C_IN_K,
    gravity=air.GRAVITY_MPS2,
    prandtl=air.PRANDTL,
    gas=air.GAS_CONSTANT_J_PER_KGK,
    pressure_pa=air.STANDARD_PRESSURE_PA,
    stefan_boltzmann=sky.STEFAN_BOLTZMANN,
    cloud_factor=sky.CLOUD_FACTOR,
    gamma_water=air.PSYCHROMETRIC_PA_PER_K,
    gamma_ice=air.PSYCHROMETRIC_ICE_PA_PER_K,
    forced=0.62 * air.PRANDTL ** (1.0 / 3.0) * exchange.FORCED_PRANDTL,
    natural=0.387 * exchange.NATURAL_PRANDTL,
)


class Body(NamedTuple):
    """One part in the compiled code: `PartArrays`, what follows from them, the fixed film (NaN: none)."""

    diameter_m: float
    area_m2: float
    per_capacity: float
    per_skin: float
    per_solid: float
    skin_full_j: float
    latent_j: float
    wall_m2k_per_w: float
    emissivity: float
    sky_view: float
    freezes_k: float
    film_w_m2k: float


class Felt(NamedTuple):
    """Weather at one instant at one part, in the compiled code."""

    air_k: float
    vapour_pa: float
    wind_mps: float
    cloud_fraction: float
    ground_k: float
    sky_open: float
    is_wet: float


def run_numba(load: Load, *, sub_steps: int = SUB_STEPS, levels: Sequence[float] = ()) -> Run:
    """Integrate the heat balance of every column with compiled code.

    Parameters
    ----------
    load : Load
        Parts, weather, start and span of n columns.
    sub_steps : int
        Steps an hour.
    levels : sequence of float
        Ice fractions (0..1] whose first instant is wanted.

    Returns
    -------
    Run

    Notes
    -----
    Equations, steps and phase changes are those of `kernel.run_numpy`; results differ by rounding only.
    """
    count, marks = load.parts.count, load.forcing.hours + 1
    run = Run(
        onset_h=np.full(count, np.nan),
        ice_fraction=np.zeros((marks, count)),
        part_c=np.empty((marks, count)),
        lowest_c=np.full(count, np.inf),
        end_j=np.array(load.start_j, dtype=np.float64),
        level_h=np.full((len(levels), count), np.nan),
    )
    rows, level = _rows(load), np.array(levels, dtype=np.float64)
    weather = tuple(_plain(getattr(load.forcing, name)) for name in MARKS)
    spans_h = (_plain(load.first_h), _plain(load.last_h))

    def work(columns: tuple[int, int]) -> None:
        _columns(FIGURES, columns, rows, weather, spans_h, sub_steps, level, *_results(run))

    spans = _spans(count, marks)
    if len(spans) == 1:
        work(spans[0])
    else:
        with ThreadPoolExecutor(len(spans)) as pool:
            list(pool.map(work, spans))
    return run


def _plain(values: FloatArray) -> FloatArray:
    return np.ascontiguousarray(values, dtype=np.float64)


def _results(run: Run) -> tuple[FloatArray, ...]:
    return (run.onset_h, run.ice_fraction, run.part_c, run.lowest_c, run.end_j, run.level_h)


def _rows(load: Load) -> FloatArray:
    """The fields of `Body`, one a row."""
    parts, film = load.parts, load.forcing.film_w_m2k
    rows = {
        "diameter_m": parts.diameter_m,
        "area_m2": parts.area_m2,
        "per_capacity": 1.0 / parts.capacity_j_per_k,
        "per_skin": 1.0 / parts.skin_j_per_k,
        "per_solid": 1.0 / parts.solid_j_per_k,
        "skin_full_j": parts.skin_range_k * parts.skin_j_per_k,
        "latent_j": parts.latent_j,
        "wall_m2k_per_w": parts.wall_m2k_per_w,
        "emissivity": parts.emissivity,
        "sky_view": parts.sky_view,
        "freezes_k": parts.freezes_at_c + ZERO_C_IN_K,
        "film_w_m2k": np.full(parts.count, np.nan) if film is None else film,
    }
    return _plain(np.stack([rows[name] for name in Body._fields]))


def _spans(count: int, marks: int) -> list[tuple[int, int]]:
    """Columns for each thread; one span where threads do not pay."""
    threads = int(numba.config.NUMBA_NUM_THREADS) if count * marks >= THREADS_PAY_FROM else 1
    edges = np.linspace(0, count, threads + 1).astype(int)
    return [(int(first), int(last)) for first, last in pairwise(edges)]


# ------------------------------------------------------------------------------------------------ compiled from here on


def _compiled(function: F) -> F:
    """Compile a piece that others call; it is taken into them."""
    return cast("F", numba.njit(nogil=True, error_model="numpy")(function))


def _compiled_and_kept(function: F) -> F:
    """Compile now and keep the result on disk; where no folder can be written, compile anew in every process."""
    floats, grid = numba.float64[::1], numba.float64[:, ::1]
    pair = numba.types.UniTuple
    signature = numba.void(
        numba.typeof(FIGURES),
        pair(numba.int64, 2),
        grid,
        pair(grid, len(MARKS)),
        pair(floats, 2),
        numba.int64,
        floats,
        floats,
        grid,
        grid,
        floats,
        floats,
        grid,
    )
    try:
        return cast("F", numba.njit(signature, nogil=True, error_model="numpy", cache=True)(function))
    except (RuntimeError, OSError):
        return cast("F", numba.njit(signature, nogil=True, error_model="numpy")(function))


@_compiled
def _relaxation(x: float) -> float:
    above = 1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0)))
    return above / (1.0 + x * above)


@_compiled
def _water_pa(temperature_c: float) -> float:
    return 611.2 * exp(17.62 * temperature_c / (243.12 + temperature_c))


@_compiled
def _ice_pa(temperature_c: float) -> float:
    return 611.2 * exp(22.46 * temperature_c / (272.62 + temperature_c))


@_compiled
def _body(rows: FloatArray, column: int) -> Body:
    return Body(
        rows[0, column],
        rows[1, column],
        rows[2, column],
        rows[3, column],
        rows[4, column],
        rows[5, column],
        rows[6, column],
        rows[7, column],
        rows[8, column],
        rows[9, column],
        rows[10, column],
        rows[11, column],
    )


@_compiled
def _fourth_power(value: float) -> float:
    return value * value * (value * value)


@_compiled
def _at_mark(weather: tuple[FloatArray, ...], mark: int, column: int) -> Marks:
    return (
        weather[0][mark, column],
        weather[1][mark, column],
        weather[2][mark, column],
        weather[3][mark, column],
        weather[4][mark, column],
        weather[5][mark, column],
        weather[6][mark, column],
    )


@_compiled
def _felt(figures: Figures, before: Marks, after: Marks, share: float) -> Felt:
    air_k = before[0] + (after[0] - before[0]) * share + figures.zero_k
    return Felt(
        air_k,
        _water_pa(before[1] + (after[1] - before[1]) * share),
        before[2] + (after[2] - before[2]) * share,
        before[3] + (after[3] - before[3]) * share,
        air_k - (before[4] + (after[4] - before[4]) * share),
        before[5] + (after[5] - before[5]) * share,
        before[6] + (after[6] - before[6]) * share,
    )


@_compiled
def _convection_w(figures: Figures, body: Body, felt: Felt, part_k: float) -> float:
    log_ratio = log(felt.air_k / figures.zero_k)
    per_diameter = 0.02436 * exp(0.86 * log_ratio) / body.diameter_m
    viscosity = 1.7218e-5 * exp(0.79 * log_ratio) * figures.gas * felt.air_k / figures.pressure_pa
    reynolds = felt.wind_mps * body.diameter_m / viscosity
    # powers of 5/8, 4/5 and 1/6 as roots and one logarithm: the general power takes three times as long
    root = sqrt(reynolds / 282000.0)
    forced = 0.3 + figures.forced * sqrt(reynolds) * exp(0.8 * log1p(root * sqrt(sqrt(root))))
    rayleigh_per_k = figures.gravity * figures.prandtl * body.diameter_m**3 / (felt.air_k * viscosity * viscosity)
    natural = 0.60 + figures.natural * sqrt(np.cbrt(rayleigh_per_k * abs(part_k - felt.air_k)))
    natural *= natural
    return float(per_diameter * sqrt(sqrt(_fourth_power(forced) + _fourth_power(natural))))


@_compiled
def _radiant_k(figures: Figures, body: Body, felt: Felt) -> float:
    water_cm = 46.5 * felt.vapour_pa / 100.0 / felt.air_k
    clear = 1.0 - (1.0 + water_cm) * exp(-sqrt(1.2 + 3.0 * water_cm))
    emissivity = clear + figures.cloud_factor * felt.cloud_fraction * (1.0 - clear)
    view = body.sky_view * felt.sky_open
    return sqrt(sqrt(view * emissivity * _fourth_power(felt.air_k) + (1.0 - view) * _fourth_power(felt.ground_k)))


@_compiled
def _evaporation(figures: Figures, felt: Felt, part_k: float, convection: float) -> tuple[float, float]:
    part_c = part_k - figures.zero_k
    if part_c < 0.0:
        saturation, gamma = _ice_pa(part_c), figures.gamma_ice
        per_k = saturation * 22.46 * 272.62 / (272.62 + part_c) ** 2
    else:
        saturation, gamma = _water_pa(part_c), figures.gamma_water
        per_k = saturation * 17.62 * 243.12 / (243.12 + part_c) ** 2
    deficit = saturation - felt.vapour_pa
    if deficit <= 0.0:
        return 0.0, part_k
    return felt.is_wet * convection * per_k / gamma, part_k - deficit / per_k


@_compiled
def _exchange(figures: Figures, body: Body, felt: Felt, part_k: float) -> tuple[float, float]:
    """Conductance to the surroundings [W/K] and the temperature they pull towards [K]."""
    convection, radiation, radiant_k = body.film_w_m2k, 0.0, felt.air_k
    if isnan(body.film_w_m2k):
        convection, radiant_k = _convection_w(figures, body, felt, part_k), _radiant_k(figures, body, felt)
        radiation = (part_k * part_k + radiant_k * radiant_k) * (part_k + radiant_k)
        radiation *= figures.stefan_boltzmann * body.emissivity
    film = convection + radiation
    pull = convection * felt.air_k + radiation * radiant_k
    if felt.is_wet > 0.0:
        wet, wet_k = _evaporation(figures, felt, part_k, convection)
        film += wet
        pull += wet * wet_k
    return body.area_m2 / (1.0 / film + body.wall_m2k_per_w), pull / film


@_compiled
def _temperature_k(body: Body, heat_j: float) -> float:
    liquid = min(max(heat_j, 0.0), body.skin_full_j) * body.per_skin
    liquid += max(heat_j - body.skin_full_j, 0.0) * body.per_capacity
    solid = min(heat_j + body.latent_j, 0.0) * body.per_solid
    return body.freezes_k + liquid + solid


@_compiled
def _ice_share(body: Body, heat_j: float) -> float:
    return min(max(-heat_j / body.latent_j, 0.0), 1.0) if body.latent_j > 0.0 else 0.0


@_compiled
def _per_j(body: Body, heat_j: float) -> float:
    if heat_j > 0.0:
        return body.per_capacity if heat_j > body.skin_full_j else body.per_skin
    return body.per_solid if heat_j < -body.latent_j else 0.0


@_compiled
def _root_share(before_j: float, after_j: float, slope_j: float) -> float:
    curve_j = after_j - before_j - slope_j
    root = sqrt(max(slope_j * slope_j - 4.0 * curve_j * before_j, 0.0))
    return min(max(2.0 * before_j / (root - slope_j), 0.0), 1.0) if root - slope_j > 0.0 else 0.0


@_compiled
def _leave(before_j: float, after_j: float, edge_j: float, per_s: float, step_s: float) -> float:
    beyond_j = after_j - edge_j
    return edge_j + beyond_j * _relaxation(per_s * step_s * beyond_j / (after_j - before_j))


@_compiled
def _phase_change(
    body: Body, before_j: float, after_j: float, conductance: float, pull_k: float, step_s: float
) -> tuple[float, float]:
    """Heat after a step in which the phase may change, and the share of the step at which ice began (NaN: not)."""
    share, latent_j = nan, body.latent_j
    plateau_j = step_s * conductance * (pull_k - body.freezes_k)
    if before_j >= 0.0 and after_j < 0.0:
        slope_j = step_s * conductance * (pull_k - _temperature_k(body, before_j))
        share = _root_share(before_j, after_j, slope_j)
        if latent_j > 0.0 and before_j > 0.0:
            after_j = max(min((1.0 - share) * plateau_j, 0.0), -latent_j)
    if latent_j <= 0.0:
        return after_j, share
    if before_j < -latent_j and after_j > -latent_j:
        melts_from = (-latent_j - before_j) / (after_j - before_j)
        after_j = -latent_j + min(max((1.0 - melts_from) * plateau_j, 0.0), latent_j)
    if -latent_j <= before_j <= 0.0:
        if after_j > 0.0:
            after_j = _leave(before_j, after_j, 0.0, conductance * body.per_skin, step_s)
        elif after_j < -latent_j:
            after_j = _leave(before_j, after_j, -latent_j, conductance * body.per_solid, step_s)
    return after_j, share


@_compiled
def _note_levels(
    levels: FloatArray, level_h: FloatArray, column: int, latent_j: float, heats_j: tuple[float, float], step: float
) -> None:
    before_j, after_j = heats_j
    for k in range(levels.shape[0]):
        level_j = -levels[k] * latent_j
        if before_j > level_j >= after_j and isnan(level_h[k, column]):
            level_h[k, column] = step + (before_j - level_j) / (before_j - after_j)


@_compiled_and_kept
def _columns(
    figures: Figures,
    columns: tuple[int, int],
    rows: FloatArray,
    weather: tuple[FloatArray, ...],
    spans_h: tuple[FloatArray, FloatArray],
    sub_steps: int,
    levels: FloatArray,
    onset_h: FloatArray,
    ice_fraction: FloatArray,
    part_c: FloatArray,
    lowest_c: FloatArray,
    heat_j: FloatArray,
    level_h: FloatArray,
) -> None:
    """Run the columns from the first to before the last of `columns`; results are written in place."""
    step_s = 3600.0 / sub_steps
    for j in range(columns[0], columns[1]):
        body, heat = _body(rows, j), heat_j[j]
        now_k, lowest_k = _temperature_k(body, heat), np.inf
        for hour in range(weather[0].shape[0]):
            part_c[hour, j] = now_k - figures.zero_k
            ice_fraction[hour, j] = _ice_share(body, heat)
            if not spans_h[0][j] <= hour < min(spans_h[1][j], weather[0].shape[0] - 1):
                continue
            earlier, later = _at_mark(weather, hour, j), _at_mark(weather, hour + 1, j)
            for step in range(sub_steps):
                felt = _felt(figures, earlier, later, (step + 0.5) / sub_steps)
                conductance, pull_k = _exchange(figures, body, felt, now_k)
                flow_j = step_s * conductance * (pull_k - now_k)
                before, heat = heat, heat + flow_j * _relaxation(step_s * conductance * _per_j(body, heat))
                if not (before > 0.0 and heat > 0.0):
                    heat, began = _phase_change(body, before, heat, conductance, pull_k, step_s)
                    if isnan(onset_h[j]) and not isnan(began):
                        onset_h[j] = hour + (step + began) / sub_steps
                    _note_levels(levels, level_h, j, body.latent_j, (before, heat), hour * sub_steps + step)
                now_k = _temperature_k(body, heat)
                if not lowest_k <= now_k:
                    lowest_k = now_k  # not a number goes in and stays
        lowest_c[j], heat_j[j] = lowest_k - figures.zero_k, heat
        level_h[:, j] /= sub_steps
