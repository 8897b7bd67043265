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
FAR_C = 1.0  # chosen: the guess from the hour marks is good to about 0.1 K
SLOPES = (0.05, 2.0)  # of a part's lowest temperature over the shift; real ones lie near 1, a tank's near 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Nights:
    """Columns of one night each. Arrays as in `Load`; `start_c` [n] how warm the part is when the night begins.

    `moves` [hours + 1, n] is 1 where a shift of the night reaches the part, 0 where heat is held. `likely_low_c` [n]
    is about how cold its liquid gets in the night as forecast, `low_air_c` [n] the coldest air; they only tell where to
    begin the search (NaN: not known).
    """

    parts: PartArrays
    forcing: Forcing
    moves: FloatArray
    start_c: FloatArray
    first_h: FloatArray
    last_h: FloatArray
    likely_low_c: FloatArray | None = None
    low_air_c: FloatArray | None = None

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


def freeze_margins_c(nights: Nights, *, kernel: Kernel = run_numpy, winds: int = 1) -> FloatArray:
    """Freeze margin of every group of `winds` columns [K], -inf where even a shift of -25 K makes no ice, at most 40.

    Columns of a group differ in their wind only and lie side by side; the one with the largest margin counts.

    Notes
    -----
    Ice forms exactly when liquid that never freezes would pass the freezing point, and the lowest temperature of such
    liquid rises with the shift. So the root is found on that temperature, all columns at once, by secant steps held
    inside the bracket found so far, to 0.01 K. A wind that makes no ice at a shift at which another one does has the
    smaller margin, whatever it is, and is followed no further.
    A night that starts with ice is taken to start with liquid at its freezing point. A shift to the cold side also
    makes the start colder (an error rarely begins at noon); a shift to the warm side does not make it warmer.
    """
    liquid = replace(nights, parts=nights.parts.never_freezing())
    search = _Search(liquid, winds)
    for _ in range(PASSES):
        columns = search.columns()
        if columns.size == 0:
            break
        part = liquid.take(columns) if columns.size < liquid.parts.count else liquid
        search.learn(columns, _above_freezing_c(part, search.shift_c[columns // winds], kernel))
    return search.margins_c()


class _Search:
    """Where the roots of all groups are known to lie, and which shift to try next."""

    def __init__(self, nights: Nights, winds: int) -> None:
        self.winds = winds
        count = nights.parts.count
        groups = count // winds
        self.low_c, self.high_c = np.full(groups, -np.inf), np.full(groups, np.inf)
        self.open = np.ones(groups, dtype=np.bool_)
        self.followed = np.ones((groups, winds), dtype=np.bool_)
        self.earlier_c, self.earlier_above_c = np.full((groups, winds), np.nan), np.full((groups, winds), np.nan)
        self.shift_c = np.zeros(groups)
        self._begin(nights)

    def columns(self) -> npt.NDArray[np.intp]:
        """The columns to try next."""
        return np.flatnonzero(self.followed & self.open[:, None])

    def learn(self, columns: npt.NDArray[np.intp], tried_above_c: FloatArray) -> None:
        """Take in how far above its freezing point each column stayed under the shift of its group."""
        of_all_c = np.full(self.followed.shape, np.inf)
        of_all_c.reshape(-1)[columns] = tried_above_c
        group = np.flatnonzero(self.open)
        every_c, now_c = of_all_c[group], self.shift_c[group]
        leader = every_c.argmin(axis=1)
        above_c = every_c[np.arange(group.size), leader]
        slope = (above_c - self.earlier_above_c[group, leader]) / (now_c - self.earlier_c[group, leader])
        slope = np.clip(np.where(np.isnan(slope), 1.0, slope), *SLOPES)
        self.earlier_c[group], self.earlier_above_c[group] = now_c[:, None], every_c
        freezes = above_c < 0.0
        self.low_c[group] = np.where(freezes, np.maximum(self.low_c[group], now_c), self.low_c[group])
        self.high_c[group] = np.where(freezes, self.high_c[group], np.minimum(self.high_c[group], now_c))
        self.followed[group] &= ~(freezes[:, None] & (every_c >= 0.0))
        done = _is_done(above_c, now_c, self.high_c[group] - self.low_c[group])
        now_c = np.where(np.isinf(above_c), -np.inf, now_c)  # it does not run at all: no hour in which ice could form
        # just on the side of ice, where the other winds show that they make none
        wanted_c = now_c - (above_c + 0.5 * TOLERANCE_C) / slope
        self.shift_c[group] = np.where(done, now_c, _inside(wanted_c, self.low_c, self.high_c, group))
        self.open[group] = ~done

    def margins_c(self) -> FloatArray:
        """The margin of every group [K]."""
        return np.where((self.shift_c <= COLDEST_SHIFT_C) & (self.high_c <= COLDEST_SHIFT_C), -np.inf, self.shift_c)

    def _begin(self, nights: Nights) -> None:
        """Begin where the forecast itself says the root lies, as if a part moved with the air."""
        if nights.likely_low_c is None or nights.low_air_c is None:
            return
        shape = self.followed.shape
        above_c = (nights.likely_low_c - nights.parts.freezes_at_c).reshape(shape)
        air_above_c = (nights.low_air_c - nights.parts.freezes_at_c).reshape(shape)
        guess_c = -np.where(np.isnan(above_c), air_above_c, above_c).min(axis=1)
        self.shift_c = np.clip(np.nan_to_num(guess_c), 0.8 * COLDEST_SHIFT_C, 0.8 * WARMEST_SHIFT_C)
        is_far = np.abs(self.shift_c) > FAR_C  # two tries close together would tell nothing about the slope
        self.earlier_c = np.where(is_far[:, None] & ~np.isnan(above_c), 0.0, np.nan)
        self.earlier_above_c = above_c


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
    return (np.abs(above_c) < TOLERANCE_C) | (width_c < TOLERANCE_C) | never | always | ~np.isfinite(above_c)


def _inside(wanted_c: FloatArray, low_c: FloatArray, high_c: FloatArray, columns: npt.NDArray[np.intp]) -> FloatArray:
    """The wanted shift if it lies inside the bracket, else its middle."""
    below_c, above_c = np.maximum(low_c[columns], COLDEST_SHIFT_C), np.minimum(high_c[columns], WARMEST_SHIFT_C)
    outside = (wanted_c <= below_c) & np.isfinite(low_c[columns]) | (wanted_c >= above_c) & np.isfinite(high_c[columns])
    return np.where(outside, 0.5 * (below_c + above_c), np.clip(wanted_c, COLDEST_SHIFT_C, WARMEST_SHIFT_C))
