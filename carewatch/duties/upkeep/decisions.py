"""What a finding leads to: keep, clean, repair pins, replace the part, replace the body - each with its reason.

All of it is common practice, no published source: no public document on inspecting pulsed two-valve bodies was found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

from carewatch.logbook.findings import WEARS, Decision, FindingKind
from carewatch.logbook.troubles import Trouble
from carewatch.roster.parts import PartKind

CAME_BACK = 2  # chosen: what cleaning did not cure the first time, it will not cure the second


class Rule(NamedTuple):
    """What is done, why, which kinds of part it takes, and which if cleaning or straightening did not last."""

    decision: Decision
    because: str
    parts: tuple[PartKind, ...] = ()
    later_parts: tuple[PartKind, ...] = ()


_K, _PART, _BODY = PartKind, Decision.REPLACE_PART, Decision.REPLACE_BODY
RULES: Mapping[FindingKind, Rule] = MappingProxyType(
    {
        FindingKind.SEALING_FACE_WORN: Rule(_PART, "a worn sealing face does not close", (_K.PLUNGER,)),
        FindingKind.CORNERS_WORN: Rule(_PART, "worn corners let the moving part tilt and stick", (_K.PLUNGER,)),
        FindingKind.FLANKS_WORN: Rule(_PART, "worn flanks rub and slow the stroke", (_K.PLUNGER,)),
        FindingKind.PLUNGER_STICKS: Rule(_PART, "a sticking moving part misses pulses", (_K.PLUNGER,)),
        FindingKind.SEAT_WORN: Rule(_PART, "a nicked or grooved seat drips whatever closes on it", (_K.SEAT,)),
        FindingKind.BORE_WORN: Rule(_PART, "a worn bore ruins every new moving part", (_K.VALVE,)),
        FindingKind.SEAL_WORN: Rule(_PART, "a hard, cracked or flattened seal leaks", (_K.SEAL,)),
        FindingKind.SPRING_WEAK: Rule(_PART, "a weak spring closes late", (_K.SPRING,)),
        FindingKind.BUILD_UP: Rule(Decision.CLEAN, "deposit comes off; look at the faces below it", (), (_K.PLUNGER,)),
        FindingKind.STRAINER_DIRTY: Rule(Decision.CLEAN, "dirt comes out", (), (_K.STRAINER,)),
        FindingKind.DRIP: Rule(
            Decision.CLEAN, "most often dirt on the seat: flush and clean it first", (), (_K.PLUNGER, _K.SEAL)
        ),
        FindingKind.NOT_PULSING: Rule(
            Decision.CLEAN, "first the moving part and seat, then the connector", (), (_K.PLUNGER,)
        ),
        FindingKind.FLOW_OFF: Rule(Decision.CLEAN, "clean nozzle and strainer, measure again", (), (_K.NOZZLE,)),
        FindingKind.COIL_DEAD: Rule(_PART, "a coil cannot be mended", (_K.COIL,)),
        FindingKind.CAP_BULGED: Rule(
            _PART, "a bulged cap was frozen or over pressure: look at everything behind it", (_K.CAP,)
        ),
        FindingKind.CAP_CRACKED: Rule(_PART, "a cracked cap lets go under pressure", (_K.CAP,)),
        FindingKind.TURRET_BROKEN: Rule(_PART, "a broken turret leaks or loses its nozzle", (_K.TURRET,)),
        FindingKind.RETAINING_CLIP_LOST: Rule(_PART, "only the clip is missing", (_K.RETAINING_CLIP,)),
        FindingKind.MOUNTING_CLIP_BROKEN: Rule(_BODY, "the clip that holds it to the pipe is part of the body"),
        FindingKind.HOUSING_BROKEN: Rule(_BODY, "a broken housing cannot be mended"),
        FindingKind.SIDE_PINS_DIRTY: Rule(
            Decision.REPAIR_PINS, "deposit that wipes off is not corrosion yet", (), (_K.SIDE_CONNECTOR,)
        ),
        FindingKind.SIDE_PINS_BENT: Rule(
            Decision.REPAIR_PINS, "straighten once, with no metal tool on the contact", (), (_K.SIDE_CONNECTOR,)
        ),
        FindingKind.SIDE_PINS_CORRODED: Rule(_PART, "the connector of one side is changed alone", (_K.SIDE_CONNECTOR,)),
        FindingKind.MAIN_PINS_DIRTY: Rule(
            Decision.REPAIR_PINS, "deposit that wipes off is not corrosion yet", (), (_K.BODY,)
        ),
        FindingKind.MAIN_PINS_BENT: Rule(
            Decision.REPAIR_PINS, "straighten once, with no metal tool on the contact", (), (_K.BODY,)
        ),
        FindingKind.MAIN_PINS_CORRODED: Rule(_BODY, "the main connector is part of the body"),
    }
)
"""The table. `other` is not in it: what it means is for a person to say."""

_BODY_ALONE = frozenset({PartKind.BODY})


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What one trouble leads to; `decision` None: not in the table, somebody has to decide.

    `parts`: kinds of part it takes. `by_hand`: the finder decided, not the table.
    """

    trouble: Trouble
    decision: Decision | None
    because: str
    parts: frozenset[PartKind] = frozenset()
    by_hand: bool = False


def verdict_on(trouble: Trouble) -> Verdict:
    """The decision on one open finding; a symptom or a damage has none before somebody looked."""
    if trouble.finding is None:
        return Verdict(trouble=trouble, decision=None, because="seen from outside: look at it first")
    by_table = _by_table(trouble)
    chosen = trouble.finding.decision
    if chosen is None or chosen is by_table.decision:
        return by_table
    rule = RULES.get(trouble.finding.what)
    usual = "nothing" if by_table.decision is None else words_of(by_table.decision)
    return Verdict(
        trouble=trouble,
        decision=chosen,
        because=f"decided by who found it; the table would say: {usual}",
        parts=_parts_for(chosen, rule),
        by_hand=True,
    )


def words_of(decision: Decision) -> str:
    """`replace_part` as people read it."""
    return {"replace_part": "replace the part", "replace_body": "replace the body"}.get(
        decision.value, decision.value.replace("_", " ")
    )


def _by_table(trouble: Trouble) -> Verdict:
    finding = trouble.finding
    rule = RULES.get(finding.what) if finding is not None else None
    if finding is None or rule is None:
        return Verdict(trouble=trouble, decision=None, because="not in the table: somebody has to decide")
    if finding.is_slight and finding.what in WEARS:
        again = f", seen on {trouble.times} days" if trouble.times >= CAME_BACK else ""
        return Verdict(
            trouble=trouble, decision=Decision.KEEP, because=f"slight{again}: look again at the next inspection"
        )  # fmt: skip
    if rule.later_parts and trouble.times >= CAME_BACK:
        decision = _BODY if frozenset(rule.later_parts) == _BODY_ALONE else _PART
        because = f"seen on {trouble.times} days: {words_of(rule.decision)} did not last"
        return Verdict(trouble=trouble, decision=decision, because=because, parts=frozenset(rule.later_parts))
    return Verdict(
        trouble=trouble, decision=rule.decision, because=rule.because, parts=_parts_for(rule.decision, rule)
    )  # fmt: skip


def _parts_for(decision: Decision, rule: Rule | None) -> frozenset[PartKind]:
    if decision is Decision.REPLACE_BODY:
        return _BODY_ALONE
    if decision is not Decision.REPLACE_PART or rule is None:
        return frozenset()
    return frozenset(rule.parts or rule.later_parts) or _BODY_ALONE
