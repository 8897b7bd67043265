"""The heat balance compiled by numba: the same arithmetic as `kernel.run_numpy`, column by column.

Needs the extra `[fast]`. Everything that is compiled stands in this one file and takes its physical constants as
arguments, because the compiler's cache on disk looks at the age of this file alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from itertools import pairwise
from math import exp, inf, isnan, nan, sqrt
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
import numpy.typing as npt

from carewatch.freeze import air, exchange, sky
from carewatch.freeze.exchange import MARKS
from carewatch.freeze.kernel import SUB_STEPS, Load, Run
from carewatch.units import ZERO_C_IN_K

FloatArray = npt.NDArray[np.float64]
numba: Any = import_module("numba")  # it has no types
F = TypeVar("F", bound=Callable[..., object])

LANES = 16  # columns worked on together: the processor then takes eight at a time
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


# Rows of the block in which LANES columns are worked on: the part, the state, the weather, and what a step works out.
(DIAMETER, AREA, PER_CAPACITY, PER_SKIN, PER_SOLID, SKIN_FULL, LATENT, WALL, EMISSIVITY, SKY_VIEW, FREEZES, FILM) = (
    range(12)
)
(HEAT, PART_K, LOWEST, RUNS, IS_FREE, FIXED, NATURAL) = range(12, 19)
(AIR, DEW, WIND, CLOUD, GROUND, SKY, WET) = range(19, 26)  # at the earlier mark, in the order of MARKS
CHANGE = 7  # so many rows further: how much it changes until the later mark
(CONVECTION, TOTAL, PULL, AFTER) = range(33, 37)
ROWS = 37


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
    """The parts, one figure a row, in the order of the rows from DIAMETER to FILM."""
    parts, film = load.parts, load.forcing.film_w_m2k
    rows = (
        parts.diameter_m,
        parts.area_m2,
        1.0 / parts.capacity_j_per_k,
        1.0 / parts.skin_j_per_k,
        1.0 / parts.solid_j_per_k,
        parts.skin_range_k * parts.skin_j_per_k,
        parts.latent_j,
        parts.wall_m2k_per_w,
        parts.emissivity,
        parts.sky_view,
        parts.freezes_at_c + ZERO_C_IN_K,
        np.full(parts.count, np.nan) if film is None else film,
    )
    return _plain(np.stack(rows))


def _spans(count: int, marks: int) -> list[tuple[int, int]]:
    """Columns for each thread; one span where threads do not pay."""
    threads = int(numba.config.NUMBA_NUM_THREADS) if count * marks >= THREADS_PAY_FROM else 1
    edges = np.linspace(0, count, threads + 1).astype(int)
    return [(int(first), int(last)) for first, last in pairwise(edges)]


# ------------------------------------------------------------------------------------------------ compiled from here on


def _compiled(function: F) -> F:
    """Compile a piece that others call; it is taken into them."""
    return cast("F", numba.njit(nogil=True, error_model="numpy")(function))


def _taken_in(function: F) -> F:
    """Write a piece out where it is called, so that the compiler sees that the rows of a block lie apart."""
    return cast("F", numba.njit(nogil=True, error_model="numpy", inline="always")(function))


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
def _exp(x: float) -> float:
    """e^x without a branch, within 1e-13 for -17 < x < 5: by its series at x/64, squared six times."""
    y = x / 64.0
    y = 1.0 + y * (1.0 + y * (1 / 2 + y * (1 / 6 + y * (1 / 24 + y * (1 / 120 + y * (1 / 720 + y * _exp_tail(y)))))))
    y *= y
    y *= y
    y *= y
    y *= y
    y *= y
    return y * y


@_compiled
def _exp_tail(y: float) -> float:
    return 1 / 5040 + y * (1 / 40320 + y * (1 / 362880 + y / 3628800))


@_compiled
def _log(x: float) -> float:
    """ln x without a branch, within 1e-11 for 0.5 < x < 2: series of the inverse hyperbolic tangent."""
    s = (x - 1.0) / (x + 1.0)
    q = s * s
    tail = 1 / 11 + q * (1 / 13 + q * (1 / 15 + q * (1 / 17 + q / 19)))
    return 2.0 * s * (1.0 + q * (1 / 3 + q * (1 / 5 + q * (1 / 7 + q * (1 / 9 + q * tail)))))


@_compiled
def _cube_root(x: float) -> float:
    """x^(1/3), x >= 0, without a branch: two of Halley's steps from x^(5/16), within 1e-8 from 0.001 up."""
    y = sqrt(sqrt(x + 1e-30))
    y *= sqrt(sqrt(y))
    cube = y * y * y
    y *= (cube + 2.0 * x) / (2.0 * cube + x)
    cube = y * y * y
    return y * (cube + 2.0 * x) / (2.0 * cube + x)


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
def _root_share(before_j: float, after_j: float, slope_j: float) -> float:
    curve_j = after_j - before_j - slope_j
    root = sqrt(max(slope_j * slope_j - 4.0 * curve_j * before_j, 0.0))
    return min(max(2.0 * before_j / (root - slope_j), 0.0), 1.0) if root - slope_j > 0.0 else 0.0


