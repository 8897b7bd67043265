"""At what temperature the first ice forms in a liquid, and when its salts fall out.

Every doubt errs to warning: no strength, no table, or a name nobody knows counts as water.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from carewatch.errors import BadInput
from carewatch.fluids.antifreeze_table import (
    DENSITY_KG_PER_M3,
    LANGE_PROPYLENE_GLYCOL_C,
    LANGE_VOL_PCT,
    MELINDER_FIRST_ICE_C,
    STEP_MASS_PCT,
    WATER_KG_PER_M3,
)
from carewatch.fluids.fertilizer_table import FERTILIZERS, SETTLES_BELOW_C
from carewatch.fluids.liquid import Liquid, LiquidKind

WATER_FREEZES_C = 0.0
GLYCOL_CAUTION_C = 1.0  # chosen: inhibitors, label rounding, and up to 0.3 °C of straight lines in the handbook table
GLYCOLS = frozenset({"propylene_glycol", "ethylene_glycol"})
ALCOHOLS = frozenset({"methanol", "ethanol", "isopropanol"})
MEASURED_LOWEST_C = -60.0  # chosen: a reading below this is a burst rating or a slip, not a first-ice point
EG_EUTECTIC_MASS_PCT = 60.0  # the table's end; stronger ethylene glycol freezes warmer again
EG_PURE_FREEZES_C = -12.9  # pure ethylene glycol, from memory; only makes mixtures above 60 mass % look warmer


def freezes_at_c(liquid: Liquid) -> float:
    """First-ice point of a liquid.

    Parameters
    ----------
    liquid : Liquid
        `measured_at_c` wins when it is set; `strength_vol_pct` [0..100] is used for antifreeze only.

    Returns
    -------
    float
        Temperature [°C], never above 0.

    Notes
    -----
    Propylene glycol: the warmer of two tables, plus 1 °C. The tables differ by 0.2 to 1.3 °C, the handbook is the
    warmer one; it ends at 50 vol %, above that only the Melinder values exist. Ethylene glycol and glycerol: Melinder
    values only. Alcohols: Melinder values (methanol, ethanol); none citable for isopropanol, so it counts as water
    until measured. The 1 °C of caution is for glycol only.
    """
    if liquid.measured_at_c is not None:
        return _checked_reading(liquid.measured_at_c)
    match liquid.kind:
        case LiquidKind.WATER | LiquidKind.PRODUCT | LiquidKind.UNKNOWN:
            return WATER_FREEZES_C
        case LiquidKind.FERTILIZER:
            row = FERTILIZERS.get(liquid.name)
            return WATER_FREEZES_C if row is None else row.freezes_c
        case LiquidKind.ANTIFREEZE:
            if liquid.strength_vol_pct is None:
                return WATER_FREEZES_C
            return antifreeze_first_ice_c(liquid.name, liquid.strength_vol_pct)


def antifreeze_first_ice_c(name: str, strength_vol_pct: float) -> float:
    """First-ice point [°C] of an antifreeze of a strength by volume, with the caution for glycol."""
    strength_vol_pct = checked_strength(strength_vol_pct)
    if name not in MELINDER_FIRST_ICE_C:
        return WATER_FREEZES_C
    first_ice_c = melinder_first_ice_c(name, mass_pct_of(name, strength_vol_pct))
    if name == "propylene_glycol" and strength_vol_pct <= LANGE_VOL_PCT[-1]:
        first_ice_c = max(first_ice_c, lange_first_ice_c(strength_vol_pct))
    caution_c = GLYCOL_CAUTION_C if name in GLYCOLS else 0.0
    return min(first_ice_c + caution_c, WATER_FREEZES_C)


def melinder_first_ice_c(name: str, mass_pct: float) -> float:
    """First-ice point [°C] by mass %, without caution; beyond 60 mass % never colder than there."""
    values_c = MELINDER_FIRST_ICE_C[name]
    if name == "ethylene_glycol" and mass_pct > EG_EUTECTIC_MASS_PCT:
        share = (mass_pct - EG_EUTECTIC_MASS_PCT) / (100.0 - EG_EUTECTIC_MASS_PCT)
        return values_c[-1] + share * (EG_PURE_FREEZES_C - values_c[-1])
    return _on_line([STEP_MASS_PCT * i for i in range(len(values_c))], values_c, mass_pct)


def lange_first_ice_c(strength_vol_pct: float) -> float:
    """First-ice point [°C] of propylene glycol by vol %, handbook table, without caution."""
    return _on_line(LANGE_VOL_PCT, LANGE_PROPYLENE_GLYCOL_C, strength_vol_pct)


def mass_pct_of(name: str, strength_vol_pct: float) -> float:
    """Mass % from vol % of unmixed volumes at 20 °C."""
    antifreeze_kg = strength_vol_pct * DENSITY_KG_PER_M3[name]
    return 100.0 * antifreeze_kg / (antifreeze_kg + (100.0 - strength_vol_pct) * WATER_KG_PER_M3)


def strength_for_first_ice_vol_pct(name: str, target_c: float) -> float | None:
    """Weakest strength [vol %, 0..60] whose first ice, caution included, is at or below `target_c`; None if none is."""
    low, high = 0.0, 60.0
    if antifreeze_first_ice_c(name, high) > target_c:
        return None
    if antifreeze_first_ice_c(name, low) <= target_c:
        return low
    for _ in range(40):
        middle = 0.5 * (low + high)
        if antifreeze_first_ice_c(name, middle) <= target_c:
            high = middle
        else:
            low = middle
    return high


def salts_out_at_c(liquid: Liquid) -> float | None:
    """Warmest temperature [°C] at which crystals may block the boom; None for what does not salt out.

    A fertilizer without a published value gets the 5 °C below which liquid fertilizer in general may settle out.
    """
    if liquid.kind is not LiquidKind.FERTILIZER:
        return None
    row = FERTILIZERS.get(liquid.name)
    return SETTLES_BELOW_C if row is None else row.salts_out_c


def is_alcohol(liquid: Liquid) -> bool:
    """Whether it is an alcohol: evaporates, burns and is hard on seals, so its protection is not lasting."""
    return liquid.kind is LiquidKind.ANTIFREEZE and liquid.name in ALCOHOLS


def checked_strength(strength_vol_pct: float) -> float:
    """The strength if it lies in 0..100 vol %; BadInput if not."""
    if not 0.0 <= strength_vol_pct <= 100.0:
        raise BadInput(f"A strength of {strength_vol_pct:g} vol % is not possible; write a number from 0 to 100.")
    return strength_vol_pct


def _checked_reading(measured_at_c: float) -> float:
    if not MEASURED_LOWEST_C <= measured_at_c < float("inf"):
        raise BadInput(
            f"A first-ice point of {measured_at_c:g} °C is below {MEASURED_LOWEST_C:g} °C: that is a burst rating or a "
            "slip. Write the temperature read on the instrument."
        )
    return min(measured_at_c, WATER_FREEZES_C)


def _on_line(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Straight line between the table's points, held at its ends."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    i = bisect_right(xs, x) - 1
    return ys[i] + (ys[i + 1] - ys[i]) * (x - xs[i]) / (xs[i + 1] - xs[i])
