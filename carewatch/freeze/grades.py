"""How bad and how sure: severity from the ice of the middle freezing night, certainty from the chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from carewatch.fluids.liquid import LiquidKind
from carewatch.freeze.batch import Trace
from carewatch.freeze.outlook import Certainty, PartOutlook, Severity
from carewatch.logbook.state import Contents, Fill
from carewatch.roster.model import VALVE_PREFIX

MODERATE_FROM, SEVERE_FROM = 0.1, 0.9  # ice fractions: a plug is likely; solid (grades chosen)
# One night at 25 °F (-3.9 °C) with product inside broke valves: common practice, no source. The margin of such a night
# is about 0.5 °C less under cloud, as parts lag behind the coldest hour.
SEVERE_MARGIN_C = 3.3
LIKE_WATER_FROM_C = -0.5  # chosen: what freezes above this breaks valves as water does
LIKELY_ABOVE = 0.5
STEPS = (Severity.NONE, Severity.MINOR, Severity.MODERATE, Severity.SEVERE, Severity.EXTREME)
HELD_AS_PRODUCT = frozenset({LiquidKind.PRODUCT, LiquidKind.UNKNOWN, LiquidKind.FERTILIZER})


@dataclass(frozen=True, slots=True, kw_only=True)
class PartNight:
    """One part in one night: what it holds, its outlook, its middle freezing night, since when it is frozen already."""

    contents: Contents
    outlook: PartOutlook
    middle: Trace | None
    frozen_since: datetime | None


def gravest(parts: Sequence[PartNight], *, midnight_at: datetime) -> tuple[Severity, float]:
    """Severity and ice fraction of the part for which it would be worst."""
    grades = [(_grade(part, midnight_at), part.outlook.ice_fraction) for part in parts]
    grade, ice = max(grades, default=(0, 0.0))
    return STEPS[grade], ice


def certainty(chance: float, threshold: float) -> Certainty:
    """Likely above one half, possible from the threshold."""
    if chance > LIKELY_ABOVE:
        return Certainty.LIKELY
    return Certainty.POSSIBLE if chance >= threshold else Certainty.UNLIKELY


def _grade(part: PartNight, midnight_at: datetime) -> int:
    """Place in STEPS by the ice of the middle night; pockets are one step lower."""
    ice = part.outlook.ice_fraction
    if ice <= 0.0:
        return 0
    grade = 1 + (ice >= MODERATE_FROM) + (ice >= SEVERE_FROM)
    if part.contents.fill is not Fill.FULL:
        return max(grade - 1, 1)
    if _is_solid_product_at(part, midnight_at):
        return STEPS.index(Severity.EXTREME)
    return max(grade, STEPS.index(Severity.SEVERE)) if _is_known_to_break(part) else grade


def _is_known_to_break(part: PartNight) -> bool:
    """Damage is known from nights like this, in valves full of something that freezes like water."""
    is_valve = part.contents.part.startswith(VALVE_PREFIX)
    is_like_water = part.contents.freezes_at_c >= LIKE_WATER_FROM_C
    return is_valve and is_like_water and part.outlook.margin_c >= SEVERE_MARGIN_C


def _is_solid_product_at(part: PartNight, midnight_at: datetime) -> bool:
    liquids = (part.contents.liquid, *part.contents.candidates)
    if part.middle is None or not any(liquid.kind in HELD_AS_PRODUCT for liquid in liquids):
        return False
    return part.middle.ice_at(midnight_at) >= SEVERE_FROM
