"""Measures of chances and of flags against what happened. Nothing here knows what the chances were made from."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from carewatch.errors import BadInput

BIN_EDGES = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98, 1.0)  # chosen: finer where people decide


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Errors of forecasts [°C]: `bias_c` forecast minus observed, `sd_c` of the error (None for fewer than two)."""

    n: int
    bias_c: float | None
    mae_c: float | None
    sd_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Nights with about the same chance: what was said on average, how often it happened, how many nights."""

    said: float
    happened: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Flags:
    """What flagging nights would have brought.

    `caught`: share of freezes flagged; `false_share`: share of flags without freeze (None without freeze or flag);
    `cost`: mean cost per night, in units of the loss, when acting on a flag costs a share of it.
    """

    caught: float | None
    false_share: float | None
    cost: float | None


def errors(forecast_c: Sequence[float], observed_c: Sequence[float]) -> Errors:
    """Bias, mean absolute error and standard deviation of forecasts."""
    over_c = [said - came for said, came in zip(forecast_c, observed_c, strict=True)]
    n = len(over_c)
    if n == 0:
        return Errors(n=0, bias_c=None, mae_c=None, sd_c=None)
    bias_c = sum(over_c) / n
    sd_c = sqrt(sum((one - bias_c) ** 2 for one in over_c) / (n - 1)) if n > 1 else None
    return Errors(n=n, bias_c=bias_c, mae_c=sum(abs(one) for one in over_c) / n, sd_c=sd_c)


def brier(chances: Sequence[float], happened: Sequence[bool]) -> float | None:
    """Mean squared difference of chance and outcome; 0 is perfect, None without nights.

    References
    ----------
    Brier, G. W. (1950): Verification of forecasts expressed in terms of probability. Monthly Weather Review 78, 1-3;
    here in its half, as is usual for two outcomes.
    """
    pairs = list(zip(chances, happened, strict=True))
    return sum((chance - came) ** 2 for chance, came in pairs) / len(pairs) if pairs else None


def reliability(
    chances: Sequence[float], happened: Sequence[bool], *, edges: Sequence[float] = BIN_EDGES
) -> tuple[Bin, ...]:
    """Chances in bins [0, .02), [.02, .1) ... [.98, 1]; bins without a night are left out."""
    inside: list[list[tuple[float, bool]]] = [[] for _ in edges[1:]]
    for chance, came in zip(chances, happened, strict=True):
        if not 0.0 <= chance <= 1.0:
            raise BadInput(f"A chance of {chance:g} is not possible; it lies between 0 and 1.")
        inside[min(bisect_right(edges, chance) - 1, len(inside) - 1)].append((chance, came))
    return tuple(
        Bin(
            said=sum(chance for chance, _ in nights) / len(nights),
            happened=sum(came for _, came in nights) / len(nights),
            n=len(nights),
        )
        for nights in inside
        if nights
    )


def flags(flagged: Sequence[bool], happened: Sequence[bool], *, cost_loss: float) -> Flags:
    """Caught and false shares, and the cost per night.

    Acting on a flag costs `cost_loss` of the loss and prevents it; a freeze without a flag costs the whole loss
    (Richardson, D. S. (2000), Q. J. R. Meteorol. Soc. 126, 649-667).
    """
    pairs = list(zip(flagged, happened, strict=True))
    hits = sum(flag and came for flag, came in pairs)
    marked, freezes = sum(flagged), sum(happened)
    return Flags(
        caught=hits / freezes if freezes else None,
        false_share=(marked - hits) / marked if marked else None,
        cost=(cost_loss * marked + freezes - hits) / len(pairs) if pairs else None,
    )