@_compiled
def _leave(before_j: float, after_j: float, edge_j: float, per_s: float, step_s: float) -> float:
    beyond_j = after_j - edge_j
    return edge_j + beyond_j * _relaxation(per_s * step_s * beyond_j / (after_j - before_j))


@_compiled
def _phase_change(block: FloatArray, i: int, step_s: float) -> tuple[float, float]:
    """Heat after a step in which the phase may change, and the share of the step at which ice began (NaN: not)."""
    before_j, after_j, latent_j = block[HEAT, i], block[AFTER, i], block[LATENT, i]
    share, conductance, pull_k = nan, block[TOTAL, i], block[PULL, i]
    plateau_j = step_s * conductance * (pull_k - block[FREEZES, i])
    if before_j >= 0.0 and after_j < 0.0:
        slope_j = step_s * conductance * (pull_k - block[PART_K, i])
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
            after_j = _leave(before_j, after_j, 0.0, conductance * block[PER_SKIN, i], step_s)
        elif after_j < -latent_j:
            after_j = _leave(before_j, after_j, -latent_j, conductance * block[PER_SOLID, i], step_s)
    return after_j, share


@_compiled
def _temperature_k(block: FloatArray, i: int, heat_j: float) -> float:
    liquid = min(max(heat_j, 0.0), block[SKIN_FULL, i]) * block[PER_SKIN, i]
    liquid += max(heat_j - block[SKIN_FULL, i], 0.0) * block[PER_CAPACITY, i]
    return float(block[FREEZES, i] + liquid + min(heat_j + block[LATENT, i], 0.0) * block[PER_SOLID, i])


@_taken_in
def _put_in(figures: Figures, block: FloatArray, rows: FloatArray, heat_j: FloatArray, at: int, count: int) -> None:
    """Fill a block with columns; the last one stands in for those that are missing."""
    viscosity = 1.7218e-5 * figures.gas * figures.zero_k / figures.pressure_pa
    rayleigh = figures.gravity * figures.prandtl / (figures.zero_k * viscosity * viscosity)
    for i in range(LANES):
        j = at + min(i, count - 1)
        for row in range(12):
            block[row, i] = rows[row, j]
        is_free = isnan(rows[FILM, j])
        block[IS_FREE, i] = 1.0 if is_free else 0.0
        block[FIXED, i] = 0.0 if is_free else rows[FILM, j]
        block[NATURAL, i] = figures.natural * sqrt(rows[DIAMETER, j]) * rayleigh ** (1.0 / 6.0)
        block[HEAT, i] = heat_j[j]
        block[PART_K, i] = _temperature_k(block, i, heat_j[j])
        block[LOWEST, i] = inf


@_taken_in
def _take_weather(
    block: FloatArray,
    weather: tuple[FloatArray, ...],
    spans_h: tuple[FloatArray, FloatArray],
    hour: int,
    at: int,
    count: int,
) -> tuple[bool, bool]:
    """Put the weather of an hour in; whether any column runs in it, and whether any is wet."""
    runs, wet = False, False
    for i in range(LANES):
        j = at + min(i, count - 1)
        is_running = spans_h[0][j] <= hour < spans_h[1][j]
        block[RUNS, i] = 1.0 if is_running else 0.0
        for mark in range(7):
            earlier = weather[mark][hour, j]
            block[AIR + mark, i] = earlier
            block[AIR + CHANGE + mark, i] = weather[mark][hour + 1, j] - earlier
        runs |= is_running
        wet |= max(weather[WET - AIR][hour, j], weather[WET - AIR][hour + 1, j]) > 0.0
    return runs, wet


