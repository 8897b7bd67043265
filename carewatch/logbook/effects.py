"""What each entry does to what each wetted part holds: the one table. contents.py carries it out.

Read a row as a sentence: "sprayed: the valves of opened sides now hold the new liquid instead; in the valves of the
other sides it joins what was there; ...". Kinds of entries without a row change nothing that can freeze.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from types import MappingProxyType

from carewatch.logbook.antifreeze import liquid_or_unknown_strength
from carewatch.logbook.contents import is_antifreeze
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
    POURS = "antifreeze poured in: mixed where the part was emptied before, else beside the old liquid"


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
    ANTIFREEZE_POURED_IN = "antifreeze filled in"


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
CANC, POCK, MIXES, POURS = Action.CANCELS, Action.POCKETS, Action.MIXES, Action.POURS

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
    Deed.ANTIFREEZE_POURED_IN:   (_,     _,     _,     _,     _,     _,     _,     _,     _,     _,     POURS),
}
# fmt: on
TABLE: Mapping[Deed, Mapping[str, Action]] = MappingProxyType(
    {deed: MappingProxyType(dict(zip(COLUMNS, row, strict=True))) for deed, row in _ROWS.items()}
)


@dataclass(frozen=True, slots=True)
class Effect:
    """What one entry does: opened sides, and for each part it changes how. `deed` None: nothing that can freeze."""

    deed: Deed | None
    opened: frozenset[str] = frozenset()
    actions: Mapping[str, Action] = field(default_factory=lambda: MappingProxyType({}))


NO_EFFECT = Effect(None)


def effect_of(detail: Detail, machine: Machine) -> Effect:
    """The table applied to one entry of one machine."""
    match detail:
        case Sprayed() | Rinsed() | BlownOut() | AntifreezeRun():
            opened = _opened(detail.sides, machine.side_keys)
            deed = _deed_through_valves(detail, is_open=bool(opened))
            return NO_EFFECT if deed is None else Effect(deed, opened, _row(deed, machine.wetted_parts, opened, ()))
        case Filled(liquid=liquid, where=where):
            deed = _deed_of_filling(liquid, where)
        case Drained(where=where):
            deed = Deed.DRAINED
        case _:
            return NO_EFFECT
    return Effect(deed, actions=_row(deed, machine.wetted_parts, frozenset(), where))


def _deed_of_filling(liquid: str, where: tuple[str, ...]) -> Deed:
    if is_antifreeze(liquid_or_unknown_strength(liquid, None)):
        return Deed.ANTIFREEZE_POURED_IN
    return Deed.FILLED_TANK if "tank" in where or "hopper" in where else Deed.FILLED_ELSEWHERE


def _opened(told: tuple[str, ...] | None, sides: tuple[str, ...]) -> frozenset[str]:
    """Sides the entry says were opened; a machine with one side needs no saying."""
    if told is None:
        return frozenset(sides) if len(sides) == 1 else frozenset()
    return frozenset(told).intersection(sides)


def _deed_through_valves(detail: Sprayed | Rinsed | BlownOut | AntifreezeRun, *, is_open: bool) -> Deed | None:
    match detail:
        case Sprayed():
            return Deed.SPRAYED if is_open else Deed.SPRAYED_SIDES_NOT_SAID
        case Rinsed():
            return Deed.RINSED if is_open else Deed.FILLED_TANK  # water that passed no valve is still in the machine
        case BlownOut():
            return Deed.BLOWN_OUT if is_open else None
        case AntifreezeRun(route=route):
            if not is_open:
                return None
            return Deed.ANTIFREEZE_BY_PUMP if route == "pump" else Deed.ANTIFREEZE_AT_BOOM


@lru_cache(maxsize=1024)
def _row(deed: Deed, parts: tuple[str, ...], opened: frozenset[str], named: tuple[str, ...]) -> Mapping[str, Action]:
    row = TABLE[deed]
    found = {part: row[NAMED] if part in named else row.get(_column(part, opened), Action.KEEPS) for part in parts}
    return MappingProxyType({part: action for part, action in found.items() if action is not Action.KEEPS})


def _column(part: str, opened: frozenset[str]) -> str:
    if not part.startswith(VALVE_PREFIX):
        return part
    return OPENED if part.removeprefix(VALVE_PREFIX) in opened else OTHER
