"""What the wetted parts are made of, as far as heat is concerned.

Default sizes are typical figures without a published source ("common practice, no published source"); a machine's own
figures from the roster replace them one by one. Doubts err to small and thin, which cool faster.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log, pi

import numpy as np
import numpy.typing as npt

from carewatch.fluids.liquid import LiquidKind
from carewatch.logbook.state import Contents, Fill
from carewatch.roster.model import VALVE_PREFIX, PartFigures

FloatArray = npt.NDArray[np.float64]

WATER_J_PER_KGK = 4205.0  # at 5 °C, CoolProp 8.0.0
ICE_J_PER_KGK = 2096.7  # at 0 °C, iapws 1.5.5
FUSION_J_PER_KG = 333_430.0  # iapws 1.5.5 (IAPWS-95 minus ice Ih)
# chosen: the lowest heat capacity of propylene glycol up to 60 mass % (CoolProp 8.0.0), so other liquids cool no slower
OTHER_LIQUID_J_PER_KGK = 3340.0
STRATIFIES_BELOW_C = 4.0  # density maximum of water: below it a big body of water cools from the skin only
SKIN_M = 0.05  # chosen: skin of a tank that counts as capacity below 4 °C; onset comes early on purpose
POCKET_SHARE = 0.15  # chosen: what blowing out or draining leaves of the held volume; little liquid cools faster


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One body that can freeze on its own.

    `area_m2` is the outer area and `wall_m2k_per_w` the resistance of the wall referred to it; `sky_view` [0..1] is
    the share of the outside that sees the sky; `skin_share` [0..1] the share of the liquid that counts below 4 °C.
    """

    diameter_mm: float
    area_m2: float
    liquid_kg: float
    wall_j_per_k: float
    wall_m2k_per_w: float
    emissivity: float
    sky_view: float
    skin_share: float = 1.0
    freezes_at_c: float = 0.0
    liquid_j_per_kgk: float = WATER_J_PER_KGK


def _skin_share(area_m2: float, liquid_kg: float) -> float:
    return min(1.0, SKIN_M * area_m2 * 1000.0 / liquid_kg)


# 25 mL, 70 g plastic; the coil is left out
VALVE = Part(
    diameter_mm=35.0,
    area_m2=0.011,
    liquid_kg=0.025,
    wall_j_per_k=119.0,
    wall_m2k_per_w=0.0125,
    emissivity=0.95,
    sky_view=0.5,
)

# per metre of 25.4/22.4 mm stainless pipe, dirty or wet outside (clean steel would be 0.2 to 0.3)
BOOM_PIPE = Part(
    diameter_mm=25.4,
    area_m2=0.080,
    liquid_kg=0.39,
    wall_j_per_k=446.0,
    wall_m2k_per_w=0.0001,
    emissivity=0.90,
    sky_view=0.5,
)

# per metre of 27/19 mm rubber hose
HOSES = Part(
    diameter_mm=27.0,
    area_m2=0.085,
    liquid_kg=0.28,
    wall_j_per_k=632.0,
    wall_m2k_per_w=0.019,
    emissivity=0.92,
    sky_view=0.5,
)

# pump and strainers: 1.5 L, 8 kg iron
PUMP = Part(
    diameter_mm=150.0,
    area_m2=0.16,
    liquid_kg=1.5,
    wall_j_per_k=4000.0,
    wall_m2k_per_w=0.0,
    emissivity=0.95,
    sky_view=0.3,
)

# flow meter or pressure port: 0.2 L in 1 kg of metal, a thin exposed body
METER = Part(
    diameter_mm=60.0,
    area_m2=0.035,
    liquid_kg=0.2,
    wall_j_per_k=480.0,
    wall_m2k_per_w=0.0,
    emissivity=0.95,
    sky_view=0.4,
)

