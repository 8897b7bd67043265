"""What people find at a nozzle body: words for it, which part cures it, and how a finding is written in one line.

The words are those of the trade; which part cures what is common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from types import MappingProxyType

from carewatch.roster.parts import PartKind

SLIGHT = "slight"


class FindingKind(StrEnum):
    """What was found at a position."""

    SEALING_FACE_WORN = "sealing_face_worn"
    CORNERS_WORN = "corners_worn"
    FLANKS_WORN = "flanks_worn"
    PLUNGER_STICKS = "plunger_sticks"
    SEAT_WORN = "seat_worn"
    BORE_WORN = "bore_worn"
    SEAL_WORN = "seal_worn"
    SPRING_WEAK = "spring_weak"
    BUILD_UP = "build_up"
    STRAINER_DIRTY = "strainer_dirty"
    DRIP = "drip"
    NOT_PULSING = "not_pulsing"
    FLOW_OFF = "flow_off"
    COIL_DEAD = "coil_dead"
    CAP_BULGED = "cap_bulged"
    CAP_CRACKED = "cap_cracked"
    TURRET_BROKEN = "turret_broken"
    RETAINING_CLIP_LOST = "retaining_clip_lost"
    MOUNTING_CLIP_BROKEN = "mounting_clip_broken"
    HOUSING_BROKEN = "housing_broken"
    SIDE_PINS_DIRTY = "side_pins_dirty"
    SIDE_PINS_BENT = "side_pins_bent"
    SIDE_PINS_CORRODED = "side_pins_corroded"
    MAIN_PINS_DIRTY = "main_pins_dirty"
    MAIN_PINS_BENT = "main_pins_bent"
    MAIN_PINS_CORRODED = "main_pins_corroded"
    OTHER = "other"


class SymptomKind(StrEnum):
    """What was seen without opening anything."""

    DRIP = "drip"
    LEAK = "leak"
    BLOCKED = "blocked"
    NOT_PULSING = "not_pulsing"
    ELECTRICAL_FAULT = "electrical_fault"
    MACHINE_MESSAGE = "machine_message"
    OTHER = "other"


class DamageKind(StrEnum):
    """What happened to it."""

    STRUCK = "struck"
    TORN_OFF = "torn_off"
    FROZEN = "frozen"
    OTHER = "other"


class Decision(StrEnum):
    """What a finding leads to."""

    KEEP = "keep"
    CLEAN = "clean"
    REPAIR_PINS = "repair_pins"
    REPLACE_PART = "replace_part"
    REPLACE_BODY = "replace_body"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found at one position. `side` None: of the body, or not said.

    `is_slight`: there, but not yet bad. `decision`: what the finder decided (None: the table decides).
    """

    position: int
    what: FindingKind
    side: str | None = None
    is_slight: bool = False
    decision: Decision | None = None

    def __str__(self) -> str:
        """One line, as `finding_from_text` reads it."""
        words = (str(self.position), self.side, self.what.value, SLIGHT if self.is_slight else None, self.decision)
        return " ".join(word for word in words if word is not None)


OF_THE_BODY = frozenset(
    {
        FindingKind.TURRET_BROKEN,
        FindingKind.MOUNTING_CLIP_BROKEN,
        FindingKind.HOUSING_BROKEN,
        FindingKind.MAIN_PINS_DIRTY,
        FindingKind.MAIN_PINS_BENT,
        FindingKind.MAIN_PINS_CORRODED,
    }
)
"""Findings that belong to no valve side."""

WEARS = frozenset(
    {
        FindingKind.SEALING_FACE_WORN,
        FindingKind.CORNERS_WORN,
        FindingKind.FLANKS_WORN,
        FindingKind.PLUNGER_STICKS,
        FindingKind.SEAT_WORN,
        FindingKind.BORE_WORN,
        FindingKind.SEAL_WORN,
        FindingKind.SPRING_WEAK,
        FindingKind.DRIP,
    }
)
"""Findings that tell of wear, not of dirt or an accident."""

WEARING_PARTS = frozenset({PartKind.PLUNGER, PartKind.SEAT, PartKind.SEAL, PartKind.SPRING, PartKind.VALVE})

