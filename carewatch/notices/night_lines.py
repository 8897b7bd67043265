"""The lines about one machine and one night, and the things to do about it, shared by every freeze notice."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, time, timedelta

from carewatch.duties.facts import MachineFacts, tonight
from carewatch.duties.protect import Level, level_of
from carewatch.fluids.liquid import LiquidKind
from carewatch.freeze.outlook import ForecastOrigin, Outlook
from carewatch.logbook.state import Fill
from carewatch.notices.desk import Desk, Ways
from carewatch.notices.holding import holds_sentence, place_sentence
from carewatch.notices.words import Reader, odds_words
from carewatch.roster.model import Person, PlaceKind, Role
from carewatch.units import psi_to_kpa
from carewatch.weather.lows import STALE_AGE_H

AIR_LIMIT_KPA = psi_to_kpa(30)  # OSHA 29 CFR 1910.242(b): compressed air for cleaning below 30 psi
PLUGGED_FRACTION = 0.1
NOTED_AGE, STALE_AGE = timedelta(hours=12), timedelta(hours=STALE_AGE_H)
CLEAR_BELOW, OVERCAST_ABOVE = 0.3, 0.8
CALM_BELOW_MPS = 2.0
NIGHT_OVER_AT = time(6)  # chosen: ice after it is told with its day
AHEAD_WORDS = {Level.FREEZES: "(freezes)", Level.COULD: "(could)", Level.NOT_ASSESSED: "(not all known)"}  # worst first
NOT_OFFICIAL = "Own calculation, not an official warning; no notice is no promise."
THAW_FIRST = "It may be frozen from the night before: thaw and look before any pump runs."
CAUTIONS = (
    "Relieve pressure before opening anything; wear what the product label asks for.",
    "Labels, the machine's manual and local rules go first.",
)
PROTECT_OPTIONS = (
    (1, "indoors"),
    (2, "air, both sides"),
    (3, "antifreeze, both sides"),
    (4, "I will, by ..."),
    (5, "cannot"),
    (6, "leave it, my decision"),
)


def freeze_sentence(outlook: Outlook, level: Level, reader: Reader, sky: str = "") -> str:
    """How cold under which sky, how sure, from when."""
    if outlook.coldest_air_c is None or outlook.margin_c is None or outlook.chance is None:
        return "Tonight could not be worked out: treat it as wet and freezing."
    coldest = ", ".join(word for word in (f"Coldest air {reader.temperature(outlook.coldest_air_c)}", sky) if word)
    if level is not Level.FREEZES:
        turn = f"ice only if {reader.difference(outlook.margin_c)} colder" if outlook.margin_c < 0 else "on the edge"
        return f"{coldest}: {turn}. {odds_words(outlook.chance).capitalize()}."
    ice_at = outlook.first_ice_at
    when = f"Ice from {ice_clock(ice_at, outlook.night, reader)}" if ice_at else "Ice is likely"
    spare = f", even if the night is {reader.difference(outlook.margin_c)} warmer" if outlook.margin_c >= 1 else ""
    plugged = "; likely plugged by morning" if (outlook.ice_fraction or 0) >= PLUGGED_FRACTION else ""
    return f"{coldest}. {when}{spare}{plugged}."


def ice_clock(ice_at: datetime, night: date, reader: Reader) -> str:
    """When ice forms, with the weekday where the night is over by then and people would take it for today."""
    local = ice_at.astimezone(reader.zone)
    is_next_day = local.date() > night and local.time() >= NIGHT_OVER_AT
    return f"{reader.about(ice_at)}{f' on {local:%A}' if is_next_day else ''}"


def sky_words(desk: Desk, one: MachineFacts, outlook: Outlook) -> str:
    """Clear or overcast, calm or windy at the coldest hour, where the forecast says so."""
    weather = desk.facts.weather.get(one.site.id)
    night = next((night for night in weather.nights if night.night.on == outlook.night), None) if weather else None
    if weather is None or night is None or night.coldest_at is None:
        return ""
    hour = round((night.coldest_at - weather.start_at).total_seconds() / 3600)
    if not 0 <= hour < weather.cloud_fraction.shape[0]:
        return ""
    cloud, wind = float(weather.cloud_fraction[hour]), float(weather.wind_mps[hour])
    sky = "clear" if cloud < CLEAR_BELOW else "overcast" if cloud > OVERCAST_ABOVE else ""
    air = "calm" if wind < CALM_BELOW_MPS else ""
    return ", ".join(word for word in (sky, air) if word)


def machine_lines(desk: Desk, one: MachineFacts, outlook: Outlook, level: Level, reader: Reader) -> tuple[str, ...]:
    """Place, contents, cold: what a manager needs to decide."""
    held = holds_sentence(one, desk.facts.roster, reader, desk.now)
    cold = freeze_sentence(outlook, level, reader, sky_words(desk, one, outlook))
    return (place_sentence(one), *_heat_ends(one, reader), held, cold, *thaw_first(desk, one))


def _heat_ends(one: MachineFacts, reader: Reader) -> tuple[str, ...]:
    """For a machine in a heated shop that needs a hand all the same: its heat is not known for the whole night."""
    until = one.state.stands.heat_known_until
    return (f"Heat confirmed only until {reader.day_and_clock(until)}: answer 1 if it stays on.",) if until else ()


def thaw_first(desk: Desk, one: MachineFacts) -> tuple[str, ...]:
    """What comes before anything else where last night may have frozen it."""
    return (THAW_FIRST,) if desk.must_thaw(one) else ()


def protect_steps(machines: Sequence[MachineFacts], reader: Reader, *, is_flushed: bool = False) -> tuple[str, ...]:
    """What to do, first possible first. `is_flushed`: the step before this one was flushing it."""
    steps = []
    if any(place.kind is PlaceKind.HEATED_SHOP for one in machines for place in one.site.places):
        steps.append("Bring it into a heated building.")
    first = "Then air" if is_flushed else "Flush, then air"
    steps.append(
        f"{first} through {_sides(machines)} at once, under {reader.pressure(AIR_LIMIT_KPA)}, boom end open, eyes "
        f"protected, nobody at the boom: lowers the risk only.{_fertilizer_note(machines)}"
    )
    minutes = max(one.machine.protect_min for one in machines)
    steps.append(f"Antifreeze without alcohol through {_sides(machines)}; catch it. Allow {minutes} min a machine.")
    return tuple(steps)


def protect_choice(machines: Sequence[MachineFacts], reader: Reader) -> str:
    """The same as one step after a flush: the first of them that is possible."""
    indoors = any(place.kind is PlaceKind.HEATED_SHOP for one in machines for place in one.site.places)
    first = "into a heated building; else " if indoors else ""
    return (
        f"Then the first that is possible: {first}air through {_sides(machines)} at once, under "
        f"{reader.pressure(AIR_LIMIT_KPA)}, boom end open, eyes protected, nobody at the boom (lowers the risk only); "
        f"else antifreeze without alcohol through {_sides(machines)}, caught."
    )


def _sides(machines: Sequence[MachineFacts]) -> str:
    return "both sides" if any(len(one.machine.sides) > 1 for one in machines) else "the valves"


def _fertilizer_note(machines: Iterable[MachineFacts]) -> str:
    if not any(may_hold_fertilizer(one) for one in machines):
        return ""
    return " Do not flush fertilizer out unless air or antifreeze follows: water freezes first."


def may_hold_fertilizer(one: MachineFacts) -> bool:
    """Whether a valve side holds fertilizer, for certain or perhaps."""
    held = [one.state.contents[part] for part in one.machine.valve_parts]
    return any(liquid.kind is LiquidKind.FERTILIZER for contents in held for liquid in contents.candidates)


def dark_step(machines: Sequence[MachineFacts]) -> str:
    """The safe way out, for people alone in the dark."""
    pump = "its pump" if len(machines) == 1 else "their pumps"
    return (
        f"Cannot, or not safe alone in the dark? Leave it and answer 5. Then nobody starts {pump} before the thaw "
        "check in the morning."
    )


def answer_line(desk: Desk, person: Person, machines: Sequence[MachineFacts]) -> str:
    """How to answer, by the ways that work here and no other."""
    return way_words(desk.told.ways, keeper=keeper_of(desk, person), is_one=len(machines) == 1)


def way_words(ways: Ways, *, keeper: str, is_one: bool) -> str:
    """The words before the digits."""
    what = "one digit" if is_one else "machine and digit"
    if ways.by_mail:
        return f"Reply with {what}{f' (or answer at {ways.page_url} )' if ways.page_url else ''}:"
    if ways.page_url:
        return f"Answer at {ways.page_url} (a reply to this mail is not read):"
    return f"Tell {keeper} the {'digit' if is_one else what} (a reply to this mail is not read):"


def keeper_of(desk: Desk, person: Person) -> str:
    """Who writes answers down where neither mail nor page takes them."""
    fleet = desk.facts.roster.fleet(person.fleet)
    keeper = next(iter(fleet.people_with(Role.MANAGER)), None)
    if keeper is None or keeper.id == person.id:
        return "whoever keeps the logbook"
    return f"{keeper.name} ({keeper.phone})" if keeper.phone else keeper.name


def source_line(machines: Iterable[MachineFacts], night: object, reader: Reader, now: datetime) -> str:
    """Where the weather comes from and how old it is; of several places the oldest counts."""
    origins: dict[str, ForecastOrigin] = {}
    for one in machines:
        outlook = next((outlook for outlook in one.outlooks if outlook.night == night), None)
        if outlook and outlook.forecast:
            known = origins.get(outlook.forecast.source, outlook.forecast)
            origins[outlook.forecast.source] = min(known, outlook.forecast, key=lambda origin: origin.issued_at)
    words = [_origin_words(origin, reader, now) for origin in origins.values()]
    return f"Forecast: {'; '.join(words)}." if words else "No usable forecast."


def _origin_words(origin: ForecastOrigin, reader: Reader, now: datetime) -> str:
    age = now - origin.issued_at
    read = f"read {reader.clock(origin.fetched_at)}"
    if age <= NOTED_AGE:
        return f"{origin.licence.rstrip('.')} (issued {reader.clock(origin.issued_at)}, {read})"
    old = f"{age // timedelta(hours=1)} h old{': it can warn, but not reassure' if age > STALE_AGE else ''}"
    return f"{origin.licence.rstrip('.')} (issued {reader.day_and_clock(origin.issued_at)}, {read}, {old})"


def ahead_line(machines: Iterable[MachineFacts], now: datetime, reader: Reader) -> str:
    """The nights after tonight: the coldest machine of each, in a few words."""
    nights: dict[date, list[tuple[Level, float | None]]] = {}
    for one in machines:
        later = [outlook for outlook in one.outlooks if outlook.night > tonight(now, one.site.tz)]
        for outlook in later[:4]:
            level = level_of(outlook, one.fleet.threshold_ahead)
            nights.setdefault(outlook.night, []).append((level, outlook.coldest_air_c))
    words = [_ahead_words(night, found, reader) for night, found in sorted(nights.items())]
    return f"Ahead, as they stand now: {', '.join(words)}." if words else ""


def _ahead_words(night: date, found: Sequence[tuple[Level, float | None]], reader: Reader) -> str:
    lows = [low for _, low in found if low is not None]
    worst = next((AHEAD_WORDS[level] for level in AHEAD_WORDS if any(level is one for one, _ in found)), "")
    return " ".join(word for word in (f"{night:%a}", reader.temperature(min(lows)) if lows else "", worst) if word)


def signature(one: MachineFacts) -> str:
    """What decides the action, for telling later whether it changed: `water/full@north/outdoors`."""
    held = [one.state.contents[part] for part in one.machine.valve_parts]
    liquid = "fertilizer" if any(contents.liquid.kind is LiquidKind.FERTILIZER for contents in held) else "water"
    fill = "full" if any(contents.fill is Fill.FULL for contents in held) else "pockets"
    return f"{liquid}/{fill}@{one.site.id}/{one.state.stands.kind}"