# filling hopper: 3 L left in the outlet and ring line of a plastic bowl
HOPPER = Part(
    diameter_mm=100.0,
    area_m2=0.12,
    liquid_kg=3.0,
    wall_j_per_k=1500.0,
    wall_m2k_per_w=0.02,
    emissivity=0.95,
    sky_view=0.4,
)

# main tank with 300 L left; a fuller one is slower
TANK = Part(
    diameter_mm=1600.0,
    area_m2=3.0,
    liquid_kg=300.0,
    wall_j_per_k=76_000.0,
    wall_m2k_per_w=0.025,
    emissivity=0.95,
    sky_view=0.4,
    skin_share=_skin_share(3.0, 300.0),
)

# the line of the rinse tank freezes long before the tank: it is taken as the hose it is
RINSE_TANK = HOSES

# hand-wash tank and its tap: 15 L of clean water in thin plastic
HAND_WASH_TANK = Part(
    diameter_mm=250.0,
    area_m2=0.36,
    liquid_kg=15.0,
    wall_j_per_k=2300.0,
    wall_m2k_per_w=0.02,
    emissivity=0.95,
    sky_view=0.4,
)

DEFAULTS = {
    "boom_pipe": BOOM_PIPE,
    "hoses": HOSES,
    "pump": PUMP,
    "meter": METER,
    "hopper": HOPPER,
    "tank": TANK,
    "rinse_tank": RINSE_TANK,
    "hand_wash_tank": HAND_WASH_TANK,
}


def default_part(key: str) -> Part:
    """Default geometry of a wetted part; `valve` and `valve.<side>` are the nozzle valves, an unknown key too.

    A part nobody described is taken as the smallest and most exposed one.
    """
    if key == "valve" or key.startswith(VALVE_PREFIX):
        return VALVE
    return DEFAULTS.get(key, VALVE)


def with_figures(part: Part, figures: PartFigures | None) -> Part:
    """The part with a machine's own figures where it gives any."""
    if figures is None:
        return part
    part = Part(
        diameter_mm=_given(figures.diameter_mm, part.diameter_mm),
        area_m2=_given(figures.area_m2, part.area_m2),
        liquid_kg=_given(figures.liquid_kg, part.liquid_kg),
        wall_j_per_k=_given(figures.wall_j_per_k, part.wall_j_per_k),
        wall_m2k_per_w=_given(figures.wall_m2k_per_w, part.wall_m2k_per_w),
        emissivity=_given(figures.emissivity, part.emissivity),
        sky_view=_given(figures.sky_view, part.sky_view),
        skin_share=part.skin_share,
    )
    return replace(part, skin_share=_skin_share(part.area_m2, part.liquid_kg)) if part.skin_share < 1.0 else part


def holding(part: Part, contents: Contents, *, pockets_harm_c: float) -> Part:
    """The part with what it holds: liquid, filling, and the temperature from which ice in it does harm [°C].

    Pockets harm only from `pockets_harm_c` below the freezing point; as little liquid they cool faster.
    """
    is_water = contents.liquid.kind in (LiquidKind.WATER, LiquidKind.PRODUCT, LiquidKind.UNKNOWN)
    liquid_j_per_kgk = WATER_J_PER_KGK if is_water else OTHER_LIQUID_J_PER_KGK
    if contents.fill is Fill.POCKETS:
        return replace(
            part,
            liquid_kg=part.liquid_kg * POCKET_SHARE,
            skin_share=1.0,
            freezes_at_c=contents.freezes_at_c - pockets_harm_c,
            liquid_j_per_kgk=liquid_j_per_kgk,
        )
    return replace(part, freezes_at_c=contents.freezes_at_c, liquid_j_per_kgk=liquid_j_per_kgk)


