"""What a machine holds and where it stands, as a sentence: who said so, since when."""

from __future__ import annotations

from datetime import datetime, timedelta

from carewatch.duties.facts import MachineFacts
from carewatch.fluids.liquid import LiquidKind
from carewatch.logbook.state import Contents, Fill
from carewatch.notices.who import name_of
from carewatch.notices.words import PLACE_WORDS, Reader, listed
from carewatch.roster.model import PlaceKind, Roster, valve_part

UNCONFIRMED_AFTER = timedelta(days=7)
KIND_WORDS = {
    LiquidKind.WATER: "water",
    LiquidKind.PRODUCT: "product",
    LiquidKind.UNKNOWN: "unknown liquid",
}
NOT_WATER = frozenset({LiquidKind.ANTIFREEZE, LiquidKind.FERTILIZER})
NAMES = {"propylene_glycol": "propylene glycol", "ethylene_glycol": "ethylene glycol"}


def place_sentence(one: MachineFacts) -> str:
    """Where it stands: `At north place, outdoors.`"""
    stands = one.state.stands
    name = next((place.name for place in one.site.places if place.id == stands.place), one.site.name)
    doubt = " (assumed: nobody said where it stands)" if stands.is_assumed else ""
    kind = _kind_words(one)
    return f"At {name if kind == name else f'{name}, {kind}'}{doubt}."


def _kind_words(one: MachineFacts) -> str:
    stands = one.state.stands
    built_as = next((place.kind for place in one.site.places if place.id == stands.place), stands.kind)
    if built_as is PlaceKind.HEATED_SHOP and stands.kind is not PlaceKind.HEATED_SHOP:
        return "heat off or not confirmed: counts as an unheated shed"
    return PLACE_WORDS[stands.kind]


def holds_sentence(one: MachineFacts, roster: Roster, reader: Reader, now: datetime) -> str:
    """What the valve sides hold, since when and by whose word."""
    sides = [(side, one.state.contents[valve_part(side.key)]) for side in one.machine.sides]
    kinds = {_holds(contents) for _, contents in sides}
    if len(kinds) == 1:
        every = "both valve sides" if len(sides) == 2 else "the valves"
        what = f"{kinds.pop()} in {every}"
    else:
        what = ", ".join(f"{_holds(contents)} in the {side.label} side" for side, contents in sides)
    worst = max((contents for _, contents in sides), key=lambda contents: contents.freezes_at_c)
    return f"{what[0].upper()}{what[1:]} {_known(worst, roster, reader, now)}."


def _holds(contents: Contents) -> str:
    liquid = contents.liquid
    if contents.fill is Fill.DRY:
        return "nothing"
    what = KIND_WORDS.get(liquid.kind) or NAMES.get(liquid.name, liquid.name.replace("_", " "))
    if liquid.kind is LiquidKind.ANTIFREEZE:
        what += " (measured)" if liquid.measured_at_c is not None else " (not measured)"
    if liquid.kind in NOT_WATER and any(other.kind not in NOT_WATER for other in contents.candidates):
        what += ", but it may still be water"
    if liquid.kind is LiquidKind.UNKNOWN and contents.who is not None:
        what += " (counts as water)"
    return f"pockets of {what}" if contents.fill is Fill.POCKETS else what


def _known(contents: Contents, roster: Roster, reader: Reader, now: datetime) -> str:
    if contents.since is None or contents.who is None:
        return "(nobody has said what is in it: counts as full of water)"
    since = reader.when(contents.since, now)
    age = " - not confirmed since" if now - contents.since > UNCONFIRMED_AFTER else ""
    return f"since {since} (reported by {name_of(roster, contents.who)}){age}"


def short_state(one: MachineFacts, reader: Reader, now: datetime, coldest_air_c: float | None) -> str:
    """Why nothing is to do, in a few words: `heated shop`, `antifreeze (measured)`, `water, but 41 °F tonight`."""
    stands = one.state.stands
    if stands.heat_known_until is not None and now < stands.heat_known_until:
        return f"{PLACE_WORDS[stands.kind]}, counts as heated until {reader.day_and_clock(stands.heat_known_until)}"
    held = listed(sorted({_holds(one.state.contents[part]) for part in one.machine.valve_parts}))
    warmest = max(one.state.contents[part].freezes_at_c for part in one.machine.valve_parts)
    if coldest_air_c is not None and coldest_air_c > warmest:
        return f"{held}, but {reader.temperature(coldest_air_c)} tonight"
    return f"{held}, first ice at {reader.temperature(warmest)}"
