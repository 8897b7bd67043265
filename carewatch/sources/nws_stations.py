"""Reading what weather stations near a site measured, from answers of the US National Weather Service."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from math import asin, cos, radians, sin, sqrt

from carewatch.errors import UpstreamTrouble
from carewatch.roster.model import Site
from carewatch.sources.nws_grid import SERVICE, TO_CELSIUS, TO_MPS, Converter, elevation_m
from carewatch.sources.tree import Json, decode_object, dig, instant_or_none, number, objects, text
from carewatch.weather.readings import Readings, readings_of
from carewatch.weather.series import COLDEST_BELIEVED_C, WARMEST_BELIEVED_C

FARTHEST_KM = 40.0  # chosen: beyond, another night is measured
MOST_HEIGHT_M = 150.0  # chosen: 150 m are 1 °C of standard atmosphere
EARTH_KM = 6371.0
STRONGEST_WIND_MPS = 120.0
# WMO-No. 306, FM 15 METAR: FEW 1 to 2 oktas, SCT 3 to 4, BKN 5 to 7, OVC 8; VV is a hidden sky. The middle counts.
CLOUD_FRACTION = {"SKC": 0.0, "CLR": 0.0, "FEW": 1.5 / 8, "SCT": 3.5 / 8, "BKN": 6.0 / 8, "OVC": 1.0, "VV": 1.0}
REJECTED = frozenset({"X", "Q", "B"})  # quality marks of the observation network: from memory, not looked up

_STATION_ID = re.compile(r"[A-Z0-9]{3,10}", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A weather station and how far it lies from a site."""

    id: str
    name: str
    away_km: float

    @property
    def key(self) -> str:
        """Key of its readings among the stored answers."""
        return f"observed/{self.id}"


def nearest_station(body: bytes, site: Site) -> Station | None:
    """The nearest station of a list that lies near enough and about as high as the site."""
    found = [station for feature in objects(decode_object(body, service=SERVICE).get("features"))
             if (station := _station(feature, site)) is not None]  # fmt: skip
    return min(found, key=lambda station: station.away_km, default=None)


def read_observed(body: bytes, station: Station) -> Readings | None:
    """What the station measured; None if nothing can be used."""
    rows: dict[datetime, dict[str, float]] = {}
    for feature in objects(decode_object(body, service=SERVICE).get("features")):
        properties = dig(feature, "properties")
        moment = instant_or_none(dig(properties, "timestamp"))
        if moment is not None:
            rows[moment] = {
                "air_c": _measured(properties, "temperature", TO_CELSIUS, COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
                "dew_c": _measured(properties, "dewpoint", TO_CELSIUS, COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
                "wind_mps": _measured(properties, "windSpeed", TO_MPS, 0.0, STRONGEST_WIND_MPS),
                "cloud_fraction": _cloud_fraction(properties),
            }
    by = f"the weather station {station.id} ({station.name}), {station.away_km:.0f} km away"
    return readings_of(rows, by=by, is_at_site=False)


def check_list(body: bytes) -> None:
    """Refuse an answer that is no list of stations."""
    if not isinstance(decode_object(body, service=SERVICE).get("features"), list):
        raise UpstreamTrouble(f"{SERVICE} sent no list where one was asked for.")


def _station(feature: Json, site: Site) -> Station | None:
    properties, place = dig(feature, "properties"), dig(feature, "geometry", "coordinates")
    name_of_it = text(dig(properties, "stationIdentifier")) or ""
    if not (isinstance(place, list) and len(place) >= 2 and _STATION_ID.fullmatch(name_of_it)):
        return None
    away_km = _apart_km(site, lat_deg=number(place[1]), lon_deg=number(place[0]))
    height_m = elevation_m(properties) if isinstance(properties, dict) else None
    if not away_km <= FARTHEST_KM or (height_m is not None and abs(height_m - site.elevation_m) > MOST_HEIGHT_M):
        return None
    return Station(id=name_of_it, name=(text(dig(properties, "name")) or "")[:80], away_km=away_km)


def _apart_km(site: Site, *, lat_deg: float, lon_deg: float) -> float:
    """Great-circle distance (haversine formula)."""
    across = sin(radians(lat_deg - site.lat_deg) / 2.0) ** 2
    along = sin(radians(lon_deg - site.lon_deg) / 2.0) ** 2
    return 2.0 * EARTH_KM * asin(sqrt(across + cos(radians(site.lat_deg)) * cos(radians(lat_deg)) * along))


def _measured(properties: object, name: str, units: dict[str, Converter], lowest: float, highest: float) -> float:
    unit = (text(dig(properties, name, "unitCode")) or "").rpartition(":")[2]
    mark = (text(dig(properties, name, "qualityControl")) or "").rpartition(":")[2]
    value = number(dig(properties, name, "value"))
    if unit not in units or mark in REJECTED:
        return float("nan")
    measured = units[unit](value)
    return measured if lowest <= measured <= highest else float("nan")


def _cloud_fraction(properties: object) -> float:
    """The thickest layer; NaN where none is reported."""
    amounts = [text(layer.get("amount")) or "" for layer in objects(dig(properties, "cloudLayers"))]
    return max((CLOUD_FRACTION[amount] for amount in amounts if amount in CLOUD_FRACTION), default=float("nan"))