def pipe_part(
    *,
    inner_mm: float,
    wall_mm: float,
    density_kg_per_m3: float,
    heat_j_per_kgk: float,
    conductivity_w_per_mk: float,
    emissivity: float,
    insulation_mm: float = 0.0,
    insulation_w_per_mk: float = 1.0,
) -> Part:
    """One metre of a round pipe full of water; the insulation's own heat capacity is left out (cools sooner)."""
    inner_m, outer_m = inner_mm / 1000.0, (inner_mm + 2.0 * wall_mm) / 1000.0
    outside_m = outer_m + 2.0 * insulation_mm / 1000.0
    resistance_mk_per_w = log(outer_m / inner_m) / (2.0 * pi * conductivity_w_per_mk)
    resistance_mk_per_w += log(outside_m / outer_m) / (2.0 * pi * insulation_w_per_mk)
    return Part(
        diameter_mm=outside_m * 1000.0,
        area_m2=pi * outside_m,
        liquid_kg=1000.0 * pi / 4.0 * inner_m**2,
        wall_j_per_k=density_kg_per_m3 * heat_j_per_kgk * pi / 4.0 * (outer_m**2 - inner_m**2),
        wall_m2k_per_w=resistance_mk_per_w * pi * outside_m,
        emissivity=emissivity,
        sky_view=0.5,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PartArrays:
    """Parts on the batch axis, every array [n]. `capacity` warm liquid, `skin` below 4 °C, `solid` frozen [J/K]."""

    diameter_m: FloatArray
    area_m2: FloatArray
    capacity_j_per_k: FloatArray
    skin_j_per_k: FloatArray
    solid_j_per_k: FloatArray
    latent_j: FloatArray
    wall_m2k_per_w: FloatArray
    emissivity: FloatArray
    sky_view: FloatArray
    freezes_at_c: FloatArray

    @property
    def count(self) -> int:
        """Length of the batch axis."""
        return int(self.diameter_m.shape[0])

    def take(self, index: npt.NDArray[np.intp]) -> PartArrays:
        """The parts at these places of the batch axis."""
        return PartArrays(**{name: getattr(self, name)[index] for name in self.__slots__})

    def never_freezing(self) -> PartArrays:
        """The same parts with liquid that only gets colder: its lowest temperature tells whether ice would form."""
        return replace(self, solid_j_per_k=self.skin_j_per_k, latent_j=np.zeros_like(self.latent_j))

    def enthalpy_j(self, temperature_c: FloatArray) -> FloatArray:
        """Heat above liquid at the freezing point [J] of liquid at a temperature [°C], at least 0."""
        above = np.maximum(temperature_c - self.freezes_at_c, 0.0)
        skin = np.minimum(above, self.skin_range_k)
        return np.asarray(skin * self.skin_j_per_k + (above - skin) * self.capacity_j_per_k)

    @property
    def skin_range_k(self) -> FloatArray:
        """Degrees between the freezing point and 4 °C, where only the skin counts."""
        return np.asarray(np.maximum(STRATIFIES_BELOW_C - self.freezes_at_c, 0.0))


def stack(parts: Sequence[Part]) -> PartArrays:
    """Parts side by side on the batch axis."""

    def column(values: Sequence[float]) -> FloatArray:
        return np.array(values, dtype=np.float64)

    return PartArrays(
        diameter_m=column([part.diameter_mm / 1000.0 for part in parts]),
        area_m2=column([part.area_m2 for part in parts]),
        capacity_j_per_k=column([part.liquid_kg * part.liquid_j_per_kgk + part.wall_j_per_k for part in parts]),
        skin_j_per_k=column(
            [part.skin_share * part.liquid_kg * part.liquid_j_per_kgk + part.wall_j_per_k for part in parts]
        ),
        solid_j_per_k=column([part.liquid_kg * ICE_J_PER_KGK + part.wall_j_per_k for part in parts]),
        latent_j=column([part.liquid_kg * FUSION_J_PER_KG for part in parts]),
        wall_m2k_per_w=column([part.wall_m2k_per_w for part in parts]),
        emissivity=column([part.emissivity for part in parts]),
        sky_view=column([part.sky_view for part in parts]),
        freezes_at_c=column([part.freezes_at_c for part in parts]),
    )


def _given(own: float | None, default: float) -> float:
    return default if own is None else own
