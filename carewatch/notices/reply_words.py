"""Times, counter readings, amounts and places in a few words typed on a phone."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from carewatch.duties.facts import at_local
from carewatch.roster.model import Place, Site
from carewatch.units import gallons_to_l

LEAST_COUNTER_H = 100.0  # chosen: "2 h" is how long it took; a counter shows more, or is named
SHORTEST_NAME = 2

_HALF = r"(?P<half>[ap])\.?\s?m\b\.?"
_CLOCK = re.compile(
    rf"(?<![\d.,:])(?P<hour>\d{{1,2}})(?:[:.](?P<minute>[0-5]\d)(?![\d.,])\s?(?:{_HALF}|h\b|uhr\b)?"
    rf"|\s?(?P<half_only>[ap])\.?\s?m\b\.?)",
    re.IGNORECASE,
)
_NAMED = re.compile(r"\b(?P<name>noon|midnight)\b", re.IGNORECASE)
_BY_HOUR = re.compile(
    r"\b(?:by|at|until|till|before|around|about)\s+(?P<hour>\d{1,2})(?!\d|[.,:]\d|\s?[hH%])", re.IGNORECASE
)
_NUMBER = r"\d{1,3}(?:[ ,']\d{3})+(?:\.\d{1,2})?|\d{1,6}(?:[.,]\d{1,2})?"
_COUNTER = re.compile(
    rf"(?:\b(?P<word>counter|hours?|reading|meter|hour meter)\b\s*(?:is|reads|at|:|=|now)?\s*)?"
    rf"(?<![\d.,:])(?P<number>{_NUMBER})(?![\d]|[.,:]\d|\s?%)(?P<unit>\s?(?:h|hr|hrs|hours)\b\.?)?",
    re.IGNORECASE,
)
_STRENGTH = re.compile(r"(?<![\d.,])(?P<number>\d{1,3}(?:[.,]\d)?)\s?%")
_VOLUME = re.compile(
    r"(?<![\d.,])(?P<number>\d{1,5}(?:[.,]\d)?)\s?(?P<unit>gal|gals|gallons?|l|litres?|liters?)\b\.?", re.IGNORECASE
)


def take_time(text: str, *, at: datetime, zone: ZoneInfo, ahead: bool) -> tuple[datetime | None, str]:
    """The first time of day and the text without it; `ahead`: the next such time after `at`, else the nearest one."""
    for pattern in (_CLOCK, _NAMED, _BY_HOUR):
        for found in pattern.finditer(text):
            clocks = _clocks(found)
            if clocks:
                rest = f"{text[: found.start()]} {text[found.end() :]}"
                return _nearest(clocks, at=at, zone=zone, ahead=ahead), rest
    return None, text


def _clocks(found: re.Match[str]) -> tuple[time, ...]:
    """The times of day it may mean: without am, pm or minutes past noon a small hour may be either."""
    told = found.groupdict()
    if told.get("name"):
        return (time(12) if told["name"].lower() == "noon" else time(0),)
    hour, minute = int(told["hour"]), int(told.get("minute") or 0)
    half = (told.get("half") or told.get("half_only") or "").lower()
    if half:
        return (time(hour % 12 + (12 if half == "p" else 0), minute),) if 1 <= hour <= 12 else ()
    if hour > 23:
        return ()
    if told.get("minute") is not None or not 1 <= hour <= 12:
        is_either = 1 <= hour <= 11 and len(told["hour"]) == 1  # "6:30" may be evening, "06:30" is not
        return (time(hour, minute), time(hour + 12, minute)) if is_either else (time(hour, minute),)
    return (time(hour % 12), time(hour % 12 + 12))


def _nearest(clocks: Sequence[time], *, at: datetime, zone: ZoneInfo, ahead: bool) -> datetime:
    today = at.astimezone(zone).date()
    days = [today + timedelta(days=number) for number in (-1, 0, 1, 2)]
    moments = [at_local(day, clock, zone) for day in days for clock in clocks]
    if ahead:
        return min(moment for moment in moments if moment > at)
    return min(moments, key=lambda moment: abs(moment - at))


def take_counter(text: str) -> tuple[float | None, str]:
    """A reading of the spray-hour counter [h] and the text without it; small numbers must be named as such."""
    for found in _COUNTER.finditer(text):
        value = _number(found["number"])
        digits = len(re.sub(r"\D", "", found["number"].partition(".")[0]))
        if found["word"] or (found["unit"] and value >= LEAST_COUNTER_H) or (not found["unit"] and 3 <= digits <= 6):
            return value, f"{text[: found.start()]} {text[found.end() :]}"
    return None, text


def take_strength(text: str) -> tuple[float | None, str]:
    """A share by volume [%] and the text without it; more than all is none."""
    found = _STRENGTH.search(text)
    if found is None or _number(found["number"]) > 100:
        return None, text
    return _number(found["number"]), f"{text[: found.start()]} {text[found.end() :]}"


def take_litres(text: str) -> tuple[float | None, str]:
    """A volume, in litres, and the text without it."""
    found = _VOLUME.search(text)
    if found is None:
        return None, text
    value = _number(found["number"])
    litres = gallons_to_l(value) if found["unit"].lower().startswith("g") else value
    return litres, f"{text[: found.start()]} {text[found.end() :]}"


def _number(text: str) -> float:
    """1,234 and 1 234 are thousands; 1234,5 is a decimal comma."""
    if re.fullmatch(r"\d{1,3}(?:[ ,']\d{3})+(?:\.\d{1,2})?", text):
        return float(re.sub(r"[ ,']", "", text))
    return float(text.replace(",", "."))


def places_in(text: str, *, sites: Sequence[Site], stands: Site) -> tuple[tuple[tuple[Site, Place], ...], str]:
    """The places a text names, and the text without their names.

    The longest name counts; of places of one name those at the named site, else at the site where it stands.
    """
    named_sites = [site for site in sites if any(_named(name, text) for name in (site.name, site.id))]
    names = {
        (name.casefold(), site, place) for site in sites for place in site.places for name in (place.name, place.id)
    }
    found: dict[tuple[Site, Place], None] = {}
    for name in sorted({name for name, _, _ in names}, key=lambda name: (-len(name), name)):
        text, times = _without(name, text)
        if times:
            group = sorted(
                ((site, place) for known, site, place in names if known == name), key=lambda one: (one[0].id, one[1].id)
            )
            near = [(site, place) for site, place in group if site in (named_sites or [stands])]
            found.update(dict.fromkeys(near or group))
    for site in named_sites:
        for name in (site.name, site.id):
            text, _ = _without(name, text)
    return tuple(found), text


def without_name(name: str, text: str) -> str:
    """The text without a name standing in it as whole words."""
    return _without(name, text)[0]


def has_name(name: str, text: str) -> bool:
    """Whether a name stands in a text as whole words; a bare number is no name."""
    return _named(name, text) is not None


def name_pattern(name: str) -> str | None:
    """A pattern for a name with any spaces or hyphens between its words; None for what is too short to be one."""
    words = re.findall(r"\w+", name)
    if not words or len("".join(words)) < SHORTEST_NAME or "".join(words).isdigit():
        return None
    return r"(?<!\w)" + r"[\s\-_,.']*".join(re.escape(word) for word in words) + r"(?!\w)"


def _named(name: str, text: str) -> re.Match[str] | None:
    pattern = name_pattern(name)
    return re.search(pattern, text, re.IGNORECASE) if pattern else None


def _without(name: str, text: str) -> tuple[str, int]:
    pattern = name_pattern(name)
    return re.subn(pattern, " ", text, flags=re.IGNORECASE) if pattern else (text, 0)