@_taken_in
def _dry_exchange(figures: Figures, block: FloatArray, share: float) -> None:
    """Convection and radiation of all lanes at a share of the hour; no branch in it."""
    for i in range(LANES):
        air_k = block[AIR, i] + block[AIR + CHANGE, i] * share + figures.zero_k
        dew_c = block[DEW, i] + block[DEW + CHANGE, i] * share
        vapour_pa = 611.2 * _exp(17.62 * dew_c / (243.12 + dew_c))
        warmth = _log(air_k / figures.zero_k)
        per_diameter = 0.02436 * _exp(0.86 * warmth) / block[DIAMETER, i]
        viscosity = 1.7218e-5 * _exp(0.79 * warmth) * figures.gas * air_k / figures.pressure_pa
        reynolds = (block[WIND, i] + block[WIND + CHANGE, i] * share) * block[DIAMETER, i] / viscosity
        root = sqrt(reynolds / 282000.0)
        turbulence = sqrt(sqrt(1.0 + root * sqrt(sqrt(root))))  # its power of 3.2 is (1 + (Re/282000)^(5/8))^(4/5)
        forced = 0.3 + figures.forced * sqrt(reynolds) * _exp(3.2 * _log(turbulence))
        part_k = block[PART_K, i]
        # the Rayleigh number goes with the air's temperature to the power -(1 + 2 * 1.79)
        rayleigh_root = block[NATURAL, i] * _exp(-4.58 / 6.0 * warmth) * sqrt(_cube_root(abs(part_k - air_k)))
        natural = (0.60 + rayleigh_root) * (0.60 + rayleigh_root)
        forced2, natural2 = forced * forced, natural * natural
        convection = per_diameter * sqrt(sqrt(forced2 * forced2 + natural2 * natural2))
        water_cm = 0.465 * vapour_pa / air_k
        clear = 1.0 - (1.0 + water_cm) * _exp(-sqrt(1.2 + 3.0 * water_cm))
        cloud_fraction = block[CLOUD, i] + block[CLOUD + CHANGE, i] * share
        sky = clear + figures.cloud_factor * cloud_fraction * (1.0 - clear)
        view = block[SKY_VIEW, i] * (block[SKY, i] + block[SKY + CHANGE, i] * share)
        ground_k = air_k - (block[GROUND, i] + block[GROUND + CHANGE, i] * share)
        air2, ground2 = air_k * air_k, ground_k * ground_k
        radiant2 = sqrt(view * sky * air2 * air2 + (1.0 - view) * ground2 * ground2)
        radiant_k = sqrt(radiant2)
        radiation = (
            figures.stefan_boltzmann * block[EMISSIVITY, i] * (part_k * part_k + radiant2) * (part_k + radiant_k)
        )
        radiation *= block[IS_FREE, i]
        convection = convection * block[IS_FREE, i] + block[FIXED, i]
        block[CONVECTION, i] = convection
        block[TOTAL, i] = convection + radiation
        block[PULL, i] = convection * air_k + radiation * radiant_k


@_taken_in
def _evaporation(figures: Figures, block: FloatArray, share: float) -> None:
    """Add the film coefficient of a wet outside; condensation, which would warm, is left out."""
    for i in range(LANES):
        is_wet = block[WET, i] + block[WET + CHANGE, i] * share
        part_c = block[PART_K, i] - figures.zero_k
        if part_c < 0.0:
            saturation_pa, gamma = _ice_pa(part_c), figures.gamma_ice
            per_k = saturation_pa * 22.46 * 272.62 / ((272.62 + part_c) * (272.62 + part_c))
        else:
            saturation_pa, gamma = _water_pa(part_c), figures.gamma_water
            per_k = saturation_pa * 17.62 * 243.12 / ((243.12 + part_c) * (243.12 + part_c))
        # exactly nothing where the part is as cold as the dew point: the same exponential on both sides
        deficit_pa = saturation_pa - _water_pa(block[DEW, i] + block[DEW + CHANGE, i] * share)
        if deficit_pa > 0.0 and is_wet > 0.0:
            film = is_wet * block[CONVECTION, i] * per_k / gamma
            block[TOTAL, i] += film
            block[PULL, i] += film * (block[PART_K, i] - deficit_pa / per_k)


