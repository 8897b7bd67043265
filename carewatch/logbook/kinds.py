"""Every kind of entry with what belongs to it and one sentence on when to write it."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from types import MappingProxyType
from typing import Literal, get_args, get_origin, get_type_hints

from carewatch.logbook.care import (
    ConnectorsChecked,
    Damaged,
    Inspected,
    PartReplaced,
    Restocked,
    RevisionFitted,
    Symptom,
)
from carewatch.logbook.entries import (
    AirMeasured,
    AntifreezeRun,
    Assigned,
    BlownOut,
    Declined,
    Drained,
    EntryKind,
    Filled,
    HeatChanged,
    HoursRead,
    Moved,
    NotUsed,
    Opened,
    Promised,
    Remark,
    Rinsed,
    RiskAccepted,
    Sprayed,
    StrengthMeasured,
    Thawed,
    Voided,
)

DETAIL_TYPES: Mapping[EntryKind, type] = MappingProxyType(
    {
        EntryKind.SPRAYED: Sprayed,
        EntryKind.FILLED: Filled,
        EntryKind.RINSED: Rinsed,
        EntryKind.BLOWN_OUT: BlownOut,
        EntryKind.DRAINED: Drained,
        EntryKind.ANTIFREEZE_RUN: AntifreezeRun,
        EntryKind.STRENGTH_MEASURED: StrengthMeasured,
        EntryKind.MOVED: Moved,
        EntryKind.HEAT_CHANGED: HeatChanged,
        EntryKind.HOURS_READ: HoursRead,
        EntryKind.OPENED: Opened,
        EntryKind.CONNECTORS_CHECKED: ConnectorsChecked,
        EntryKind.DAMAGED: Damaged,
        EntryKind.SYMPTOM: Symptom,
        EntryKind.INSPECTED: Inspected,
        EntryKind.PART_REPLACED: PartReplaced,
        EntryKind.REVISION_FITTED: RevisionFitted,
        EntryKind.RESTOCKED: Restocked,
        EntryKind.STEP_DONE: Remark,
        EntryKind.SIGNED: Remark,
        EntryKind.THAWED: Thawed,
        EntryKind.AIR_MEASURED: AirMeasured,
        EntryKind.ASSIGNED: Assigned,
        EntryKind.PROMISED: Promised,
        EntryKind.RISK_ACCEPTED: RiskAccepted,
        EntryKind.DECLINED: Declined,
        EntryKind.NOT_USED: NotUsed,
        EntryKind.SEASON_ENDED: Remark,
        EntryKind.LAID_UP: Remark,
        EntryKind.HANDED_OVER: Remark,
        EntryKind.RETIRED: Remark,
        EntryKind.NOTE: Remark,
        EntryKind.VOIDED: Voided,
    }
)

HELP: Mapping[EntryKind, str] = MappingProxyType(
    {
        EntryKind.SPRAYED: "Liquid went through the nozzles until then; both sides are wet afterwards.",
        EntryKind.FILLED: "A liquid was put into the tank (or the parts named); cancels any protection it reaches.",
        EntryKind.RINSED: "Clean water ran through the sides named; a side that stayed shut is not rinsed.",
        EntryKind.BLOWN_OUT: "Air went through the sides named; pockets stay, so the risk is lower, not gone.",
        EntryKind.DRAINED: "The parts named were drained; pockets stay.",
        EntryKind.ANTIFREEZE_RUN: "Antifreeze was pushed through the sides named; without litres it counts as water.",
        EntryKind.STRENGTH_MEASURED: "Strength or first-ice point read at one side of a section, with the scale used.",
        EntryKind.MOVED: "It stands at this site and place from then on, until it is used again.",
        EntryKind.HEAT_CHANGED: "The heat of the shop it stands in is on (confirmed) or off.",
        EntryKind.HOURS_READ: "Reading of the spray-hour counter, for one side or for all.",
        EntryKind.OPENED: "A nozzle body was opened; its connectors are to be dried before the next start.",
        EntryKind.CONNECTORS_CHECKED: "Connectors of these positions are dry, clean and thinly greased; no leak.",
        EntryKind.DAMAGED: "Something was struck, torn off or frozen, at these positions or sections.",
        EntryKind.SYMPTOM: (
            "A drip, leak, blockage, missing pulse, electrical fault or the machine's own message was seen, where."
        ),
        EntryKind.INSPECTED: (
            "Sections or positions are fine on these sides, except the findings: 14 front seat_worn, 17 turret_broken."
        ),
        EntryKind.PART_REPLACED: (
            "A part (id of the parts list, or a kind such as seal or body) was renewed there; counts the spares down."
        ),
        EntryKind.REVISION_FITTED: "A revision of the fleet's list is in these positions now.",
        EntryKind.RESTOCKED: "Spares were put on the shelf of this machine; is_count: so many lie there in all.",
        EntryKind.STEP_DONE: "A step of a checklist was done.",
        EntryKind.SIGNED: "A checklist was signed.",
        EntryKind.THAWED: "Thawed and checked in the morning; says whether anything was frozen.",
        EntryKind.AIR_MEASURED: "A thermometer was read beside the machine.",
        EntryKind.ASSIGNED: "A duty was given to somebody.",
        EntryKind.PROMISED: "Somebody will do a duty by a time; quiet until then, closes nothing.",
        EntryKind.RISK_ACCEPTED: "A named person leaves it as it is; it stays red.",
        EntryKind.DECLINED: "Somebody cannot do a duty.",
        EntryKind.NOT_USED: "It did not spray on that day.",
        EntryKind.SEASON_ENDED: "Its season is over, until it is used again.",
        EntryKind.LAID_UP: "It is stopped for a time; not safe by itself.",
        EntryKind.HANDED_OVER: "Somebody else looks after it from then on.",
        EntryKind.RETIRED: "Sold, lent or scrapped, until it is used again.",
        EntryKind.NOTE: "Anything else worth keeping.",
        EntryKind.VOIDED: "An earlier entry is void; lowers the risk only from its author within an hour or a manager.",
    }
)


FOR_PROGRAMS = frozenset({"counter", "from_zero", "is_estimate"})
"""Fields of a counter reading that programs write; a form for people leaves them out."""


@cache
def choices_of(kind: EntryKind, field: str) -> tuple[str, ...]:
    """The words a field may hold where only a few will do; empty: anything of its type."""
    hint = get_type_hints(DETAIL_TYPES[kind]).get(field)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return tuple(member.value for member in hint)
    return tuple(map(str, get_args(hint))) if get_origin(hint) is Literal else ()
