"""The freeze margin: by how much the whole night could turn out warmer and a part would still form ice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from carewatch.freeze.exchange import Forcing
from carewatch.freeze.kernel import SUB_STEPS, IndexArray, Kernel, Load, run_numpy
from carewatch.freeze.parts import PartArrays

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

COLDEST_SHIFT_C = -25.0  # no night misses its forecast by this much: a part that makes no ice then has no margin
WARMEST_SHIFT_C = 40.0
TOLERANCE_C = 0.01
PASSES = 14
FAR_C = 1.0  # chosen: the guess from the hour marks is good to about 0.1 K
APART_C = 0.02  # two tries closer together than this tell nothing about the slope
SLOPES = (0.05, 2.0)  # of a part's lowest temperature over the shift; real ones lie near 1, a tank's near 0.3
SLOPE_DOUBT = 0.5  # chosen: how far, relatively, a slope between two tries may be off at the root; tests hold it
ODD_SLOPE = 0.2  # chosen: a slope further from 1 tells that another moment has become the coldest one (or of a tank)
SLOPE_SPREAD = 0.2  # chosen: slopes of one part in two winds, neither odd, lie closer together; tests hold it


@dataclass(frozen=True, slots=True, kw_only=True)
class Nights:
    """Columns of one night each. Arrays as in `Load`; `start_c` [n] how warm the part is when the night begins.

    `moves` [hours + 1, m] is 1 where a shift of the night reaches the part, 0 where heat is held (None: it does all
    the time). `likely_low_c` [n] is how cold its liquid gets in the night as forecast by a run of the whole time, which
    counts as a first try (NaN: not known), `guessed_low_c` [n] a guess at it; they only tell where to begin the search.
    """

    parts: PartArrays
    forcing: Forcing
    start_c: FloatArray
    first_h: FloatArray
    last_h: FloatArray
    moves: FloatArray | None = None
    weather_of: IndexArray | None = None
    wind_of: IndexArray | None = None
    likely_low_c: FloatArray | None = None
    guessed_low_c: FloatArray | None = None

    def under(self, shift_c: FloatArray, columns: IndexArray) -> Load:
        """Some of the columns, each with its night shifted by so much [K]."""
        of = columns if self.weather_of is None else self.weather_of[columns]
        parts = self.parts if columns.size == self.parts.count else self.parts.take(columns)
        start_c = self.start_c[columns] + np.minimum(shift_c, 0.0) * (1.0 if self.moves is None else self.moves[0][of])
        return Load(
            parts=parts,
            forcing=self.forcing,
            start_j=parts.enthalpy_j(np.maximum(start_c, parts.freezes_at_c)),
            first_h=self.first_h[columns],
            last_h=self.last_h[columns],
            weather_of=of,
            wind_of=of if self.wind_of is None else self.wind_of[columns],
            shift_c=shift_c,
            moves=self.moves,
        )


def freeze_margins_c(
    nights: Nights,
    *,
    kernel: Kernel = run_numpy,
    winds: int = 1,
    sub_steps: int = SUB_STEPS,
    follows_every_wind: bool = False,
) -> FloatArray:
    """Freeze margin of every group of `winds` columns [K], -inf where even a shift of -25 K makes no ice, at most 40.

    Columns of a group differ in their wind only and lie side by side; the one with the largest margin counts. NaN where
    the weather is not known.

    Notes
    -----
    Ice forms exactly when liquid that never freezes would pass the freezing point, and the lowest temperature of such
    liquid rises with the shift, nearly in proportion. So the root is found on that temperature, all columns at once, by
    secant steps held inside the bracket found so far, to 0.01 K: the last step is not tried any more where the slope is
    known from two tries and the step so short that the doubt about the slope is less than that. A wind is followed no
    further when it stays so much warmer than another one that no slope it can have makes its margin the larger one;
    `follows_every_wind` does without that and must come to the very same margins.
    A night that starts with ice is taken to start with liquid at its freezing point. A shift to the cold side also
    makes the start colder (an error rarely begins at noon); a shift to the warm side does not make it warmer.
    """
    search = _Search(nights, winds, follows_every_wind=follows_every_wind)
    for _ in range(PASSES):
        columns = search.columns()
        if columns.size == 0:
            break
        load = nights.under(search.shift_c[columns // winds], columns)
        lowest_c = kernel(load, sub_steps=sub_steps, never_freezes=True).lowest_c
        search.learn(columns, lowest_c - load.parts.freezes_at_c)
    return search.shift_c


class _Search:
    """Where the roots of all groups are known to lie, and which shift to try next; in the end, the roots.

    Arrays are [groups] or, for what differs between the winds, [groups, winds].
    """

    def __init__(self, nights: Nights, winds: int, *, follows_every_wind: bool) -> None:
        self.follows_every_wind = follows_every_wind
        count = nights.parts.count
        groups = count // winds
        self.low_c, self.high_c = np.full(groups, -np.inf), np.full(groups, np.inf)
        self.open = np.ones(groups, dtype=np.bool_)
        self.followed = np.ones((groups, winds), dtype=np.bool_)
        self.is_odd = np.zeros(groups, dtype=np.bool_)
        self.earlier_c, self.earlier_above_c = np.full((groups, winds), np.nan), np.full((groups, winds), np.nan)
        self.shift_c = np.zeros(groups)
        self._begin(nights)

    def columns(self) -> IndexArray:
        """The columns to try next."""
        return np.flatnonzero(self.followed & self.open[:, None])

    def learn(self, columns: IndexArray, tried_above_c: FloatArray) -> None:
        """Take in how far above its freezing point each column stayed under the shift of its group."""
        of_all_c = np.full(self.followed.shape, np.inf)
        of_all_c.reshape(-1)[columns] = tried_above_c
        group = np.flatnonzero(self.open)
        above_c, now_c = of_all_c[group], self.shift_c[group]
        slope, is_measured = self._slopes(group, above_c)
        root_c = now_c[:, None] - above_c / slope
        first = root_c.argmax(axis=1)
        lowest_c = above_c.min(axis=1)
        self._narrow(group, lowest_c)
        self._follow(group, above_c, is_measured & (np.abs(slope - 1.0) > ODD_SLOPE))
        self.earlier_c[group], self.earlier_above_c[group] = now_c[:, None], above_c
        wanted_c = root_c[np.arange(group.size), first]
        doubt = np.where(is_measured, np.maximum(SLOPE_DOUBT, np.abs(slope - 1.0)), 1.0)
        step_doubt_c = np.abs(wanted_c - now_c) * doubt[np.arange(group.size), first]
        done = self._is_done(group, lowest_c) | (step_doubt_c < TOLERANCE_C)
        self.shift_c[group] = np.where(done, self._settled(group, lowest_c, wanted_c), self._inside(group, wanted_c))
        self.open[group] = ~done

    def _begin(self, nights: Nights) -> None:
        """Begin where the forecast itself says the root lies, as if a part moved with the air."""
        if nights.guessed_low_c is None:
            return
        shape = self.followed.shape
        likely_low_c = np.nan if nights.likely_low_c is None else nights.likely_low_c
        above_c = (likely_low_c - nights.parts.freezes_at_c).reshape(shape)
        guessed_above_c = (nights.guessed_low_c - nights.parts.freezes_at_c).reshape(shape)
        guess_c = -np.where(np.isnan(above_c), guessed_above_c, above_c).min(axis=1)
        self.shift_c = np.clip(np.nan_to_num(guess_c), 0.8 * COLDEST_SHIFT_C, 0.8 * WARMEST_SHIFT_C)
        is_far = np.abs(self.shift_c) > FAR_C  # two tries close together would tell nothing about the slope
        self.earlier_c = np.where(is_far[:, None] & ~np.isnan(above_c), 0.0, np.nan)
        self.earlier_above_c = above_c

    def _slopes(self, group: IndexArray, above_c: FloatArray) -> tuple[FloatArray, BoolArray]:
        """How the lowest temperature goes with the shift, and whether that is known from two tries."""
        apart_c = self.shift_c[group][:, None] - self.earlier_c[group]
        is_measured = np.abs(apart_c) > APART_C  # NaN, no earlier try: not measured
        with np.errstate(invalid="ignore"):
            slope = (above_c - self.earlier_above_c[group]) / np.where(is_measured, apart_c, np.nan)
        is_measured &= np.isfinite(slope)
        return np.clip(np.where(is_measured, slope, 1.0), *SLOPES), is_measured

    def _narrow(self, group: IndexArray, lowest_c: FloatArray) -> None:
        """Tighten the bracket of each group: ice at the lower end, none at the upper."""
        now_c, freezes = self.shift_c[group], lowest_c < 0.0
        self.low_c[group] = np.where(freezes, np.maximum(self.low_c[group], now_c), self.low_c[group])
        self.high_c[group] = np.where(freezes, self.high_c[group], np.minimum(self.high_c[group], now_c))

    def _follow(self, group: IndexArray, above_c: FloatArray, is_odd: BoolArray) -> None:
        """Leave the winds whose margin cannot be the largest; take all up again where the coldest moment has moved."""
        if self.follows_every_wind:
            return
        lowest_c = above_c.min(axis=1, keepdims=True)
        makes_none_where_another_does = (above_c >= 0.0) & (lowest_c < 0.0)
        with np.errstate(invalid="ignore"):
            too_warm = above_c - lowest_c > SLOPE_SPREAD * np.abs(lowest_c) + 2.0 * TOLERANCE_C
        self.is_odd[group] |= is_odd.any(axis=1)
        may_win = self.is_odd[group][:, None] | self.followed[group] & ~too_warm
        self.followed[group] = may_win & ~makes_none_where_another_does

    def _is_done(self, group: IndexArray, lowest_c: FloatArray) -> BoolArray:
        width_c = self.high_c[group] - self.low_c[group]
        is_narrow, has_root = width_c < TOLERANCE_C, np.isfinite(lowest_c)
        return np.asarray(is_narrow | self._never(group) | self._always(group) | ~has_root)

    def _never(self, group: IndexArray) -> BoolArray:
        return np.asarray(self.high_c[group] <= COLDEST_SHIFT_C)

    def _always(self, group: IndexArray) -> BoolArray:
        return np.asarray(self.low_c[group] >= WARMEST_SHIFT_C)

    def _settled(self, group: IndexArray, lowest_c: FloatArray, wanted_c: FloatArray) -> FloatArray:
        """The margin of groups that are done; a column that never runs has no hour in which ice could form."""
        found_c = np.clip(wanted_c, self.low_c[group], self.high_c[group])
        found_c = np.where(self._never(group) | np.isposinf(lowest_c), -np.inf, found_c)
        found_c = np.where(self._always(group), WARMEST_SHIFT_C, found_c)
        return np.where(np.isnan(lowest_c), np.nan, found_c)

    def _inside(self, group: IndexArray, wanted_c: FloatArray) -> FloatArray:
        """The wanted shift if it lies inside the bracket, else its middle."""
        low_c, high_c = self.low_c[group], self.high_c[group]
        below_c, above_c = np.maximum(low_c, COLDEST_SHIFT_C), np.minimum(high_c, WARMEST_SHIFT_C)
        outside = (wanted_c <= below_c) & np.isfinite(low_c) | (wanted_c >= above_c) & np.isfinite(high_c)
        return np.where(outside, 0.5 * (below_c + above_c), np.clip(wanted_c, COLDEST_SHIFT_C, WARMEST_SHIFT_C))
