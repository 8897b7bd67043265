"""The heat balance compiled by numba: the same arithmetic as `kernel.run_numpy`, column by column.

Needs the extra `[fast]`. Everything that is compiled stands in this one file and takes its physical constants as
arguments, because the compiler's cache on disk looks at the age of this file alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib import import_module
from math import inf, isnan, nan, sqrt
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
import numpy.typing as npt

from carewatch.freeze import air, exchange, sky
from carewatch.freeze.exchange import MARKS
from carewatch.freeze.kernel import SUB_STEPS, IndexArray, Load, Run
from carewatch.freeze.sky import STEFAN_BOLTZMANN
from carewatch.units import ZERO_C_IN_K

FloatArray = npt.NDArray[np.float64]
numba: Any = import_module("numba")  # it has no types
F = TypeVar("F", bound=Callable[..., object])

LANES = 32  # columns worked on together: the processor takes eight at a time and has four such to choose from


class Figures(NamedTuple):
    """Physical constants of the compiled code, from where the numpy engine takes them."""

    zero_k: float
    gravity: float
    prandtl: float
    gas: float
    pressure_pa: float
    cloud_factor: float
    gamma_water: float
    gamma_ice: float
    least_deficit_pa: float
    still: float
    forced: float
    natural_still: float
    natural: float
    line_from: float
    line_slope: float


FIGURES = Figures(
    zero_k=ZERO_C_IN_K,
    gravity=air.GRAVITY_MPS2,
    prandtl=air.PRANDTL,
    gas=air.GAS_CONSTANT_J_PER_KGK,
    pressure_pa=air.STANDARD_PRESSURE_PA,
    cloud_factor=sky.CLOUD_FACTOR,
    gamma_water=air.PSYCHROMETRIC_PA_PER_K,
    gamma_ice=air.PSYCHROMETRIC_ICE_PA_PER_K,
    least_deficit_pa=exchange.LEAST_DEFICIT_PA,
    still=exchange.STILL,
    forced=exchange.FORCED,
    natural_still=exchange.NATURAL_STILL,
    natural=0.387 * exchange.NATURAL_PRANDTL,
    line_from=exchange.SIXTH_ROOT_LINE[0],
    line_slope=exchange.SIXTH_ROOT_LINE[1],
)


# Rows of the block in which LANES columns are worked on: the part, the state, the exchange, and what a step works out.
# Below its floor [J] liquid begins to freeze.
(DIAMETER, AREA, PER_CAPACITY, PER_SKIN, PER_SOLID, SKIN_FULL, LATENT, FLOOR, WALL, RADIATION, SKY_VIEW, FREEZES) = (
    range(12)
)
FILM, PART_ROWS = 12, 13
# in air of 0 °C: film of Nusselt number 1, Reynolds number over 282,000 at 1 m/s, what the first root of wind adds
(NUSSELT_W, REYNOLDS, ROOT_WIND_W, NATURAL, FIXED) = range(13, 18)
(HEAT, PART_K, LOWEST, RUNS) = range(18, 22)
(AIR, DEW, WIND, CLOUD, GROUND, SKY, WET) = range(22, 29)  # as felt at a mark, in the order of MARKS
(AIR_K, RADIANT_K, WIND_MPS, DEW_C, IS_WET, STILL_W, PER_ROOT_WIND_W, NATURAL_W, NATURAL_B) = range(29, 38)
LATER = 9  # so many rows further: the same at the later mark of the hour
(FILM_W, PULL_W, RISE_W, CONVECTION, AFTER) = range(47, 52)
ROWS = 52


def run_numba(
    load: Load, *, sub_steps: int = SUB_STEPS, levels: Sequence[float] = (), never_freezes: bool = False
) -> Run:
    """Integrate the heat balance of every column with compiled code.

    Parameters
    ----------
    load : Load
        Parts, weather, start and span of n columns.
    sub_steps : int
        Steps an hour.
    levels : sequence of float
        Ice fractions (0..1] whose first instant is wanted.
    never_freezes : bool
        See `kernel.Kernel`.

    Returns
    -------
    Run

    Notes
    -----
    Equations, steps and phase changes are those of `kernel.run_numpy`; results differ by rounding only.
    """
    count = load.parts.count
    marks = 0 if never_freezes else load.forcing.hours + 1
    run = Run(
        onset_h=np.full(count, np.nan),
        ice_fraction=np.zeros((marks, count)),
        part_c=np.empty((marks, count)),
        lowest_c=np.full(count, np.inf),
        end_j=np.array(load.start_j, dtype=np.float64),
        level_h=np.full((len(levels), count), np.nan),
    )
    run_columns = cast("Callable[..., None]", _columns)
    inputs = _inputs(load, never_freezes=never_freezes)
    run_columns(FIGURES, *inputs, sub_steps, np.array(levels, dtype=np.float64), *_results(run))
    return run


def _inputs(load: Load, *, never_freezes: bool) -> tuple[Any, ...]:
    """Parts, weather, which of it each column feels, shifts and spans, in the order of `_columns`."""
    forcing, count = load.forcing, load.parts.count
    moves = np.ones_like(forcing.air_c) if load.moves is None else load.moves
    weather = tuple(_plain(values) for values in (*(getattr(forcing, name) for name in MARKS), moves))
    shift_c = np.zeros(count) if load.shift_c is None else load.shift_c
    felt = tuple(np.ascontiguousarray(of, dtype=np.int64) for of in load.felt())
    return (
        _rows(load, never_freezes=never_freezes),
        weather,
        felt,
        (_plain(shift_c), _plain(load.first_h), _plain(load.last_h)),
    )


def _plain(values: FloatArray) -> FloatArray:
    return np.ascontiguousarray(values, dtype=np.float64)


def _results(run: Run) -> tuple[FloatArray, ...]:
    return (run.onset_h, run.ice_fraction, run.part_c, run.lowest_c, run.end_j, run.level_h)


def _rows(load: Load, *, never_freezes: bool) -> FloatArray:
    """The parts, one figure a row, in the order of the rows from DIAMETER to FILM."""
    parts, film = load.parts, load.forcing.film_w_m2k
    rows = (
        parts.diameter_m,
        parts.area_m2,
        1.0 / parts.capacity_j_per_k,
        1.0 / parts.skin_j_per_k,
        1.0 / parts.solid_j_per_k,
        parts.skin_range_k * parts.skin_j_per_k,
        np.full(parts.count, np.inf) if never_freezes else parts.latent_j,
        np.full(parts.count, -np.inf if never_freezes else 0.0),
        parts.wall_m2k_per_w,
        parts.emissivity * STEFAN_BOLTZMANN,
        parts.sky_view,
        parts.freezes_at_c + ZERO_C_IN_K,
        np.full(parts.count, np.nan) if film is None else film[load.felt()[0]],
    )
    return _plain(np.stack(rows))


# ------------------------------------------------------------------------------------------------ compiled from here on


def _compiled(function: F) -> F:
    """Compile a piece that others call; it is taken into them."""
    return cast("F", numba.njit(nogil=True, error_model="numpy", fastmath={"contract"})(function))


def _taken_in(function: F) -> F:
    """Write a piece out where it is called, so that the compiler sees that the rows of a block lie apart."""
    return cast("F", numba.njit(nogil=True, error_model="numpy", fastmath={"contract"}, inline="always")(function))


def _compiled_and_kept(function: F) -> F:
    """Compile now and keep the result on disk; where no folder can be written, compile anew in every process."""
    floats, grid = numba.float64[::1], numba.float64[:, ::1]
    pair = numba.types.UniTuple
    signature = numba.void(
        numba.typeof(FIGURES),
        grid,
        pair(grid, len(MARKS) + 1),
        pair(numba.int64[::1], 2),
        pair(floats, 3),
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
        return cast(
            "F", numba.njit(signature, nogil=True, error_model="numpy", fastmath={"contract"}, cache=True)(function)
        )
    except (RuntimeError, OSError):
        return cast("F", numba.njit(signature, nogil=True, error_model="numpy", fastmath={"contract"})(function))


@_compiled
def _exp(x: float) -> float:
    """e^x without a branch, within 1e-8 for -8 < x < 4: by its series at x/16, squared four times."""
    y = _exp_near_0(x / 16.0)
    y *= y
    y *= y
    y *= y
    return y * y


@_compiled
def _exp_near_0(x: float) -> float:
    """e^x within 1e-10 for -0.4 < x < 0.4, by its series."""
    tail = 1 / 24 + x * (1 / 120 + x * (1 / 720 + x * (1 / 5040 + x * (1 / 40320 + x / 362880))))
    return 1.0 + x * (1.0 + x * (1 / 2 + x * (1 / 6 + x * tail)))


@_compiled
def _log(x: float) -> float:
    """ln x without a branch, within 1e-11 for 0.5 < x < 2: series of the inverse hyperbolic tangent."""
    s = (x - 1.0) / (x + 1.0)
    q = s * s
    tail = 1 / 11 + q * (1 / 13 + q * (1 / 15 + q * (1 / 17 + q / 19)))
    return 2.0 * s * (1.0 + q * (1 / 3 + q * (1 / 5 + q * (1 / 7 + q * (1 / 9 + q * tail)))))


@_compiled
def _sixth_root(figures: Figures, x: float) -> float:
    """As `exchange.sixth_root`."""
    fourth = sqrt(sqrt(x))
    line = figures.line_from + figures.line_slope * fourth
    cube, square = line * line * line, 2.0 * (fourth * fourth)
    return line * (cube + square) / (2.0 * cube + 0.5 * square)


@_compiled
def _relaxation(x: float) -> float:
    above = 1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0)))
    return above / (1.0 + x * above)


@_compiled
def _magnus_pa(factor: float, offset_c: float, temperature_c: float) -> float:
    return 611.2 * _exp(factor * temperature_c / (offset_c + temperature_c))


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
    per_film = block[AREA, i] / (1.0 + block[WALL, i] * block[FILM_W, i])
    share, conductance = nan, per_film * block[FILM_W, i]
    plateau_j = step_s * per_film * (block[PULL_W, i] - block[FILM_W, i] * block[FREEZES, i])
    if before_j >= 0.0 and after_j < 0.0:
        begins_w = block[PULL_W, i] - 0.5 * block[RISE_W, i] - block[FILM_W, i] * block[PART_K, i]
        slope_j = step_s * per_film * begins_w
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
    above_k = min(max(heat_j, block[FLOOR, i]), block[SKIN_FULL, i]) * block[PER_SKIN, i]
    above_k += max(heat_j - block[SKIN_FULL, i], 0.0) * block[PER_CAPACITY, i]
    below_k = min(heat_j + block[LATENT, i], 0.0) * block[PER_SOLID, i]
    return float(block[FREEZES, i] + above_k + below_k)


@_taken_in
def _put_in(
    figures: Figures,
    block: FloatArray,
    rows: FloatArray,
    heat_j: FloatArray,
    at: int,
    count: int,
) -> None:
    """Fill a block with columns; the last one stands in for those that are missing."""
    viscosity = 1.7218e-5 * figures.gas * figures.zero_k / figures.pressure_pa
    rayleigh = figures.gravity * figures.prandtl / (figures.zero_k * viscosity * viscosity)
    for i in range(LANES):
        j = at + min(i, count - 1)
        for row in range(PART_ROWS):
            block[row, i] = rows[row, j]
        diameter_m, is_free = rows[DIAMETER, j], isnan(rows[FILM, j])
        block[NUSSELT_W, i] = 0.02436 / diameter_m if is_free else 0.0
        block[REYNOLDS, i] = diameter_m / viscosity / 282000.0
        block[ROOT_WIND_W, i] = block[NUSSELT_W, i] * figures.forced * sqrt(diameter_m / viscosity)
        block[NATURAL, i] = figures.natural * sqrt(diameter_m) * rayleigh ** (1.0 / 6.0)
        block[FIXED, i] = 0.0 if is_free else rows[FILM, j]
        block[RADIATION, i] *= 1.0 if is_free else 0.0
        block[HEAT, i] = heat_j[j]
        block[PART_K, i] = _temperature_k(block, i, heat_j[j])
        block[LOWEST, i] = inf


@_taken_in
def _runs_in(block: FloatArray, spans_h: tuple[FloatArray, ...], hour: int, at: int, count: int) -> bool:
    """Note which lanes run in an hour; whether any does."""
    runs = False
    for i in range(LANES):
        j = at + min(i, count - 1)
        is_running = spans_h[1][j] <= hour < spans_h[2][j]
        block[RUNS, i] = 1.0 if is_running else 0.0
        runs |= is_running
    return runs


@_taken_in
def _feel(
    block: FloatArray,
    weather: tuple[FloatArray, ...],
    felt: tuple[IndexArray, IndexArray],
    shifts_c: FloatArray,
    mark: int,
    at: int,
    count: int,
) -> None:
    """Put the weather of a mark in, each lane's shift added."""
    last, air_c, dew_c, cloud, ground_k, sky, wet, moves = -1, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(LANES):
        j = at + min(i, count - 1)
        of = felt[0][j]
        if of != last:  # many lanes feel one weather
            last, air_c, dew_c = of, weather[0][mark, of], weather[1][mark, of]
            cloud, ground_k, sky = weather[3][mark, of], weather[4][mark, of], weather[5][mark, of]
            wet, moves = weather[6][mark, of], weather[7][mark, of]
        block[AIR, i] = air_c + shifts_c[j] * moves
        block[DEW, i] = dew_c + shifts_c[j] * moves
        block[CLOUD, i] = cloud
        block[GROUND, i] = ground_k
        block[SKY, i] = sky
        block[WET, i] = wet
        block[WIND, i] = weather[2][mark, felt[1][j]]


