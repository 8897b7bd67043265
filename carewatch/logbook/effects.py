"""What each entry does to what each wetted part holds: the one table. contents.py carries it out.

Read a row as a sentence: "sprayed: the valves of opened sides now hold the new liquid instead; in the valves of the
other sides it joins what was there; ...". Kinds of entries without a row change nothing that can freeze.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from carewatch.logbook.entries import AntifreezeRun, BlownOut, Detail, Drained, Filled, Rinsed, Sprayed
from carewatch.roster.model import VALVE_PREFIX, Machine


class Action(StrEnum):
    """What happens to one part."""

    KEEPS = "keeps what it held"
    TAKES = "full of the new liquid, the old one is gone"
    JOINS = "full; the new liquid or the old one: the warmer freezing point counts"
    TAKES_BUT_ENDS = "full of the new liquid, but boom ends may hold the old one for one more shift"
    WARMS = "joins, but only where the part would freeze later than the new liquid or is not full"
    CANCELS = "joins, but only where antifreeze or air protected the part"
    POCKETS = "pockets of what it held"
    MIXES = "antifreeze mixed with what stays behind"


class Deed(StrEnum):
    """A row of the table: an entry kind, where needed split by what the entry says."""

    SPRAYED = "sprayed"
    SPRAYED_SIDES_NOT_SAID = "sprayed, opened sides not said"
    RINSED = "rinsed"
    FILLED_TANK = "filled into tank or hopper"
    FILLED_ELSEWHERE = "filled elsewhere"
    BLOWN_OUT = "blown out"
    DRAINED = "drained"
    ANTIFREEZE_BY_PUMP = "antifreeze through the pump"
    ANTIFREEZE_AT_BOOM = "antifreeze fed in at the boom"


OPENED = "valves of opened sides"
OTHER = "valves of other sides"
NAMED = "parts the entry names"
COLUMNS = (
    OPENED,
    OTHER,
    "boom_pipe",
    "hoses",
    "pump",
    "meter",
    "hopper",
    "tank",
    "rinse_tank",
    "hand_wash_tank",
    NAMED,
)

_ = Action.KEEPS
TAKES, JOINS, ENDS, WARMS = Action.TAKES, Action.JOINS, Action.TAKES_BUT_ENDS, Action.WARMS
CANC, POCK, MIXES = Action.CANCELS, Action.POCKETS, Action.MIXES

# Why the less obvious cells say what they say:
# - both valves of a body hang on one inlet: spraying and rinsing reach the seat of a valve that stays shut, so a shut
#   side may become worse, never better;
# - a refilled machine is about to be pumped, and nobody writes that down: filling cancels every protection at once;
# - a rinse may be fed from the tank or the rinse tank: water may now be in either;
# - air is counted as emptying the whole spray line, pump included, to pockets (chosen: one answer from the phone must
#   be able to say "air went through"); a pump that is known to stay full is better answered with antifreeze or shelter;
# - antifreeze is not counted in the tank it was drawn from: fill or drain it to say what it holds.
# fmt: off
_ROWS: Mapping[Deed, tuple[Action, ...]] = {
    #                             opened other  boom_  hoses  pump   meter  hopper tank   rinse_ hand_  named
    #                             valves valves pipe                                      tank   wash
    Deed.SPRAYED:                (TAKES, JOINS, ENDS,  TAKES, TAKES, TAKES, _,     TAKES, _,     _,     _),
    Deed.SPRAYED_SIDES_NOT_SAID: (JOINS, JOINS, JOINS, TAKES, TAKES, TAKES, _,     TAKES, _,     _,     _),
    Deed.RINSED:                 (TAKES, WARMS, TAKES, TAKES, TAKES, TAKES, _,     JOINS, JOINS, _,     _),
    Deed.FILLED_TANK:            (CANC,  CANC,  CANC,  JOINS, JOINS, CANC,  JOINS, JOINS, _,     _,     JOINS),
    Deed.FILLED_ELSEWHERE:       (_,     _,     _,     _,     _,     _,     _,     _,     _,     _,     JOINS),
    Deed.BLOWN_OUT:              (POCK,  _,     POCK,  POCK,  POCK,  POCK,  _,     _,     _,     _,     _),
    Deed.DRAINED:                (_,     _,     _,     _,     _,     _,     _,     _,     _,     _,     POCK),
    Deed.ANTIFREEZE_BY_PUMP:     (MIXES, _,     MIXES, MIXES, MIXES, MIXES, _,     _,     _,     _,     _),
    Deed.ANTIFREEZE_AT_BOOM:     (MIXES, _,     MIXES, _,     _,     _,     _,     _,     _,     _,     _),
}
# fmt: on
TABLE: Mapping[Deed, Mapping[str, Action]] = MappingProxyType(
    {deed: MappingProxyType(dict(zip(COLUMNS, row, strict=True))) for deed, row in _ROWS.items()}
)


def deed_of(detail: Detail, machine: Machine) -> Deed | None:
    """The row that belongs to an entry; None if it changes nothing that can freeze."""
    match detail:
        case Sprayed():
            return Deed.SPRAYED if opened_sides(detail, machine) else Deed.SPRAYED_SIDES_NOT_SAID
        case Rinsed():
            # Water that passed no valve is still water in the machine.
            return Deed.RINSED if opened_sides(detail, machine) else Deed.FILLED_TANK
        case Filled():
            return Deed.FILLED_TANK if {"tank", "hopper"} & set(detail.where) else Deed.FILLED_ELSEWHERE
        case BlownOut():
            return Deed.BLOWN_OUT if opened_sides(detail, machine) else None
        case Drained():
            return Deed.DRAINED
        case AntifreezeRun():
            if not opened_sides(detail, machine):
                return None
            return Deed.ANTIFREEZE_BY_PUMP if detail.route == "pump" else Deed.ANTIFREEZE_AT_BOOM
        case _:
            return None


def opened_sides(detail: Sprayed | Rinsed | BlownOut | AntifreezeRun, machine: Machine) -> frozenset[str]:
    """Sides the entry says were opened; a machine with one side needs no saying when it sprayed."""
    if detail.sides is None:
        return frozenset(machine.side_keys) if len(machine.sides) == 1 else frozenset()
    return frozenset(detail.sides) & frozenset(machine.side_keys)


def actions(detail: Detail, machine: Machine) -> Mapping[str, Action]:
    """Wetted part -> what the entry does to it, for the parts it changes."""
    deed = deed_of(detail, machine)
    if deed is None:
        return MappingProxyType({})
    row = TABLE[deed]
    opened = opened_sides(detail, machine) if isinstance(detail, Sprayed | Rinsed | BlownOut | AntifreezeRun) else ()
    named = detail.where if isinstance(detail, Filled | Drained) else ()
    found = {part: row[NAMED] if part in named else row[_column(part, opened)] for part in machine.wetted_parts}
    return MappingProxyType({part: action for part, action in found.items() if action is not Action.KEEPS})


def _column(part: str, opened: frozenset[str] | tuple[str, ...]) -> str:
    if not part.startswith(VALVE_PREFIX):
        return part
    return OPENED if part.removeprefix(VALVE_PREFIX) in opened else OTHER
