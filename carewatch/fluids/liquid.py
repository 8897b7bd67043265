"""A liquid as carewatch thinks of it: what it is, and at what temperature its first ice forms."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class LiquidKind(StrEnum):
    """What sort of liquid it is; decides which table answers."""

    WATER = "water"
    PRODUCT = "product"  # water-carried spray mix: counts as water
    FERTILIZER = "fertilizer"
    ANTIFREEZE = "antifreeze"
    UNKNOWN = "unknown"  # counts as water


@dataclass(frozen=True, slots=True, kw_only=True)
class Liquid:
    """One liquid. `name` is a key of the tables (`water`, `uan_28`, `propylene_glycol`, ...) or free product text.

    `strength_vol_pct` [0..100] is for antifreeze only; `measured_at_c` is a first-ice point somebody measured [°C].
    """

    kind: LiquidKind
    name: str
    strength_vol_pct: float | None = None
    measured_at_c: float | None = None


WATER = Liquid(kind=LiquidKind.WATER, name="water")
UNKNOWN = Liquid(kind=LiquidKind.UNKNOWN, name="unknown")