@_taken_in
def _work_out_mark(figures: Figures, block: FloatArray) -> bool:
    """What the exchange is made of at a mark goes to the later rows, what was there to the earlier ones; any wet?"""
    for row in range(LATER):
        for i in range(LANES):
            block[AIR_K + row, i] = block[AIR_K + LATER + row, i]
    per_zero = 1.0 / figures.zero_k
    for i in range(LANES):
        air_k, dew_c = block[AIR, i] + figures.zero_k, block[DEW, i]
        warmth = _log(air_k * per_zero)
        nusselt_w = block[NUSSELT_W, i] * _exp_near_0(0.86 * warmth)
        # viscosity goes with the air's temperature to the power 1.79, the Rayleigh number to -(1 + 2 * 1.79)
        root = sqrt(block[REYNOLDS, i] * block[WIND, i] * _exp_near_0(-1.79 * warmth))
        turbulence = sqrt(sqrt(1.0 + root * sqrt(sqrt(root))))  # its power of 3.2 is (1 + (Re/282000)^(5/8))^(4/5)
        added_w = block[ROOT_WIND_W, i] * _exp_near_0((0.86 - 0.5 * 1.79) * warmth) * _exp(3.2 * _log(turbulence))
        natural_b = block[NATURAL, i] * _exp_near_0(-4.58 / 6.0 * warmth)
        water_cm = 0.465 * _magnus_pa(17.62, 243.12, dew_c) / air_k
        clear = 1.0 - (1.0 + water_cm) * _exp(-sqrt(1.2 + 3.0 * water_cm))
        sky = clear + figures.cloud_factor * block[CLOUD, i] * (1.0 - clear)
        view, ground_k = block[SKY_VIEW, i] * block[SKY, i], air_k - block[GROUND, i]
        air2, ground2 = air_k * air_k, ground_k * ground_k
        block[AIR_K + LATER, i], block[DEW_C + LATER, i] = air_k, dew_c
        block[RADIANT_K + LATER, i] = sqrt(sqrt(view * sky * air2 * air2 + (1.0 - view) * ground2 * ground2))
        block[WIND_MPS + LATER, i], block[IS_WET + LATER, i] = block[WIND, i], block[WET, i]
        block[STILL_W + LATER, i] = figures.still * nusselt_w + block[FIXED, i]
        block[PER_ROOT_WIND_W + LATER, i], block[NATURAL_W + LATER, i] = added_w, nusselt_w
        block[NATURAL_B + LATER, i] = natural_b
    wettest = 0.0
    for i in range(LANES):
        wettest = max(wettest, block[IS_WET, i], block[IS_WET + LATER, i])
    return wettest > 0.0