_INSIDE = frozenset({PartKind.VALVE, PartKind.BODY})
CURED_BY: Mapping[FindingKind, frozenset[PartKind]] = MappingProxyType(
    {
        FindingKind.SEALING_FACE_WORN: _INSIDE | {PartKind.PLUNGER},
        FindingKind.CORNERS_WORN: _INSIDE | {PartKind.PLUNGER},
        FindingKind.FLANKS_WORN: _INSIDE | {PartKind.PLUNGER},
        FindingKind.PLUNGER_STICKS: _INSIDE | {PartKind.PLUNGER},
        FindingKind.SEAT_WORN: _INSIDE | {PartKind.SEAT},
        FindingKind.BORE_WORN: _INSIDE,
        FindingKind.SEAL_WORN: _INSIDE | {PartKind.SEAL},
        FindingKind.SPRING_WEAK: _INSIDE | {PartKind.SPRING},
        FindingKind.BUILD_UP: _INSIDE | {PartKind.PLUNGER},
        FindingKind.STRAINER_DIRTY: frozenset({PartKind.STRAINER, PartKind.BODY}),
        FindingKind.DRIP: _INSIDE | {PartKind.PLUNGER, PartKind.SEAT, PartKind.SEAL, PartKind.SPRING},
        FindingKind.NOT_PULSING: _INSIDE | {PartKind.PLUNGER, PartKind.SEAT, PartKind.SIDE_CONNECTOR, PartKind.COIL},
        FindingKind.FLOW_OFF: _INSIDE | {PartKind.NOZZLE, PartKind.PLUNGER, PartKind.SEAT},
        FindingKind.COIL_DEAD: frozenset({PartKind.COIL, PartKind.BODY}),
        FindingKind.CAP_BULGED: frozenset({PartKind.CAP, PartKind.BODY}),
        FindingKind.CAP_CRACKED: frozenset({PartKind.CAP, PartKind.BODY}),
        FindingKind.TURRET_BROKEN: frozenset({PartKind.TURRET, PartKind.BODY}),
        FindingKind.RETAINING_CLIP_LOST: frozenset({PartKind.RETAINING_CLIP, PartKind.BODY}),
        FindingKind.MOUNTING_CLIP_BROKEN: frozenset({PartKind.BODY}),
        FindingKind.HOUSING_BROKEN: frozenset({PartKind.BODY}),
        FindingKind.SIDE_PINS_DIRTY: frozenset({PartKind.SIDE_CONNECTOR, PartKind.BODY}),
        FindingKind.SIDE_PINS_BENT: frozenset({PartKind.SIDE_CONNECTOR, PartKind.BODY}),
        FindingKind.SIDE_PINS_CORRODED: frozenset({PartKind.SIDE_CONNECTOR, PartKind.BODY}),
        FindingKind.MAIN_PINS_DIRTY: frozenset({PartKind.BODY}),
        FindingKind.MAIN_PINS_BENT: frozenset({PartKind.BODY}),
        FindingKind.MAIN_PINS_CORRODED: frozenset({PartKind.BODY}),
        FindingKind.OTHER: frozenset({PartKind.BODY}),
    }
)
"""The parts any one of which ends a finding."""

SYMPTOM_CURED_BY: Mapping[SymptomKind, frozenset[PartKind]] = MappingProxyType(
    {
        SymptomKind.DRIP: CURED_BY[FindingKind.DRIP],
        SymptomKind.LEAK: frozenset(
            {PartKind.SEAL, PartKind.CAP, PartKind.RETAINING_CLIP, PartKind.TURRET, PartKind.BODY}
        ),
        SymptomKind.BLOCKED: _INSIDE | {PartKind.STRAINER, PartKind.NOZZLE, PartKind.PLUNGER},
        SymptomKind.NOT_PULSING: CURED_BY[FindingKind.NOT_PULSING] | {PartKind.HARNESS},
        SymptomKind.ELECTRICAL_FAULT: frozenset(
            {PartKind.SIDE_CONNECTOR, PartKind.HARNESS, PartKind.COIL, PartKind.BODY}
        ),
        SymptomKind.MACHINE_MESSAGE: CURED_BY[FindingKind.NOT_PULSING] | {PartKind.HARNESS},
        SymptomKind.OTHER: frozenset({PartKind.BODY}),
    }
)

GOES_WITHOUT_A_PART = frozenset(
    {
        FindingKind.BUILD_UP,
        FindingKind.STRAINER_DIRTY,
        FindingKind.DRIP,
        FindingKind.NOT_PULSING,
        FindingKind.FLOW_OFF,
        FindingKind.SIDE_PINS_DIRTY,
        FindingKind.SIDE_PINS_BENT,
        FindingKind.MAIN_PINS_DIRTY,
        FindingKind.MAIN_PINS_BENT,
        FindingKind.OTHER,
    }
)
"""What cleaning or bending straight may end: a later inspection that finds it fine is believed. Wear does not heal."""


def may_heal(finding: Finding) -> bool:
    """Whether a later look that finds nothing ends it; what is worn or broken ends only with a part."""
    is_judgement = finding.is_slight and finding.what in WEARS
    return is_judgement or finding.what in GOES_WITHOUT_A_PART


# ---------------------------------------------------------------- written in one line

HOW_TO_WRITE = "Write position, side, what was found: 14 front seat_worn (slight or a decision may follow)."
_DECISIONS = tuple(decision.value for decision in Decision)
_KINDS = tuple(kind.value for kind in FindingKind)


def finding_from_text(text: str) -> Finding:
    """The finding of `14 front seat_worn slight keep`; ValueError says what does not fit and what to write.

    Blanks may stand for underscores; side, `slight` and decision may be left out.
    """
    words = text.replace(":", " ").lower().split()
    if not words or not words[0].isascii() or not words[0].isdigit() or len(words[0]) > 5:
        raise ValueError(f"does not begin with a position. {HOW_TO_WRITE}")
    position, rest = int(words[0]), words[1:]
    decision, rest = _decision_at_the_end(rest)
    is_slight = bool(rest) and rest[-1] == SLIGHT
    rest = rest[:-1] if is_slight else rest
    for side, told in ((None, rest), (rest[0] if rest else None, rest[1:])):
        what = "_".join(told)
        if what in _KINDS:
            return Finding(
                position=position, side=side, what=FindingKind(what), is_slight=is_slight, decision=decision
            )  # fmt: skip
    raise ValueError(_unknown_kind(rest))


def _decision_at_the_end(words: list[str]) -> tuple[Decision | None, list[str]]:
    for length in (2, 1):
        told = "_".join(words[-length:])
        if len(words) > length and told in _DECISIONS:
            return Decision(told), words[:-length]
    return None, words


def _unknown_kind(words: list[str]) -> str:
    for told in (words[1:], words):
        near = get_close_matches("_".join(told), _KINDS, n=1, cutoff=0.6)
        if near:
            return f"names no finding known here. Did you mean {near[0]}?"
    return f"names no finding known here. Write one of: {', '.join(_KINDS)}."
