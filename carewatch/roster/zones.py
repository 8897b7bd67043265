"""Does a time zone belong to a pair of coordinates?"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from enum import Enum
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

BORDER_DEG = 0.6  # chosen: about 50 km; people near a border of zones may keep their neighbours' clock
DEGREES_PER_HOUR = 15.0
FAR_OFF_H = 2.5  # chosen: no zone's standard time is further from the sun, apart from western China
IMPOSSIBLE_H = 4.0  # chosen: above western China's three hours
SAMPLES = tuple(datetime(2026, month, 15, 12, tzinfo=UTC) for month in (1, 4, 7, 10))

Finder = Callable[[float, float], list[str]]


class Agreement(Enum):
    """How well a zone fits a place."""

    FITS = "fits"
    DOUBTFUL = "doubtful"  # near a border, or only the longitude could be compared
    CONTRADICTS = "contradicts"


def zone_agreement(zone: str, lat_deg: float, lon_deg: float, *, find: Finder | None) -> tuple[Agreement, str | None]:
    """Whether a zone keeps the clock of these coordinates, and the zone found there (None: only longitude known).

    `find` gives the zones at (lon, lat), see `installed_finder`; None: only the longitude can be compared.
    """
    if find is None:
        return agreement_by_longitude(zone, lon_deg), None
    here = _zones_at(find, lat_deg, lon_deg)
    if not here or any(_same_clock(zone, other) for other in here):
        return Agreement.FITS, None
    near = any(
        _same_clock(zone, other)
        for north in (-BORDER_DEG, 0, BORDER_DEG)
        for east in (-BORDER_DEG, 0, BORDER_DEG)
        for other in _zones_at(find, lat_deg + north, lon_deg + east)
    )
    return (Agreement.DOUBTFUL if near else Agreement.CONTRADICTS), here[0]


def mistake_in_coordinates(zone: str, lat_deg: float, lon_deg: float, *, find: Finder | None) -> str:
    """The usual slips that would make the zone right: a lost minus, or the two numbers exchanged."""
    slips = (
        (lat_deg, -lon_deg, "Is the minus of lon_deg missing? West of Greenwich it is negative."),
        (-lat_deg, lon_deg, "Is the minus of lat_deg missing? South of the equator it is negative."),
        (lon_deg, lat_deg, "Are lat_deg and lon_deg exchanged?"),
        (-lat_deg, -lon_deg, "Are the signs of lat_deg and lon_deg right?"),
    )
    for lat, lon, question in slips:
        if abs(lat) <= 90 and _is_certain(zone, lat, lon, find):
            return question
    return ""


def _is_certain(zone: str, lat_deg: float, lon_deg: float, find: Finder | None) -> bool:
    if find is None:
        return agreement_by_longitude(zone, lon_deg) is Agreement.FITS
    return any(_same_clock(zone, other) for other in _zones_at(find, lat_deg, lon_deg))


@lru_cache(maxsize=1)
def installed_finder() -> Finder | None:
    """The look-up of the optional package, if it is there."""
    try:
        from tzfpy import get_tzs
    except ImportError:
        return None
    finder: Finder = get_tzs
    return finder


def _zones_at(find: Finder, lat_deg: float, lon_deg: float) -> list[str]:
    """Zones on land at a place; nothing at sea, where the clock is a matter of agreement."""
    lon = (lon_deg + 180.0) % 360.0 - 180.0
    return [zone for zone in find(lon, max(-90.0, min(90.0, lat_deg))) if not zone.startswith("Etc/")]


@lru_cache(maxsize=2048)
def _same_clock(one: str, other: str) -> bool:
    """Whether two zones show the same time through the year."""
    try:
        clocks = ZoneInfo(one), ZoneInfo(other)
    except (ZoneInfoNotFoundError, ValueError):
        return True  # the finder knows a newer zone than this computer: nothing to compare
    return one == other or all(
        at.astimezone(clocks[0]).utcoffset() == at.astimezone(clocks[1]).utcoffset() for at in SAMPLES
    )


def agreement_by_longitude(zone: str, lon_deg: float) -> Agreement:
    """How well the standard time of a zone fits the sun at a longitude; certain only where it is grossly off."""
    offsets = [at.astimezone(ZoneInfo(zone)) for at in SAMPLES]
    standard_h = min((at.utcoffset() or timedelta()) / timedelta(hours=1) for at in offsets)
    off_h = abs((standard_h - lon_deg / DEGREES_PER_HOUR + 12) % 24 - 12)  # around the date line as well
    if off_h <= FAR_OFF_H:
        return Agreement.FITS
    return Agreement.DOUBTFUL if off_h <= IMPOSSIBLE_H else Agreement.CONTRADICTS
