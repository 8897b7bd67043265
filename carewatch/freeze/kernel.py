"""The heat balance: how warm a wetted part is, when its first ice forms, and how much ice there is.

Everything different about a case (part, shelter, wind, shift, night) lies on one batch axis; the only Python loop runs
over time. Another engine may take the place of `run_numpy` if it keeps the signature of `Kernel`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

import numpy as np
import numpy.typing as npt

from carewatch.freeze.exchange import MARKS, Coefficients, Forcing, at_step, coefficients, film
from carewatch.freeze.parts import PartArrays
from carewatch.freeze.sky import ClearSky, prata
from carewatch.units import ZERO_C_IN_K

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

SUB_STEPS = 6  # per hour: onset within 1 min of the exact equations on 81 measured nights x 5 parts
SWEEP_SUB_STEPS = 4  # for fleets: within 2.5 min there; 3 steps are too few, they miss a grazing night by 108 min
BLOCK_CELLS = 50_000  # steps times columns prepared together: fits the second cache; changes no number
LONGEST_BLOCK_H = 24
CHUNK = 8192  # columns worked on together, so that a step's arrays stay in the processor's cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One batch of work: n columns that feel m columns of weather.

    Column j runs from hour `first_h[j]` to `last_h[j]`; outside, its state is held. `start_j` [n] is the heat above
    liquid at the freezing point [J] (negative: ice). `weather_of`, `wind_of` [n] say which column of the weather and of
    its wind each feels (None: weather j; wind as the rest). `shift_c` [n] moves its air and dew point [K] where `moves`
    [hours + 1, m] is 1 (None: everywhere), by a part of it where that lies between 0 and 1.
    """

    parts: PartArrays
    forcing: Forcing
    start_j: FloatArray
    first_h: FloatArray
    last_h: FloatArray
    weather_of: IndexArray | None = None
    wind_of: IndexArray | None = None
    shift_c: FloatArray | None = None
    moves: FloatArray | None = None

    def felt(self) -> tuple[IndexArray, IndexArray]:
        """Which column of the weather, and which of the wind, each column feels."""
        weather_of = np.arange(self.parts.count) if self.weather_of is None else self.weather_of
        return weather_of, weather_of if self.wind_of is None else self.wind_of

    def take(self, index: IndexArray) -> Load:
        """The columns at these places of the batch axis, with the weather as it was."""
        weather_of, wind_of = self.felt()
        return replace(
            self,
            parts=self.parts.take(index),
            start_j=self.start_j[index],
            first_h=self.first_h[index],
            last_h=self.last_h[index],
            weather_of=weather_of[index],
            wind_of=wind_of[index],
            shift_c=None if self.shift_c is None else self.shift_c[index],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What came of it. Times in hours from the first mark, NaN: never.

    `onset_h` [n] first ice; `ice_fraction` and `part_c` [hours + 1, n] at the hour marks; `lowest_c` [n] coldest the
    part got while it ran (the start excluded); `end_j` [n]; `level_h` [levels, n] when ice first reached each level.
    """

    onset_h: FloatArray
    ice_fraction: FloatArray
    part_c: FloatArray
    lowest_c: FloatArray
    end_j: FloatArray
    level_h: FloatArray


class Kernel(Protocol):
    """An engine for the heat balance."""

    def __call__(
        self, load: Load, *, sub_steps: int = SUB_STEPS, levels: Sequence[float] = (), never_freezes: bool = False
    ) -> Run:
        """Run every column through its hours.

        With `never_freezes` the liquid only gets colder below its freezing point, and only `lowest_c` and `end_j` are
        worked out: no onset, no level, nothing at the marks (arrays of no rows).
        """
        ...


def run_numpy(
    load: Load,
    *,
    sub_steps: int = SUB_STEPS,
    levels: Sequence[float] = (),
    never_freezes: bool = False,
    clear_sky: ClearSky = prata,
) -> Run:
    """Integrate the heat balance of every column with numpy.

    Parameters
    ----------
    load : Load
        Parts, weather, start and span of n columns.
    sub_steps : int
        Steps an hour.
    levels : sequence of float
        Ice fractions (0..1] whose first instant is wanted.
    never_freezes : bool
        See `Kernel`.
    clear_sky : callable
        Clear-sky emissivity.

    Returns
    -------
    Run

    Notes
    -----
    State is the heat H above liquid at the freezing point Tf; ice fraction is -H/L on the plateau -L <= H <= 0.
    dH/dt = U A (Teq - T), with U A of the part's temperature at the start of the step and Teq straight within it:
    dH = U A dt ((Teq - T) psi(x) + rise phi(x)), Teq at the middle and its rise within the step, x = U A dt / capacity,
    psi(x) = (1 - exp(-x))/x, phi(x) = (1 - psi(x) (1 + x/2))/x, both in a rational form that cannot overshoot Teq. A
    step in which the phase changes is split there. Onset is the root of the parabola through H, its slope and the new
    H. Against the full equations (scipy LSODA, rtol 1e-8): no missed freeze, onset within minutes; measured by
    tests/bench/kernel_accuracy.py.
    """
    how = partial(_run_chunk, sub_steps=sub_steps, levels=levels, never_freezes=never_freezes, clear_sky=clear_sky)
    count = load.parts.count
    if count <= CHUNK:
        return how(load)
    runs = [how(load.take(np.arange(at, min(at + CHUNK, count)))) for at in range(0, count, CHUNK)]
    return Run(**{name: np.concatenate([getattr(run, name) for run in runs], axis=-1) for name in Run.__slots__})


def relaxation(x: FloatArray) -> FloatArray:
    """psi: (1 - exp(-x))/x in a rational form: exact to 4e-4 below 0.5, with the right limits at 0 and infinity."""
    above = _above(x)
    return np.asarray(above / (1.0 + x * above))


def _above(x: FloatArray) -> FloatArray:
    return np.asarray(1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0))))


def _run_chunk(load: Load, *, sub_steps: int, levels: Sequence[float], never_freezes: bool, clear_sky: ClearSky) -> Run:
    state = _State(load, sub_steps=sub_steps, levels=levels, never_freezes=never_freezes)
    for first_h, block in _blocks(load, sub_steps):
        ready = coefficients(load.parts, block, sub_steps=sub_steps, clear_sky=clear_sky)
        for hour in range(block.hours):
            state.begin_hour(first_h + hour)
            for sub_step in range(sub_steps):
                at = at_step(ready, step=hour * sub_steps + sub_step, hour=hour)
                state.advance(at, first_h + hour + sub_step / sub_steps)
            state.note_mark(first_h + hour + 1)
    return state.finished()


def _blocks(load: Load, sub_steps: int) -> Iterator[tuple[int, Forcing]]:
    """The weather that every column feels, its shift added, a block of hours at a time."""
    forcing, (weather_of, wind_of) = load.forcing, load.felt()
    film_w_m2k = None if forcing.film_w_m2k is None else forcing.film_w_m2k[weather_of]
    block_h = min(max(BLOCK_CELLS // (sub_steps * max(load.parts.count, 1)), 1), LONGEST_BLOCK_H)
    for first_h in range(0, forcing.hours, block_h):
        marks = slice(first_h, first_h + block_h + 1)
        felt = {
            name: getattr(forcing, name)[marks].take(wind_of if name == "wind_mps" else weather_of, axis=1)
            for name in MARKS
        }
        if load.shift_c is not None:
            moved_c = load.shift_c if load.moves is None else load.shift_c * load.moves[marks].take(weather_of, axis=1)
            felt |= {"air_c": felt["air_c"] + moved_c, "dew_c": felt["dew_c"] + moved_c}
        yield first_h, Forcing(**felt, film_w_m2k=film_w_m2k)


class _State:
    """Heat of every column while time runs, and what is noted on the way."""

    def __init__(self, load: Load, *, sub_steps: int, levels: Sequence[float], never_freezes: bool) -> None:
        parts = load.parts
        self.load = load
        self.sub_steps = sub_steps
        self.step_s = 3600.0 / sub_steps
        self.levels = tuple(levels)
        self.never_freezes = never_freezes
        self.freezes_k = parts.freezes_at_c + ZERO_C_IN_K
        self.per_skin = 1.0 / parts.skin_j_per_k
        self.per_solid = 1.0 / parts.solid_j_per_k
        self.per_capacity = 1.0 / parts.capacity_j_per_k
        self.skin_full_j = parts.skin_range_k * parts.skin_j_per_k
        self.has_skin = bool(np.any(parts.skin_j_per_k < parts.capacity_j_per_k))
        self.per_latent = 1.0 / np.where(parts.latent_j > 0.0, parts.latent_j, np.inf)
        self.heat_j = np.array(load.start_j, dtype=np.float64)
        self.onset_h = np.full(parts.count, np.nan)
        self.lowest_k = np.full(parts.count, np.inf)
        self.level_h = np.full((len(self.levels), parts.count), np.nan)
        marks = 0 if never_freezes else load.forcing.hours + 1
        self.ice = np.zeros((marks, parts.count))
        self.part_k = np.empty((marks, parts.count))
        self.all_liquid = never_freezes or bool(self.heat_j.min(initial=np.inf) > 0.0)  # then no phase needs a thought
        self.now_k = self._temperature(self.heat_j)
        self.active: BoolArray | None = None
        self.note_mark(0)

    def begin_hour(self, hour: int) -> None:
        """Which columns run in this hour."""
        running = (self.load.first_h <= hour) & (hour < self.load.last_h)
        self.active = None if running.all() else running

    def advance(self, at: Coefficients, from_h: float) -> None:
        """One step of every column that runs in this hour."""
        parts, before_j, was_liquid = self.load.parts, self.heat_j, self.all_liquid
        film_w, pull_w, rise_w = film(at, self.now_k)
        per_film = parts.area_m2 / (1.0 + parts.wall_m2k_per_w * film_w)
        conductance = per_film * film_w
        flow_w = per_film * (pull_w - film_w * self.now_k)
        rise_w *= per_film
        x = conductance * (self._per_liquid(before_j) if was_liquid else self._per_phase(before_j))
        x *= self.step_s
        above = _above(x)
        gain_j = flow_w * above + rise_w * (x * (1.0 / 12.0 + x * (1.0 / 24.0 + x * (1.0 / 48.0))))
        gain_j /= 1.0 + x * above
        gain_j *= self.step_s
        after_j = before_j + (gain_j if self.active is None else np.where(self.active, gain_j, 0.0))
        self.all_liquid = self.never_freezes or bool(after_j.min() > 0.0)
        if not (was_liquid and self.all_liquid):
            self._freeze_and_thaw(before_j, after_j, flow_w - 0.5 * rise_w, flow_w, conductance, from_h)
            self._note_levels(before_j, after_j, from_h)
        self.heat_j = after_j
        self.now_k = self._temperature(after_j)
        lowest_k = np.minimum(self.lowest_k, self.now_k)
        self.lowest_k = lowest_k if self.active is None else np.where(self.active, lowest_k, self.lowest_k)

    def note_mark(self, mark: int) -> None:
        """Ice and temperature at an hour mark."""
        if not self.never_freezes:
            self.ice[mark] = np.clip(-self.heat_j * self.per_latent, 0.0, 1.0)
            self.part_k[mark] = self.now_k

    def finished(self) -> Run:
        """What came of it."""
        return Run(
            onset_h=self.onset_h,
            ice_fraction=self.ice,
            part_c=self.part_k - ZERO_C_IN_K,
            lowest_c=self.lowest_k - ZERO_C_IN_K,
            end_j=self.heat_j,
            level_h=self.level_h,
        )

    def _per_liquid(self, heat_j: FloatArray) -> FloatArray:
        if not self.has_skin:
            return self.per_skin
        return np.where(heat_j > self.skin_full_j, self.per_capacity, self.per_skin)

    def _temperature(self, heat_j: FloatArray) -> FloatArray:
        liquid_j = heat_j if self.never_freezes else np.maximum(heat_j, 0.0)
        if self.has_skin:
            skin_j = np.minimum(liquid_j, self.skin_full_j)
            above_k = skin_j * self.per_skin + (liquid_j - skin_j) * self.per_capacity
        else:
            above_k = liquid_j * self.per_skin
        if self.all_liquid:
            return np.asarray(self.freezes_k + above_k)
        below_k = np.minimum(heat_j + self.load.parts.latent_j, 0.0) * self.per_solid
        return np.asarray(self.freezes_k + above_k + below_k)

    def _per_phase(self, heat_j: FloatArray) -> FloatArray:
        solid = np.where(heat_j < -self.load.parts.latent_j, self.per_solid, 0.0)
        return np.where(heat_j > 0.0, self._per_liquid(heat_j), solid)

    def _freeze_and_thaw(
        self,
        before_j: FloatArray,
        after_j: FloatArray,
        begins_w: FloatArray,
        flow_w: FloatArray,
        conductance: FloatArray,
        from_h: float,
    ) -> None:
        """Give the columns that changed phase within the step (`after_j`, in place) the right pace on both sides.

        `begins_w` is the flow at the start of the step, `flow_w` at its middle.
        """
        latent_j = self.load.parts.latent_j
        plateau_w = flow_w + conductance * (self.now_k - self.freezes_k)
        freezes = (before_j >= 0.0) & (after_j < 0.0)
        if freezes.any():
            share = _parabola_root(before_j[freezes], after_j[freezes], begins_w[freezes] * self.step_s)
            first = np.isnan(self.onset_h[freezes])
            self.onset_h[freezes] = np.where(first, from_h + share / self.sub_steps, self.onset_h[freezes])
            ice_j = np.minimum((1.0 - share) * self.step_s * plateau_w[freezes], 0.0)
            has_plateau = (latent_j[freezes] > 0.0) & (before_j[freezes] > 0.0)
            after_j[freezes] = np.where(has_plateau, np.maximum(ice_j, -latent_j[freezes]), after_j[freezes])
        thaws = (before_j < -latent_j) & (after_j > -latent_j) & (latent_j > 0.0)
        if thaws.any():
            share = (-latent_j[thaws] - before_j[thaws]) / (after_j[thaws] - before_j[thaws])
            melted_j = np.maximum((1.0 - share) * self.step_s * plateau_w[thaws], 0.0)
            after_j[thaws] = -latent_j[thaws] + np.minimum(melted_j, latent_j[thaws])
        on_plateau = (before_j <= 0.0) & (before_j >= -latent_j) & (latent_j > 0.0)
        self._leave(
            on_plateau & (after_j > 0.0), before_j, after_j, conductance, np.zeros_like(latent_j), self.per_skin
        )
        self._leave(on_plateau & (after_j < -latent_j), before_j, after_j, conductance, -latent_j, self.per_solid)

    def _leave(
        self,
        leaves: BoolArray,
        before_j: FloatArray,
        after_j: FloatArray,
        conductance: FloatArray,
        edge_j: FloatArray,
        per_j: FloatArray,
    ) -> None:
        """What goes past the edge of the plateau relaxes over the rest of the step, so it cannot pass what pulls it."""
        if leaves.any():
            beyond_j = (after_j - edge_j)[leaves]
            rest_s = self.step_s * beyond_j / (after_j - before_j)[leaves]
            after_j[leaves] = edge_j[leaves] + beyond_j * relaxation((conductance * per_j)[leaves] * rest_s)

    def _note_levels(self, before_j: FloatArray, after_j: FloatArray, from_h: float) -> None:
        for level, noted_h in zip(self.levels, self.level_h, strict=True):
            level_j = -level * self.load.parts.latent_j
            reaches = (before_j > level_j) & (after_j <= level_j) & np.isnan(noted_h)
            if reaches.any():
                share = (before_j - level_j)[reaches] / (before_j - after_j)[reaches]
                noted_h[reaches] = from_h + share / self.sub_steps


def _parabola_root(before_j: FloatArray, after_j: FloatArray, slope_j: FloatArray) -> FloatArray:
    """Share of the step after which H(s) = before + slope s + (after - before - slope) s^2 is 0, within 0..1."""
    curve_j = after_j - before_j - slope_j
    root = np.sqrt(np.maximum(slope_j * slope_j - 4.0 * curve_j * before_j, 0.0))
    share = 2.0 * before_j / np.where(root - slope_j > 0.0, root - slope_j, np.inf)
    return np.clip(share, 0.0, 1.0)
