"""From what a person types to a liquid of the tables."""

from __future__ import annotations

import re

from carewatch.fluids.antifreeze_table import MELINDER_FIRST_ICE_C
from carewatch.fluids.fertilizer_table import FERTILIZERS
from carewatch.fluids.freezing import ALCOHOLS, checked_strength
from carewatch.fluids.liquid import UNKNOWN, WATER, Liquid, LiquidKind

WATER_NAMES = frozenset({"water", "clean water", "rinse water", "rinsate", "h2o"})
UNKNOWN_NAMES = frozenset({"", "unknown", "?", "dont know", "not known"})
ANTIFREEZE_NAMES = {
    "propylene glycol": "propylene_glycol",
    "pg": "propylene_glycol",
    "mpg": "propylene_glycol",
    "57 55 6": "propylene_glycol",
    "ethylene glycol": "ethylene_glycol",
    "eg": "ethylene_glycol",
    "meg": "ethylene_glycol",
    "107 21 1": "ethylene_glycol",
    "methanol": "methanol",
    "67 56 1": "methanol",
    "ethanol": "ethanol",
    "64 17 5": "ethanol",
    "isopropanol": "isopropanol",
    "isopropyl alcohol": "isopropanol",
    "67 63 0": "isopropanol",
    "glycerol": "glycerol",
    "glycerin": "glycerol",
    "glycerine": "glycerol",
    "56 81 5": "glycerol",
    "antifreeze": "antifreeze",  # composition not told: counts as water until measured
    "alcohol": "alcohol",
}
FERTILIZER_NAMES = {
    "uan 28": "uan_28",
    "uan28": "uan_28",
    "28 0 0": "uan_28",
    "uan 30": "uan_30",
    "uan30": "uan_30",
    "30 0 0": "uan_30",
    "uan 32": "uan_32",
    "uan32": "uan_32",
    "32 0 0": "uan_32",
    "uan": "uan_32",  # grade not told: the one that salts out first
    "10 34 0": "app_10_34_0",
    "app": "app_10_34_0",
    "12 0 0 26s": "ats_12_0_0_26s",
    "ats": "ats_12_0_0_26s",
    "ammonium thiosulfate": "ats_12_0_0_26s",
    "8 0 0 9s": "ams_8_0_0_9s",
    "ams": "ams_8_0_0_9s",
    "ammonium sulfate": "ams_8_0_0_9s",
    "7 21 7": "npk_7_21_7",
    "4 10 10": "npk_4_10_10",
    "10 0 0 10zn": "zn_10_0_0",
    "fertilizer": "fertilizer",  # no table: water's freezing point, the general settling temperature
    "liquid fertilizer": "fertilizer",
    "28 0 0 5s": "fertilizer",  # blends lie between their parents; no published value
}


def liquid_named(name: str, strength_vol_pct: float | None = None) -> Liquid:
    """The liquid a person means by `name`; text nobody knows is a product and counts as water.

    `strength_vol_pct` [0..100] belongs to antifreeze; elsewhere it is checked and left out.
    """
    if strength_vol_pct is not None:
        checked_strength(strength_vol_pct)
    words = _plain(name)
    if words in UNKNOWN_NAMES:
        return UNKNOWN
    if words in WATER_NAMES:
        return WATER
    if words in ANTIFREEZE_KEYS:
        return Liquid(kind=LiquidKind.ANTIFREEZE, name=ANTIFREEZE_KEYS[words], strength_vol_pct=strength_vol_pct)
    if words in FERTILIZER_KEYS:
        return Liquid(kind=LiquidKind.FERTILIZER, name=FERTILIZER_KEYS[words])
    return Liquid(kind=LiquidKind.PRODUCT, name=name.strip())


def _plain(name: str) -> str:
    """Lower case, one space for every run of spaces, hyphens and underscores; percent signs and quotes left out."""
    return re.sub(r"[\s\-_]+", " ", re.sub(r"[%'’]", "", name.strip().lower())).strip()


ANTIFREEZE_KEYS = ANTIFREEZE_NAMES | {_plain(key): key for key in (*MELINDER_FIRST_ICE_C, *ALCOHOLS)}
FERTILIZER_KEYS = FERTILIZER_NAMES | {_plain(key): key for key in FERTILIZERS}