@_taken_in
def _step(block: FloatArray, step_s: float) -> bool:
    """Heat of all lanes after a step, as if no phase changed; whether in any lane it may. TOTAL becomes conductance."""
    coldest_j = inf
    for i in range(LANES):
        heat_j, film = block[HEAT, i], block[TOTAL, i]
        conductance = block[AREA, i] / (1.0 / film + block[WALL, i])
        pull_k = block[PULL, i] / film
        is_warm = 1.0 if heat_j > block[SKIN_FULL, i] else 0.0
        is_liquid = 1.0 if heat_j > 0.0 else 0.0
        is_solid = 1.0 if heat_j < -block[LATENT, i] else 0.0
        per_j = is_liquid * (is_warm * block[PER_CAPACITY, i] + (1.0 - is_warm) * block[PER_SKIN, i])
        per_j += is_solid * block[PER_SOLID, i]
        gain_j = step_s * conductance * (pull_k - block[PART_K, i]) * _relaxation(step_s * conductance * per_j)
        block[AFTER, i] = heat_j + (gain_j if block[RUNS, i] > 0.5 else 0.0)
        block[TOTAL, i], block[PULL, i] = conductance, pull_k
    for i in range(LANES):
        coldest_j = min(coldest_j, block[HEAT, i], block[AFTER, i])
    return coldest_j <= 0.0


@_taken_in
def _settle(block: FloatArray) -> None:
    """Take the step."""
    for i in range(LANES):
        now_k = _temperature_k(block, i, block[AFTER, i])
        lowest_k = block[LOWEST, i]
        seen_k = now_k if block[RUNS, i] > 0.5 else lowest_k
        block[HEAT, i], block[PART_K, i] = block[AFTER, i], now_k
        block[LOWEST, i] = lowest_k if lowest_k <= seen_k else seen_k  # noqa: FURB136 - so not a number stays


@_compiled
def _change_phases(
    block: FloatArray,
    columns: tuple[int, int],
    step: int,
    step_s: float,
    levels: FloatArray,
    onset: FloatArray,
    level: FloatArray,
) -> None:
    """Where the phase changes within the step, split it there; note first ice and levels in steps from the start."""
    for i in range(columns[1]):
        if block[RUNS, i] > 0.5 and min(block[HEAT, i], block[AFTER, i]) <= 0.0:
            j, before_j = columns[0] + i, block[HEAT, i]
            after_j, began = _phase_change(block, i, step_s)
            block[AFTER, i] = after_j
            if isnan(onset[j]) and not isnan(began):
                onset[j] = step + began
            for k in range(levels.shape[0]):
                level_j = -levels[k] * block[LATENT, i]
                if before_j > level_j >= after_j and isnan(level[k, j]):
                    level[k, j] = step + (before_j - level_j) / (before_j - after_j)


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
    step_s, hours = 3600.0 / sub_steps, weather[0].shape[0] - 1
    block = np.empty((ROWS, LANES))
    for at in range(columns[0], columns[1], LANES):
        count = min(LANES, columns[1] - at)
        _put_in(figures, block, rows, heat_j, at, count)
        for hour in range(hours + 1):
            for i in range(count):
                part_c[hour, at + i] = block[PART_K, i] - figures.zero_k
                ice_j = max(-block[HEAT, i], 0.0)
                ice_fraction[hour, at + i] = min(ice_j / block[LATENT, i], 1.0) if block[LATENT, i] > 0.0 else 0.0
            if hour == hours:
                break
            runs, wet = _take_weather(block, weather, spans_h, hour, at, count)
            if not runs:
                continue
            for step in range(sub_steps):
                share = (step + 0.5) / sub_steps
                _dry_exchange(figures, block, share)
                if wet:
                    _evaporation(figures, block, share)
                if _step(block, step_s):
                    _change_phases(block, (at, count), hour * sub_steps + step, step_s, levels, onset_h, level_h)
                _settle(block)
        for i in range(count):
            lowest_c[at + i], heat_j[at + i] = block[LOWEST, i] - figures.zero_k, block[HEAT, i]
            onset_h[at + i] /= sub_steps
            level_h[:, at + i] /= sub_steps
