"""From a refractive index to the strength of a propylene glycol mixture.

MacBeth & Thompson 1951, Anal. Chem. 23:618, doi 10.1021/ac60052a019: refractive index (sodium D line, 25 °C) of aqueous
propylene glycol by mass %. The curve rises all the way, unlike density, which peaks near 70 %: a refractometer is right
where a hydrometer is wrong. There is no Brix column: no published table from glycol to Brix was found.
"""

from __future__ import annotations

from bisect import bisect_right

from carewatch.errors import BadInput

STEP_MASS_PCT = 10.0
REFRACTIVE_INDEX = (1.3325, 1.3432, 1.3544, 1.3658, 1.3770, 1.3878, 1.3980, 1.4075, 1.4162, 1.4241, 1.4316)


def propylene_glycol_mass_pct(refractive_index: float) -> float:
    """Mass % of propylene glycol in water from the refractive index at 25 °C; BadInput outside the table."""
    if not REFRACTIVE_INDEX[0] <= refractive_index <= REFRACTIVE_INDEX[-1]:
        raise BadInput(
            f"A refractive index of {refractive_index:g} is outside {REFRACTIVE_INDEX[0]} (water) to "
            f"{REFRACTIVE_INDEX[-1]} (pure propylene glycol); read it again at 25 °C."
        )
    row = min(bisect_right(REFRACTIVE_INDEX, refractive_index), len(REFRACTIVE_INDEX) - 1) - 1
    below, above = REFRACTIVE_INDEX[row], REFRACTIVE_INDEX[row + 1]
    return STEP_MASS_PCT * (row + (refractive_index - below) / (above - below))
