"""What the logbook says of one machine at one moment. Folded from entries by fold.py, never stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from carewatch.fluids.liquid import Liquid
from carewatch.logbook.hours import SprayHours
from carewatch.roster.model import PlaceKind

ASSUMED = "assumed"


class Fill(StrEnum):
    """How much of a part the liquid takes up."""

    FULL = "full"
    POCKETS = "pockets"  # blown out or drained: some is left
    DRY = "dry"  # nothing that can freeze (only for parts that can be proven empty)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What one wetted part holds, as far as anybody knows; the worst candidate counts.

    `known_by` is the id of the deciding entry or `assumed`; `who` the person id behind it (None if assumed);
    `since` when that entry happened; `entered_at` when this liquid got in (start of its thermal history).
    `freezes_at_c` is the highest first-ice point of all candidates [°C].
    """

    part: str
    liquid: Liquid
    candidates: tuple[Liquid, ...]
    fill: Fill
    freezes_at_c: float
    known_by: str
    who: str | None
    since: datetime | None
    entered_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Whereabouts:
    """Where a machine stands from `since` on. `kind` is the kind that counts (a shop not confirmed is a shed).

    `site` and `place` are ids (`place` None: somewhere at the site, counted as outdoors); `is_assumed`: nobody said so.
    `known_by` is an entry id or `assumed`. `or_at`: other sites it may as well be at (used since somebody last said);
    who has their weather takes the colder one.
    """

    site: str
    place: str | None
    kind: PlaceKind
    colder_c: float
    since: datetime
    known_by: str
    is_assumed: bool
    heat_known_until: datetime | None = None
    or_at: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthReading:
    """A strength measured since antifreeze last went through; `why_not` says why it does not count (empty: it does)."""

    entry: str
    section: int
    side: str
    first_ice_c: float | None
    why_not: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineState:
    """Everything the logbook says of one machine at `at`.

    `stays`: whereabouts over time, oldest first; the last one is now (heat running out later is in
    `heat_known_until`). `unrinsed_sides`: sides that hold product because they were not opened in a rinse since the
    last spraying (empty: nothing to rinse). `last_shift_started_at`/`last_sprayed_at`: first and last spraying of the
    latest shift (a gap of 4 h starts a new one). `last_word_at`: latest entry of any kind. `strengths`: what was
    measured since antifreeze last went through that side. `hours`: spray hours, what is odd about them, the pace.
    """

    machine: str
    at: datetime
    contents: Mapping[str, Contents]
    stays: tuple[Whereabouts, ...]
    unrinsed_sides: tuple[str, ...]
    last_product: str | None
    last_shift_started_at: datetime | None
    last_sprayed_at: datetime | None
    last_opened_sides: tuple[str, ...]
    last_word_at: datetime | None
    is_retired: bool
    is_laid_up: bool
    season_ended: bool
    hours: SprayHours
    strengths: tuple[StrengthReading, ...] = ()

    @property
    def stands(self) -> Whereabouts:
        """Where it stands now."""
        return self.stays[-1]

    @property
    def spray_hours(self) -> Mapping[str, float]:
        """Spray hours of each side, as counted [h]."""
        return self.hours.by_side

    @property
    def counter_restarts(self) -> tuple[str, ...]:
        """Entries whose counter went backwards."""
        return self.hours.restarts
