"""The heat balance: how warm a wetted part is, when its first ice forms, and how much ice there is.

Everything different about a case (part, shelter, wind, shift, night) lies on one batch axis; the only Python loop runs
over time. Another engine may take the place of `run_numpy` if it keeps the signature of `Kernel`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from carewatch.freeze.exchange import MARKS, Coefficients, Forcing, at_step, coefficients, exchange
from carewatch.freeze.parts import PartArrays
from carewatch.freeze.sky import ClearSky, prata
from carewatch.units import ZERO_C_IN_K

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SUB_STEPS = (
    6  # per hour: onset within 1.5 min of the exact equations on 81 measured nights x 5 parts (2 steps: 113 min)
)
BLOCK_CELLS = 50_000  # steps times columns prepared together: fits the second cache; changes no number
LONGEST_BLOCK_H = 24
CHUNK = 2048  # columns worked on together, so that a step's arrays stay in the processor's cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One batch of work. Column j runs from hour `first_h[j]` to `last_h[j]`; outside, its state is held.

    `start_j` [n] is the heat above liquid at the freezing point [J] (negative: ice).
    """

    parts: PartArrays
    forcing: Forcing
    start_j: FloatArray
    first_h: FloatArray
    last_h: FloatArray

    def take(self, index: npt.NDArray[np.intp]) -> Load:
        """The columns at these places of the batch axis."""
        return Load(
            parts=self.parts.take(index),
            forcing=self.forcing.take(index),
            start_j=self.start_j[index],
            first_h=self.first_h[index],
            last_h=self.last_h[index],
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

    def __call__(self, load: Load, *, sub_steps: int = SUB_STEPS, levels: Sequence[float] = ()) -> Run:
        """Run every column through its hours."""
        ...


def run_numpy(
    load: Load, *, sub_steps: int = SUB_STEPS, levels: Sequence[float] = (), clear_sky: ClearSky = prata
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
    clear_sky : callable
        Clear-sky emissivity.

    Returns
    -------
    Run

    Notes
    -----
    State is the heat H above liquid at the freezing point Tf; ice fraction is -H/L on the plateau -L <= H <= 0.
    dH/dt = U A (Teq - T), stepped as dH = U A dt (Teq - T) psi(x), x = U A dt / capacity, psi(x) = (1 - exp(-x))/x in a
    rational form that cannot overshoot Teq; a step in which the phase changes is split there. The exchange uses the
    part's temperature at the start of the step and the weather at its middle. Onset is the root of the parabola
    through H, its slope and the new H. Against the full equations (scipy LSODA, rtol 1e-8): no missed freeze, onset
    within minutes; measured by tests/bench/kernel_accuracy.py.
    """
    count = load.parts.count
    if count <= CHUNK:
        return _run_chunk(load, sub_steps, levels, clear_sky)
    runs = [
        _run_chunk(load.take(np.arange(at, min(at + CHUNK, count))), sub_steps, levels, clear_sky)
        for at in range(0, count, CHUNK)
    ]
    return Run(**{name: np.concatenate([getattr(run, name) for run in runs], axis=-1) for name in Run.__slots__})


def relaxation(x: FloatArray) -> FloatArray:
    """(1 - exp(-x))/x in a rational form: exact to 4e-4 below 0.5, with the right limits at 0 and infinity."""
    above = 1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0)))
    return np.asarray(above / (1.0 + x * above))


def _run_chunk(load: Load, sub_steps: int, levels: Sequence[float], clear_sky: ClearSky) -> Run:
    state = _State(load, sub_steps, levels)
    for first_h, block in _blocks(load.forcing, sub_steps):
        ready = coefficients(load.parts, block, clear_sky=clear_sky)
        for step in range(block.air_c.shape[0]):
            state.advance(at_step(ready, step), first_h + step // sub_steps, step % sub_steps)
    return state.finished()


def _blocks(forcing: Forcing, sub_steps: int) -> Iterator[tuple[int, Forcing]]:
    """Weather at the middles of the steps, a block of hours at a time."""
    share = ((np.arange(sub_steps) + 0.5) / sub_steps)[None, :, None]
    block_h = min(max(BLOCK_CELLS // (sub_steps * max(forcing.air_c.shape[1], 1)), 1), LONGEST_BLOCK_H)
    for first_h in range(0, forcing.hours, block_h):
        last_h = min(first_h + block_h, forcing.hours)

        def middles(marks: FloatArray, first: int = first_h, last: int = last_h) -> FloatArray:
            before, after = marks[first:last, None], marks[first + 1 : last + 1, None]
            values: FloatArray = before + (after - before) * share
            return values.reshape(-1, marks.shape[1])

        fields = {name: middles(getattr(forcing, name)) for name in MARKS}
        yield first_h, Forcing(**fields, film_w_m2k=forcing.film_w_m2k)


class _State:
    """Heat of every column while time runs, and what is noted on the way."""

    def __init__(self, load: Load, sub_steps: int, levels: Sequence[float]) -> None:
        parts = load.parts
        self.load = load
        self.sub_steps = sub_steps
        self.step_s = 3600.0 / sub_steps
        self.levels = tuple(levels)
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
        marks = load.forcing.hours + 1
        self.ice = np.zeros((marks, parts.count))
        self.part_k = np.empty((marks, parts.count))
        self.all_liquid = bool(self.heat_j.min(initial=np.inf) > 0.0)  # then phases need no thought in a step
        self.now_k = self._temperature(self.heat_j)
        self._note_mark(0)
        self.active: BoolArray | None = None

    def advance(self, at: Coefficients, hour: int, sub_step: int) -> None:
        """One step of every column that runs in this hour."""
        if sub_step == 0:
            running = (self.load.first_h <= hour) & (hour < self.load.last_h)
            self.active = None if running.all() else running
        parts, before_j = self.load.parts, self.heat_j
        conductance, pull_k = exchange(at, self.now_k, parts.area_m2, parts.wall_m2k_per_w)
        flow_w = conductance * (pull_k - self.now_k)
        was_liquid = self.all_liquid
        per_j = self._per_liquid(before_j) if was_liquid else self._per_phase(before_j)
        after_j = before_j + flow_w * self.step_s * relaxation(conductance * self.step_s * per_j)
        if self.active is not None:
            after_j = np.where(self.active, after_j, before_j)
        self.all_liquid = bool(after_j.min() > 0.0)
        if not (was_liquid and self.all_liquid):
            from_h = hour + sub_step / self.sub_steps
            self._freeze_and_thaw(before_j, after_j, flow_w, conductance, pull_k, from_h)
            self._note_levels(before_j, after_j, from_h)
        self.heat_j = after_j
        self.now_k = self._temperature(after_j)
        lowest_k = np.minimum(self.lowest_k, self.now_k)
        self.lowest_k = lowest_k if self.active is None else np.where(self.active, lowest_k, self.lowest_k)
        if sub_step == self.sub_steps - 1:
            self._note_mark(hour + 1)

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
        liquid_j = np.maximum(heat_j, 0.0)
        if self.has_skin:
            skin_j = np.minimum(liquid_j, self.skin_full_j)
            above_k = skin_j * self.per_skin + (liquid_j - skin_j) * self.per_capacity
        else:
            above_k = liquid_j * self.per_skin
        below_k = np.minimum(heat_j + self.load.parts.latent_j, 0.0) * self.per_solid
        return np.asarray(self.freezes_k + above_k + below_k)

    def _per_phase(self, heat_j: FloatArray) -> FloatArray:
        solid = np.where(heat_j < -self.load.parts.latent_j, self.per_solid, 0.0)
        return np.where(heat_j > 0.0, self._per_liquid(heat_j), solid)

    def _freeze_and_thaw(
        self,
        before_j: FloatArray,
        after_j: FloatArray,
        flow_w: FloatArray,
        conductance: FloatArray,
        pull_k: FloatArray,
        from_h: float,
    ) -> None:
        """Give the columns that changed phase within the step (`after_j`, in place) the right pace on both sides."""
        latent_j = self.load.parts.latent_j
        plateau_w = conductance * (pull_k - self.freezes_k)
        freezes = (before_j >= 0.0) & (after_j < 0.0)
        if freezes.any():
            share = _parabola_root(before_j[freezes], after_j[freezes], flow_w[freezes] * self.step_s)
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

    def _note_mark(self, mark: int) -> None:
        self.ice[mark] = np.clip(-self.heat_j * self.per_latent, 0.0, 1.0)
        self.part_k[mark] = self.now_k


def _parabola_root(before_j: FloatArray, after_j: FloatArray, slope_j: FloatArray) -> FloatArray:
    """Share of the step after which H(s) = before + slope s + (after - before - slope) s^2 is 0, within 0..1."""
    curve_j = after_j - before_j - slope_j
    root = np.sqrt(np.maximum(slope_j * slope_j - 4.0 * curve_j * before_j, 0.0))
    share = 2.0 * before_j / np.where(root - slope_j > 0.0, root - slope_j, np.inf)
    return np.clip(share, 0.0, 1.0)