@_taken_in
def _dry_exchange(figures: Figures, block: FloatArray, share: float, step_h: float) -> None:
    """Convection and radiation of all lanes at a share of the hour; no branch in it."""
    for i in range(LANES):
        air_k, radiant_k, part_k = block[AIR_K, i], block[RADIANT_K, i], block[PART_K, i]
        air_rise_k, radiant_rise_k = block[AIR_K + LATER, i] - air_k, block[RADIANT_K + LATER, i] - radiant_k
        air_k, radiant_k = air_k + air_rise_k * share, radiant_k + radiant_rise_k * share
        wind_mps = block[WIND_MPS, i] + (block[WIND_MPS + LATER, i] - block[WIND_MPS, i]) * share
        forced = 0.5 * (block[PER_ROOT_WIND_W, i] + block[PER_ROOT_WIND_W + LATER, i]) * sqrt(wind_mps)
        forced += 0.5 * (block[STILL_W, i] + block[STILL_W + LATER, i])
        natural_b = 0.5 * (block[NATURAL_B, i] + block[NATURAL_B + LATER, i])
        natural = figures.natural_still + natural_b * _sixth_root(figures, abs(part_k - air_k))
        natural *= natural * 0.5 * (block[NATURAL_W, i] + block[NATURAL_W + LATER, i])
        forced2, natural2 = forced * forced, natural * natural
        convection = sqrt(sqrt(forced2 * forced2 + natural2 * natural2))
        radiation = block[RADIATION, i] * (part_k * part_k + radiant_k * radiant_k) * (part_k + radiant_k)
        block[CONVECTION, i] = convection
        block[FILM_W, i] = convection + radiation
        block[PULL_W, i] = convection * air_k + radiation * radiant_k
        block[RISE_W, i] = (convection * air_rise_k + radiation * radiant_rise_k) * step_h


