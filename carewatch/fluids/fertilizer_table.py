"""Liquid fertilizers that may sit in a boom: when they freeze and when they salt out, as data.

Values are of the kind the sources call ballpark: they vary with raw materials and age in the store.

Sources
-------
[1] IPNI, Nutrient Source Specifics no. 7 (urea ammonium nitrate): salt-out -18, -10, -2 °C for 28, 30, 32 % N.
[2] Estimated physical characteristics of fertilizer material (extension table, studylib.net/doc/18119690).
[3] UF/IFAS on salt-out of liquid fertilizers (centralfloridaagnews.com): 32 % N at 31 to 32 °F in Florida advice.
[4] Fluid Fertilizer Foundation, ammonium sulfate and UAN solution blends.
[5] gatfertilizers.com, storage management: liquid fertilizer in general may settle out below about 5 °C.

Freezing of UAN 30 and 32: no ice point is published. Their salts fall out first and what stays liquid moves along the
saturation line to a composition no warmer than the -18 °C of UAN 28 (same ratio of salts), so -18 °C is the warmest
temperature at which ice can form in them (own inference). Blocking crystals come much earlier: `salts_out_c`.
"""

from __future__ import annotations

from dataclasses import dataclass

SETTLES_BELOW_C = 5.0  # [5]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fertilizer:
    """One fertilizer: warmest ice point and warmest temperature at which its salts fall out [°C]."""

    label: str
    freezes_c: float
    salts_out_c: float
    source: str


FERTILIZERS: dict[str, Fertilizer] = {
    "uan_28": Fertilizer(label="UAN 28", freezes_c=-18.0, salts_out_c=-18.0, source="[1], [2]"),
    "uan_30": Fertilizer(label="UAN 30", freezes_c=-18.0, salts_out_c=-10.0, source="[1], [3]"),
    # Florida advice says 31 to 32 °F; the nationally published -2 °C is kept, the night error covers the rest
    "uan_32": Fertilizer(label="UAN 32", freezes_c=-18.0, salts_out_c=-2.0, source="[1], [2]"),
    # hydrolyses and sludges in store, so it may also block from the general settling temperature on
    "app_10_34_0": Fertilizer(label="10-34-0", freezes_c=-23.0, salts_out_c=-23.0, source="[2]"),
    # published as "below 20 °F"
    "ats_12_0_0_26s": Fertilizer(label="12-0-0-26S", freezes_c=-6.7, salts_out_c=-6.7, source="[2]"),
    "ams_8_0_0_9s": Fertilizer(label="ammonium sulfate solution", freezes_c=0.0, salts_out_c=0.0, source="[4]"),
    "npk_7_21_7": Fertilizer(label="7-21-7", freezes_c=-6.7, salts_out_c=-6.7, source="[2]"),
    "npk_4_10_10": Fertilizer(label="4-10-10", freezes_c=-7.8, salts_out_c=-7.8, source="[2]"),
    "zn_10_0_0": Fertilizer(label="10-0-0-10Zn", freezes_c=0.0, salts_out_c=0.0, source="[2]"),
}
