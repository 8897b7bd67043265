"""The kinds of entries and what each of them tells. Append-only: a correction voids an earlier entry."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Literal

from carewatch.logbook.care import (
    ConnectorsChecked,
    Damaged,
    Inspected,
    PartReplaced,
    Restocked,
    RevisionFitted,
    Symptom,
)


class Channel(StrEnum):
    """The way an entry came in."""

    COMMAND = "command"
    PAGE = "page"
    MAIL = "mail"
    FILE = "file"
    BRIDGE = "bridge"


# ---------------------------------------------------------------- what each kind tells


@dataclass(frozen=True, slots=True, kw_only=True)
class Sprayed:
    """Liquid went through the nozzles until `happened_at`. `sides`: opened sides (None: not said)."""

    product: str = "product"
    sides: tuple[str, ...] | None = None
    hours: float | None = None
    counter_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A liquid was put in. `where`: part keys (default the tank); `strength_vol_pct` belongs to antifreeze."""

    liquid: str
    where: tuple[str, ...] = ("tank",)
    litres: float | None = None
    strength_vol_pct: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rinsed:
    """Clean water went through the opened sides."""

    sides: tuple[str, ...]
    litres: float | None = None
    passes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlownOut:
    """Air went through the opened sides."""

    sides: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drained:
    """Parts were drained; pockets stay."""

    where: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AntifreezeRun:
    """Antifreeze was pushed through the opened sides, through the pump or fed in at the boom."""

    fluid: str
    sides: tuple[str, ...]
    strength_vol_pct: float | None = None
    litres: float | None = None
    route: Literal["pump", "boom"] = "pump"


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthMeasured:
    """A reading at one side of one section: a first-ice point or a strength, with the scale of the instrument."""

    section: int
    side: str
    scale: str
    first_ice_c: float | None = None
    strength_vol_pct: float | None = None
    water_reads_water: bool = False
    instrument: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """It stands here from `happened_at` on. `place` None: somewhere at the site."""

    site: str
    place: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatChanged:
    """The heat of a shop is on (confirmed) or off. Counts for the place the machine stands in."""

    is_on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursRead:
    """A reading of a spray-hour counter; `side` None: one counter for all.

    `counter`: which one, where programs deliver several (None: the one people read). `from_zero`: it began at 0 with
    its task. `is_estimate`: it counts time in working position, not liquid flowing.
    """

    counter_h: float
    side: str | None = None
    counter: str | None = None
    from_zero: bool = False
    is_estimate: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A nozzle body was opened."""

    position: int
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirMeasured:
    """A thermometer reading at the machine [°C]."""

    air_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Thawed:
    """Thawed and checked the morning after. `found_ice`: was anything frozen (None: not said)."""

    found_ice: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Assigned:
    """A duty was given to somebody."""

    duty: str
    to: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Promised:
    """Somebody will do a duty by a time. A promise is not evidence."""

    duty: str
    by_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskAccepted:
    """A named person leaves it as it is; the duty stays red, no more mails about it."""

    duty: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Declined:
    """Somebody cannot do a duty (not there, not safe alone in the dark)."""

    duty: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotUsed:
    """It did not spray on the day of `happened_at`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Voided:
    """An earlier entry is void."""

    entry: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """Anything else a person or program wants kept: kinds whose meaning needs no more than a text and a position."""

    text: str = ""
    position: int | None = None
    side: str | None = None


Detail = (
    Sprayed | Filled | Rinsed | BlownOut | Drained | AntifreezeRun | StrengthMeasured | Moved | HeatChanged | HoursRead
    | Opened | ConnectorsChecked | Damaged | Symptom | Inspected | PartReplaced | RevisionFitted | Restocked
    | AirMeasured | Thawed | Assigned | Promised | RiskAccepted | Declined | NotUsed | Voided | Remark
)  # fmt: skip


class EntryKind(StrEnum):
    """Every kind of entry. `detail_type` of kinds.py says which detail belongs to it."""

    SPRAYED = "sprayed"
    FILLED = "filled"
    RINSED = "rinsed"
    BLOWN_OUT = "blown_out"
    DRAINED = "drained"
    ANTIFREEZE_RUN = "antifreeze_run"
    STRENGTH_MEASURED = "strength_measured"
    MOVED = "moved"
    HEAT_CHANGED = "heat_changed"
    HOURS_READ = "hours_read"
    OPENED = "opened"
    CONNECTORS_CHECKED = "connectors_checked"
    DAMAGED = "damaged"
    SYMPTOM = "symptom"
    INSPECTED = "inspected"
    PART_REPLACED = "part_replaced"
    REVISION_FITTED = "revision_fitted"
    RESTOCKED = "restocked"
    STEP_DONE = "step_done"
    SIGNED = "signed"
    THAWED = "thawed"
    AIR_MEASURED = "air_measured"
    ASSIGNED = "assigned"
    PROMISED = "promised"
    RISK_ACCEPTED = "risk_accepted"
    DECLINED = "declined"
    NOT_USED = "not_used"
    SEASON_ENDED = "season_ended"
    LAID_UP = "laid_up"
    HANDED_OVER = "handed_over"
    RETIRED = "retired"
    NOTE = "note"
    VOIDED = "voided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the logbook.

    `id` is made by whoever writes it, so that a phone may send twice. `happened_at` is what the writer says,
    `recorded_at` when it reached us; both aware UTC. `by` and `on_behalf_of` are person ids.
    """

    id: str
    machine: str
    kind: EntryKind
    happened_at: datetime
    recorded_at: datetime
    by: str
    on_behalf_of: str | None = None
    channel: Channel
    detail: Detail