@_taken_in
def _evaporation(figures: Figures, block: FloatArray, share: float) -> None:
    """Add the film coefficient of a wet outside; condensation, which would warm, is left out."""
    for i in range(LANES):
        is_wet = block[IS_WET, i] + (block[IS_WET + LATER, i] - block[IS_WET, i]) * share
        part_c = block[PART_K, i] - figures.zero_k
        is_ice = part_c < 0.0
        factor, offset_c = 22.46 if is_ice else 17.62, 272.62 if is_ice else 243.12
        saturation_pa = _magnus_pa(factor, offset_c, part_c)
        per_k = saturation_pa * factor * offset_c / ((offset_c + part_c) * (offset_c + part_c))
        dew_c = block[DEW_C, i] + (block[DEW_C + LATER, i] - block[DEW_C, i]) * share
        deficit_pa = saturation_pa - _magnus_pa(17.62, 243.12, dew_c)
        film_w = is_wet * block[CONVECTION, i] * per_k / (figures.gamma_ice if is_ice else figures.gamma_water)
        film_w = film_w if deficit_pa > figures.least_deficit_pa else 0.0
        block[FILM_W, i] += film_w
        block[PULL_W, i] += film_w * (block[PART_K, i] - deficit_pa / per_k)


@_taken_in
def _step(block: FloatArray, step_s: float) -> bool:
    """Heat of all lanes after a step, as if no phase changed; whether in any lane it may."""
    for i in range(LANES):
        heat_j, film_w = block[HEAT, i], block[FILM_W, i]
        step_area = step_s * block[AREA, i] / (1.0 + block[WALL, i] * film_w)
        is_warm = 1.0 if heat_j > block[SKIN_FULL, i] else 0.0
        is_liquid = 1.0 if heat_j > block[FLOOR, i] else 0.0
        is_solid = 1.0 if heat_j < -block[LATENT, i] else 0.0
        per_j = is_liquid * (is_warm * block[PER_CAPACITY, i] + (1.0 - is_warm) * block[PER_SKIN, i])
        per_j += (1.0 - is_liquid) * is_solid * block[PER_SOLID, i]
        x = step_area * film_w * per_j
        above = 1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0)))
        gain_j = (block[PULL_W, i] - film_w * block[PART_K, i]) * above
        gain_j += block[RISE_W, i] * (x * (1.0 / 12.0 + x * (1.0 / 24.0 + x * (1.0 / 48.0))))
        gain_j *= step_area / (1.0 + x * above)
        block[AFTER, i] = heat_j + (gain_j if block[RUNS, i] > 0.5 else 0.0)
    above_j = inf
    for i in range(LANES):
        above_j = min(above_j, min(block[HEAT, i], block[AFTER, i]) - block[FLOOR, i])
    return above_j <= 0.0


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
    rows: FloatArray,
    weather: tuple[FloatArray, ...],
    felt: tuple[IndexArray, IndexArray],
    spans_h: tuple[FloatArray, ...],
    sub_steps: int,
    levels: FloatArray,
    onset_h: FloatArray,
    ice_fraction: FloatArray,
    part_c: FloatArray,
    lowest_c: FloatArray,
    heat_j: FloatArray,
    level_h: FloatArray,
) -> None:
    """Run every column; results are written in place.

    `spans_h` holds the shift [K], the first and the last hour of each column. Without rows for the marks nothing is
    noted at them.
    """
    step_s, hours, has_marks = 3600.0 / sub_steps, weather[0].shape[0] - 1, part_c.shape[0] > 0
    block = np.empty((ROWS, LANES))
    for at in range(0, rows.shape[1], LANES):
        count = min(LANES, rows.shape[1] - at)
        _put_in(figures, block, rows, heat_j, at, count)
        known = -1  # the mark that stands in the later rows
        for hour in range(hours + 1):
            if has_marks:
                for i in range(count):
                    part_c[hour, at + i] = block[PART_K, i] - figures.zero_k
                    ice_j = max(-block[HEAT, i], 0.0)
                    ice_fraction[hour, at + i] = min(ice_j / block[LATENT, i], 1.0) if block[LATENT, i] > 0.0 else 0.0
            if hour == hours:
                break
            if not _runs_in(block, spans_h, hour, at, count):
                continue
            if known != hour:
                _feel(block, weather, felt, spans_h[0], hour, at, count)
                _work_out_mark(figures, block)
            known = hour + 1
            _feel(block, weather, felt, spans_h[0], known, at, count)
            is_wet = _work_out_mark(figures, block)
            for step in range(sub_steps):
                _dry_exchange(figures, block, (step + 0.5) / sub_steps, 1.0 / sub_steps)
                if is_wet:
                    _evaporation(figures, block, (step + 0.5) / sub_steps)
                if _step(block, step_s):
                    _change_phases(block, (at, count), hour * sub_steps + step, step_s, levels, onset_h, level_h)
                _settle(block)
        for i in range(count):
            lowest_c[at + i], heat_j[at + i] = block[LOWEST, i] - figures.zero_k, block[HEAT, i]
            onset_h[at + i] /= sub_steps
            level_h[:, at + i] /= sub_steps
