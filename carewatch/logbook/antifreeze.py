"""Antifreeze pushed through a boom: how strong it comes out, and which readings count."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp

from carewatch.errors import BadInput
from carewatch.fluids.freezing import WATER_FREEZES_C, freezes_at_c
from carewatch.fluids.liquid import WATER, Liquid, LiquidKind
from carewatch.fluids.mixing import full_mixing_vol_pct
from carewatch.fluids.naming import liquid_named
from carewatch.logbook.contents import Held, Part, Run, held_since, is_antifreeze, joined_by, settled
from carewatch.logbook.entries import AntifreezeRun, Entry, Filled, StrengthMeasured
from carewatch.logbook.state import Fill

BLOWN_OUT_SHARE = 0.15  # chosen: share of the held volume that stays after air or draining
READING_ERROR_C = 1.0  # a glycol refractometer is good to about 1 °C (ASTM D3321)
COLDEST_READING_C = -45.0  # chosen: colder (60 vol % glycol and more) is refused as fluid; "-50" is a burst rating


@lru_cache(maxsize=1024)
def liquid_or_unknown_strength(name: str, strength_vol_pct: float | None) -> Liquid:
    """The liquid of this name; a strength that cannot be is left out, so that it counts as water."""
    try:
        return liquid_named(name, strength_vol_pct)
    except BadInput:
        return liquid_named(name)


def volume_to_fill_l(route: Iterable[Part], held_l: float) -> float:
    """Litres of old liquid in the way [L]: all that is held unless air or draining came first on the whole route."""
    was_emptied = all(part.fill is not Fill.FULL for part in route)
    return held_l * BLOWN_OUT_SHARE if was_emptied else held_l


def mixed_with(part: Part, entry: Entry, detail: AntifreezeRun, *, in_the_way_l: float) -> Part:
    """A part after antifreeze went through it, nothing measured yet.

    Litres or drum strength not given: still water until measured. Given: anything from full mixing to plug flow, the
    warmer counts. A fertilizer, another antifreeze or a first-ice point measured before may still be there: the warmer
    of old and new.
    """
    drum = _as_antifreeze(liquid_or_unknown_strength(detail.fluid, detail.strength_vol_pct))
    old = settled(part)
    stays = tuple(held for held in old if _stays_beside(held.liquid, drum))
    computed = _computed_liquids(drum, litres=detail.litres, in_the_way_l=in_the_way_l, old=old)
    new = tuple(replace(held_since(entry, liquid), is_computed=True) for liquid in computed)
    is_mixed = any(is_antifreeze(held.liquid) and held.liquid.name != drum.name for held in old)
    return Part(holds=(*stays, *new), run=Run(known_by=entry.id, drum=drum, is_mixed=is_mixed))


def _as_antifreeze(liquid: Liquid) -> Liquid:
    """What was run as antifreeze under a name nobody knows: of no known strength, so water until measured."""
    return liquid if is_antifreeze(liquid) else Liquid(kind=LiquidKind.ANTIFREEZE, name=liquid.name)


def _stays_beside(old: Liquid, drum: Liquid) -> bool:
    if old.kind is LiquidKind.FERTILIZER:
        return True
    return is_antifreeze(old) and (old.name != drum.name or old.measured_at_c is not None)


def _computed_liquids(
    drum: Liquid, *, litres: float | None, in_the_way_l: float, old: tuple[Held, ...]
) -> tuple[Liquid, ...]:
    stock_vol_pct = drum.strength_vol_pct
    if stock_vol_pct is None or litres is None or not litres >= 0.0:
        return (drum, WATER)
    before_vol_pct = min(_strength_in_vol_pct(held.liquid, drum) for held in old)
    share_kept = exp(-litres / in_the_way_l) if in_the_way_l > 0.0 else 0.0
    fresh_vol_pct = full_mixing_vol_pct(stock_vol_pct, poured_l=litres, held_l=in_the_way_l)
    mixed_vol_pct = min(100.0, fresh_vol_pct + before_vol_pct * share_kept)
    return (replace(drum, strength_vol_pct=mixed_vol_pct), drum)


def _strength_in_vol_pct(old: Liquid, drum: Liquid) -> float:
    """Strength of the same antifreeze already there [vol %]; a measured point brings no water in."""
    if is_antifreeze(old) and old.name == drum.name:
        if old.strength_vol_pct is not None:
            return old.strength_vol_pct
        if old.measured_at_c is not None and drum.strength_vol_pct is not None:
            return drum.strength_vol_pct
    return 0.0


def filled_with(part: Part, entry: Entry, detail: Filled, *, held_l: float) -> Part:
    """A part somebody poured antifreeze into: mixed if it was emptied before, else beside the old liquid."""
    drum = liquid_or_unknown_strength(detail.liquid, detail.strength_vol_pct)
    if part.fill is Fill.FULL:
        return joined_by(part, held_since(entry, drum))
    run = AntifreezeRun(
        fluid=detail.liquid, sides=(), strength_vol_pct=detail.strength_vol_pct, litres=detail.litres
    )  # fmt: skip
    return mixed_with(part, entry, run, in_the_way_l=held_l * BLOWN_OUT_SHARE)


# ---------------------------------------------------------------- readings


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What a reading is worth: the liquid it shows, whether it counts, and if not why."""

    liquid: Liquid | None
    counts: bool
    why_not: str = ""


