"""Parts and revisions of nozzle bodies: what a fleet can buy, keeps as spares, and wants to have fitted.

Kinds are trade words; names of parts and revisions are the fleet's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from types import MappingProxyType


class PartKind(StrEnum):
    """What wears or breaks at a nozzle body."""

    PLUNGER = "plunger"  # the moving part of a valve
    SEAT = "seat"
    SEAL = "seal"
    SPRING = "spring"
    VALVE = "valve"  # moving part, seat, seal, spring and bore of one side as one piece
    COIL = "coil"
    CAP = "cap"
    RETAINING_CLIP = "retaining_clip"
    SIDE_CONNECTOR = "side_connector"
    STRAINER = "strainer"
    NOZZLE = "nozzle"
    TURRET = "turret"
    HARNESS = "harness"
    BODY = "body"  # the whole nozzle body with everything in it


OF_THE_BODY = frozenset({PartKind.TURRET, PartKind.HARNESS, PartKind.BODY})
"""Kinds there is one of at a position; of the others there is one for each valve side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Something that can be bought, or could once (`is_sold`): a kit may replace several kinds.

    `sides`: it fits only these valve sides (empty: all). `price`: of one, in the fleet's currency (None: not known).
    `min_stock`: spares every machine should carry, `min_stock_of` by machine id where it differs. `comes_with`: ids of
    the revisions that are fitted when this part is.
    """

    id: str
    name: str
    replaces: frozenset[PartKind]
    sides: tuple[str, ...] = ()
    number: str | None = None
    price: float | None = None
    pack_of: int = 1
    is_sold: bool = True
    min_stock: int = 0
    min_stock_of: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    comes_with: tuple[str, ...] = ()

    def fits(self, side: str | None) -> bool:
        """Whether it goes into this valve side (None: the body)."""
        return side is None or not self.sides or side in self.sides

    def least_at(self, machine_id: str) -> int:
        """How many of it this machine should carry."""
        return self.min_stock_of.get(machine_id, self.min_stock)


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """A make of a kind of part that is told apart from others. `retrofit`: it shall be fitted where it is not.

    `machines`, `sides`: only these (empty: all). `part`: id of the part to take. `paid_by`: who else pays, until when.
    """

    id: str
    name: str
    of: PartKind
    tell_apart: str
    retrofit: bool = False
    machines: tuple[str, ...] = ()
    sides: tuple[str, ...] = ()
    part: str | None = None
    paid_by: str | None = None
    paid_until: date | None = None

    def is_for(self, machine_id: str) -> bool:
        """Whether it concerns this machine."""
        return not self.machines or machine_id in self.machines

    def is_paid_on(self, day: date) -> bool:
        """Whether somebody else pays for it on that day."""
        return self.paid_by is not None and (self.paid_until is None or day <= self.paid_until)
