"""How fast this processor takes roots, divides and multiplies, and what the compiled heat balance needs of each."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from math import sqrt
from typing import Any

import numpy as np

numba: Any = import_module("numba")
REPEATS, LENGTH = 50_000, 512  # fits the first cache


@dataclass(frozen=True)
class Operations:
    """Square roots, divisions, multiplications or additions (fused where the formula allows)."""

    root: float
    division: float
    fused: float


# counted by hand in carewatch/freeze/kernel_numba.py: what a column needs in a step (_dry_exchange, _step, _settle) and
# at a mark (_work_out_mark; an exponential is 9 or 14, a logarithm 10 and a division), without loads and selections
A_STEP = Operations(root=5, division=3, fused=75)
A_MARK = Operations(root=8, division=4, fused=130)


def rates() -> Operations:
    """Operations a second of one core, in the same kind of loop."""
    return Operations(root=_per_s(_roots, 1), division=_per_s(_divisions, 1), fused=_per_s(_fused, 16))


def limit_s(column_hours: float, *, sub_steps: int, of: Operations) -> float:
    """Seconds that the counted operations take at these rates, one after the other."""

    def seconds(need: Operations) -> float:
        return need.root / of.root + need.division / of.division + need.fused / of.fused

    return column_hours * (seconds(A_MARK) + sub_steps * seconds(A_STEP))


def _per_s(loop: Callable[[np.ndarray, int], None], each: int) -> float:
    values = np.ones(LENGTH)
    loop(values, 10)
    best_s = min(_timed(loop, values) for _ in range(3))
    return each * LENGTH * REPEATS / best_s


def _timed(loop: Callable[[np.ndarray, int], None], values: np.ndarray) -> float:
    began = time.perf_counter()
    loop(values, REPEATS)
    return time.perf_counter() - began


@numba.njit(error_model="numpy", fastmath={"contract"})
def _roots(values, repeats):
    for _ in range(repeats):
        for i in range(values.size):
            values[i] = sqrt(values[i]) + 0.5


@numba.njit(error_model="numpy", fastmath={"contract"})
def _divisions(values, repeats):
    for _ in range(repeats):
        for i in range(values.size):
            values[i] = 1.0 / values[i] + 0.5


@numba.njit(error_model="numpy", fastmath={"contract"})
def _fused(values, repeats):
    for _ in range(repeats):
        for i in range(values.size):
            x = values[i]
            for _ in range(16):
                x = x * 0.999 + 0.1
            values[i] = x