def judged(part: Part, detail: StrengthMeasured) -> Judgement:
    """Whether a reading counts for a part: right scale, water read as water, not stronger than the drum."""
    if part.run is None:
        return Judgement(liquid=None, counts=False, why_not="no antifreeze was run through since water or product")
    if not scale_fits(detail.scale, part.run.drum):
        return Judgement(
            liquid=None, counts=False, why_not=f"a {detail.scale} scale does not read {part.run.drum.name}"
        )
    liquid = _read_liquid(detail, part.run.drum)
    if liquid is None:
        return Judgement(liquid=None, counts=False, why_not="neither a strength nor a first-ice point that can be")
    if part.run.is_mixed:
        return Judgement(liquid=liquid, counts=False, why_not="two sorts of antifreeze met; no scale reads that")
    if not detail.water_reads_water:
        return Judgement(liquid=liquid, counts=False, why_not="the rinse water there was not read as water first")
    if _is_stronger_than_drum(liquid, part.run.drum):
        return Judgement(liquid=liquid, counts=False, why_not="stronger than what was poured in")
    return Judgement(liquid=liquid, counts=True)


def measured(part: Part, entry: Entry, detail: StrengthMeasured) -> Part:
    """A part after a reading: it replaces the computed strength if it counts; if not, it can only raise doubt."""
    judgement = judged(part, detail)
    if judgement.liquid is None:
        return part
    seen = held_since(entry, judgement.liquid)
    if judgement.counts:
        entered_at = min((held.entered_at for held in part.holds if held.entered_at), default=seen.entered_at)
        return replace(part, readings=(*part.readings, replace(seen, entered_at=entered_at)))
    if freezes_at_c(judgement.liquid) > part.freezes_at_c:
        return replace(part, holds=(*part.holds, replace(seen, is_computed=True)))
    return part


def scale_fits(scale: str, drum: Liquid) -> bool:
    """Whether the scale is made for this sort of antifreeze."""
    read = liquid_named(scale.lower().removesuffix(" scale").removesuffix("_scale"))
    return is_antifreeze(read) and read.name == drum.name and read.name != "antifreeze"


def _read_liquid(detail: StrengthMeasured, drum: Liquid) -> Liquid | None:
    """The liquid a reading shows; of a strength and a point the warmer. None: it is no possible reading."""
    shown = []
    if detail.first_ice_c is not None and COLDEST_READING_C <= detail.first_ice_c < float("inf"):
        shown.append(replace(drum, strength_vol_pct=None, measured_at_c=min(detail.first_ice_c, WATER_FREEZES_C)))
    if detail.strength_vol_pct is not None and 0.0 <= detail.strength_vol_pct <= 100.0:
        shown.append(replace(drum, strength_vol_pct=detail.strength_vol_pct))
    return max(shown, key=freezes_at_c) if shown else None


def _is_stronger_than_drum(liquid: Liquid, drum: Liquid) -> bool:
    if drum.strength_vol_pct is None or not _has_table(drum):
        return False
    return freezes_at_c(liquid) < freezes_at_c(drum) - READING_ERROR_C


def _has_table(drum: Liquid) -> bool:
    """Whether a first-ice point can be told from a strength; of a sort without a table only readings tell."""
    return freezes_at_c(replace(drum, strength_vol_pct=50.0)) < WATER_FREEZES_C
