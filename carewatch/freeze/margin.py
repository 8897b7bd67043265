"""The freeze margin: by how much the whole night could turn out warmer and a part would still form ice."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from carewatch.freeze.exchange import Forcing
from carewatch.freeze.kernel import Kernel, Load, run_numpy
from carewatch.freeze.parts import PartArrays

FloatArray = npt.NDArray[np.float64]

COLDEST_SHIFT_C = -25.0  # no night misses its forecast by this much: a part that makes no ice then has no margin
WARMEST_SHIFT_C = 40.0
TOLERANCE_C = 0.01
PASSES = 12
SLOPES = (0.05, 2.0)  # of a part's lowest temperature over the shift; real ones lie near 1, a tank's near 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Nights:
    """Columns of one night each. Arrays as in `Load`; `start_c` [n] how warm the part is when the night begins.

    `moves` [hours + 1, n] is 1 where a shift of the night reaches the part, 0 where heat is held.
    """

    parts: PartArrays
    forcing: Forcing
    moves: FloatArray
    start_c: FloatArray
    first_h: FloatArray
    last_h: FloatArray

    def take(self, index: npt.NDArray[np.intp]) -> Nights:
        """The columns at these places of the batch axis."""
        return Nights(
            parts=self.parts.take(index),
            forcing=self.forcing.take(index),
            moves=self.moves[:, index],
            start_c=self.start_c[index],
            first_h=self.first_h[index],
            last_h=self.last_h[index],
        )


def freeze_margins_c(nights: Nights, *, kernel: Kernel = run_numpy) -> FloatArray:
    """Freeze margin of every column [K], -inf where even a shift of -25 K makes no ice, at most 40.

    Notes
    -----
    Ice forms exactly when liquid that never freezes would pass the freezing point, and the lowest temperature of such
    liquid rises smoothly with the shift. So the root is found on that temperature, all columns at once, by secant steps
    held inside the bracket found so far, to 0.01 K.
    A night that starts with ice is taken to start with liquid at its freezing point. A shift to the cold side also
    makes the start colder (an error rarely begins at noon); a shift to the warm side does not make it warmer.
    """
    count = nights.parts.count
    liquid = replace(nights, parts=nights.parts.never_freezing())
    shift_c, low_c, high_c = np.zeros(count), np.full(count, -np.inf), np.full(count, np.inf)
    earlier_c, earlier_above_c = np.full(count, np.nan), np.full(count, np.nan)
    open_columns = np.arange(count)
    for _ in range(PASSES):
        part = liquid.take(open_columns) if open_columns.size < count else liquid
        above_c = _above_freezing_c(part, shift_c[open_columns], kernel)
        now_c = shift_c[open_columns]
        freezes = above_c < 0.0
        low_c[open_columns] = np.where(freezes, np.maximum(low_c[open_columns], now_c), low_c[open_columns])
        high_c[open_columns] = np.where(freezes, high_c[open_columns], np.minimum(high_c[open_columns], now_c))
        slope = (above_c - earlier_above_c[open_columns]) / (now_c - earlier_c[open_columns])
        slope = np.clip(np.where(np.isnan(slope), 1.0, slope), *SLOPES)
        earlier_c[open_columns], earlier_above_c[open_columns] = now_c, above_c
        done = _is_done(above_c, now_c, high_c[open_columns] - low_c[open_columns])
        now_c = np.where(np.isinf(above_c), -np.inf, now_c)  # it does not run at all: no hour in which ice could form
        shift_c[open_columns] = np.where(done, now_c, _inside(now_c - above_c / slope, low_c, high_c, open_columns))
        open_columns = open_columns[~done]
        if open_columns.size == 0:
            break
    return np.where((shift_c <= COLDEST_SHIFT_C) & (high_c <= COLDEST_SHIFT_C), -np.inf, shift_c)


def _above_freezing_c(nights: Nights, shift_c: FloatArray, kernel: Kernel) -> FloatArray:
    """How far above its freezing point the coldest moment of each column stays [K]."""
    freezes_at_c = nights.parts.freezes_at_c
    start_c = nights.start_c + np.minimum(shift_c, 0.0) * nights.moves[0]
    load = Load(
        parts=nights.parts,
        forcing=nights.forcing.shifted(shift_c * nights.moves),
        start_j=nights.parts.enthalpy_j(np.maximum(start_c, freezes_at_c)),
        first_h=nights.first_h,
        last_h=nights.last_h,
    )
    return kernel(load).lowest_c - freezes_at_c


def _is_done(above_c: FloatArray, shift_c: FloatArray, width_c: FloatArray) -> npt.NDArray[np.bool_]:
    never = (shift_c <= COLDEST_SHIFT_C) & (above_c >= 0.0)
    always = (shift_c >= WARMEST_SHIFT_C) & (above_c < 0.0)
    return (np.abs(above_c) < TOLERANCE_C) | (width_c < TOLERANCE_C) | never | always | np.isinf(above_c)


def _inside(wanted_c: FloatArray, low_c: FloatArray, high_c: FloatArray, columns: npt.NDArray[np.intp]) -> FloatArray:
    """The wanted shift if it lies inside the bracket, else its middle."""
    below_c, above_c = np.maximum(low_c[columns], COLDEST_SHIFT_C), np.minimum(high_c[columns], WARMEST_SHIFT_C)
    outside = (wanted_c <= below_c) & np.isfinite(low_c[columns]) | (wanted_c >= above_c) & np.isfinite(high_c[columns])
    return np.where(outside, 0.5 * (below_c + above_c), np.clip(wanted_c, COLDEST_SHIFT_C, WARMEST_SHIFT_C))
