"""What a symptom most likely comes from, in the order of the trade, what to try, and which part to take along.

Common practice, no published source for pulsed two-valve bodies: moving part and seat come first, then corrosion of the
connectors, a coil rarely. Around it: seats of solenoid valves age and fragment, swelling takes a moving part's short
stroke (US nuclear regulator, information notices 89-66 and of 9 January 2004, on other solenoid valves).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

from carewatch.logbook.entries import EntryKind
from carewatch.logbook.findings import FindingKind, SymptomKind
from carewatch.logbook.troubles import Trouble
from carewatch.roster.model import Fleet
from carewatch.roster.parts import Part, PartKind

OFTEN = 3  # chosen: seen on so many days within a year, the place around it is looked at too


class Cause(NamedTuple):
    """One likely cause, what to try against it, and the kinds of part that would end it."""

    what: str
    attempt: str
    parts: tuple[PartKind, ...]


_K = PartKind
_DIRT = Cause("dirt on the seat", "flush that side with clean water, pulse it at full duty for a minute", ())
_WORN = Cause(
    "worn sealing face or seat", "open it, look at face, corners and seat in good light", (_K.PLUNGER, _K.SEAT)
)  # fmt: skip
_SEAL = Cause("hard, cracked or flattened seal", "look at the seals, renew those of both sides at once", (_K.SEAL,))
_STICKS = Cause(
    "moving part sticks: build-up, swelling, worn flanks", "clean it with warm water and a soft brush", (_K.PLUNGER,)
)  # fmt: skip
_SPRING = Cause("weak or corroded spring", "hold it against a new one", (_K.SPRING,))
_PINS = Cause(
    "corroded, wet or loose connector",
    "power off; dry it, clean it with contact cleaner, close it; swap it with the neighbour to see whether it follows",
    (_K.SIDE_CONNECTOR,),
)
_HARNESS = Cause("chafed or pinched wire", "move the harness while somebody watches", (_K.HARNESS,))
_COIL = Cause("coil (rarely)", "swap it with the neighbour, or compare the resistance of both", (_K.COIL,))

CAUSES: Mapping[SymptomKind, tuple[Cause, ...]] = MappingProxyType(
    {
        SymptomKind.DRIP: (_DIRT, _WORN, _SEAL, _SPRING),
        SymptomKind.LEAK: (
            _SEAL,
            Cause("cap cracked or bulged", "look for frost damage at its neighbours too", (_K.CAP,)),
            Cause("retaining clip lost or not home", "press it home, or put a new one", (_K.RETAINING_CLIP,)),
            Cause("turret broken", "turn it through all places", (_K.TURRET,)),
            Cause("mounting clip or housing broken", "a hanging or cracked body is changed whole", (_K.BODY,)),
        ),
        SymptomKind.BLOCKED: (
            Cause("strainer or nozzle blocked", "take both out and wash them", (_K.STRAINER, _K.NOZZLE)),
            Cause("crystals or build-up in the valve", "flush with warm water; let it soak", ()),
            _STICKS,
        ),
        SymptomKind.NOT_PULSING: (_STICKS, _WORN, _PINS, _HARNESS, _COIL),
        SymptomKind.ELECTRICAL_FAULT: (_PINS, _HARNESS, _COIL),
        SymptomKind.MACHINE_MESSAGE: (_STICKS, _PINS, _HARNESS, _COIL),
        SymptomKind.OTHER: (),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A symptom with its likely causes; `take`: parts of the fleet's list, those of the likeliest cause first."""

    trouble: Trouble
    causes: tuple[Cause, ...]
    take: tuple[Part, ...]
    notes: tuple[str, ...]


def advice_on(trouble: Trouble, fleet: Fleet) -> Advice:
    """What to try, and what to take along for one symptom, or for a drip or missing pulse found at an inspection."""
    causes = CAUSES.get(_symptom(trouble), ())
    kinds = [kind for cause in causes for kind in cause.parts]
    side = trouble.side
    found = [part for kind in kinds for part in fleet.parts if kind in part.replaces and part.is_sold]
    take = tuple(dict.fromkeys(part.id for part in found if part.fits(side)))
    by_id = {part.id: part for part in found}
    return Advice(
        trouble=trouble, causes=causes, take=tuple(by_id[part] for part in take), notes=tuple(_notes(trouble))
    )  # fmt: skip


def _symptom(trouble: Trouble) -> SymptomKind:
    if trouble.kind is EntryKind.INSPECTED and trouble.what not in (FindingKind.DRIP, FindingKind.NOT_PULSING):
        return SymptomKind.OTHER
    return next((kind for kind in SymptomKind if kind.value == trouble.what), SymptomKind.OTHER)


def _notes(trouble: Trouble) -> list[str]:
    notes = []
    if trouble.times > 1:
        notes.append(f"Seen on {trouble.times} days within a year.")
    if trouble.renewed_at is not None:
        notes.append("It came back after a part was renewed: the cause lies elsewhere, try the next one.")
    if trouble.times >= OFTEN and trouble.position is not None:
        notes.append("So often at one place: look at the clip, the pipe behind it and the harness there.")
    return notes
