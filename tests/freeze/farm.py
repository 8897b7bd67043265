"""Builders for the freeze room: an invented machine, site and weather."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

import numpy as np

from carewatch.fluids.freezing import freezes_at_c
from carewatch.fluids.liquid import WATER, Liquid
from carewatch.freeze.assess import Case
from carewatch.logbook.state import Contents, Fill, Whereabouts
from carewatch.roster.model import Fleet, Machine, Place, PlaceKind, Side, Site
from carewatch.weather.forecast import Forecast, Grade, NightWeather, SiteWeather
from carewatch.weather.nights import nights_from

NOW = datetime(2026, 10, 20, 18, 0, tzinfo=UTC)  # 2 pm in New York
START = datetime(2026, 10, 20, 0, 0, tzinfo=UTC)
ZONE = "America/New_York"


def machine(**changes) -> Machine:
    figures = {
        "id": "m1",
        "name": "Sprayer 1",
        "fleet": "f1",
        "home_site": "s1",
        "home_place": "yard",
        "operators": (),
        "boom_width_m": 36.0,
        "sections": (12, 12, 12),
        "sides": (Side(key="front", label="front"), Side(key="rear", label="rear")),
        "plumbing": ("boom_pipe", "hoses", "pump", "meter", "tank", "rinse_tank"),
        "held_l": 60.0,
        "held_is_measured": False,
        "tank_l": 4000.0,
        "rinse_tank_l": 400.0,
        "nozzle_size": "04",
        "nozzle_pressure_kpa": 300.0,
    }
    return Machine(**(figures | changes))


def site(**changes) -> Site:
    places = (
        Place(id="yard", name="Yard", kind=PlaceKind.OUTDOORS),
        Place(id="roof", name="Roof", kind=PlaceKind.OPEN_ROOF),
        Place(id="shed", name="Shed", kind=PlaceKind.UNHEATED_SHED),
        Place(id="shop", name="Shop", kind=PlaceKind.HEATED_SHOP),
    )
    figures = {
        "id": "s1",
        "name": "Home",
        "lat_deg": 36.1,
        "lon_deg": -79.9,
        "elevation_m": 270.0,
        "zone": ZONE,
        "places": places,
        "contacts": (),
    }
    return Site(**(figures | changes))


def fleet(**changes) -> Fleet:
    return Fleet(**({"id": "f1", "name": "Farm", "zone": ZONE, "sites": (), "people": (), "machines": ()} | changes))


def held(part: str, liquid: Liquid = WATER, **changes) -> Contents:
    figures = {
        "part": part,
        "liquid": liquid,
        "candidates": (liquid,),
        "fill": Fill.FULL,
        "freezes_at_c": freezes_at_c(liquid),
        "known_by": "e1",
        "who": "p1",
        "since": START,
        "entered_at": START,
    }
    return Contents(**(figures | changes))


def holding_all(one: Machine, liquid: Liquid = WATER, **changes) -> Mapping[str, Contents]:
    return MappingProxyType({key: held(key, liquid, **changes) for key in one.wetted_parts})


def stay(kind: PlaceKind = PlaceKind.OUTDOORS, place: str = "yard", **changes) -> Whereabouts:
    figures = {
        "site": "s1",
        "place": place,
        "kind": kind,
        "colder_c": 0.0,
        "since": START - timedelta(days=3),
        "known_by": "e2",
        "is_assumed": False,
    }
    return Whereabouts(**(figures | changes))


def daily_air_c(low_c: float | list[float], *, hours: int, day_above_c: float = 10.0) -> np.ndarray:
    """A smooth day and night: lowest at 10 UTC (6 am), highest at 20 UTC; one low per night or one for all."""
    hour = np.arange(hours)
    since_noon = (hour - 16) // 24  # nights start at 16 UTC
    lows = np.array([low_c] if isinstance(low_c, int | float) else low_c, dtype=float)
    low = lows[np.clip(since_noon, 0, lows.size - 1)]
    phase = (hour - 10) % 24
    shape = np.where(phase < 10, 0.5 - 0.5 * np.cos(np.pi * phase / 10), 0.5 + 0.5 * np.cos(np.pi * (phase - 10) / 14))
    return low + day_above_c * shape


def weather(
    low_c: float | list[float] = 0.0,
    *,
    nights: int = 3,
    dew_below_c: float = 3.0,
    wind_mps: float = 2.0,
    cloud: float = 0.0,
    rain_mm: float = 0.0,
    air_c: np.ndarray | None = None,
    grade: Grade = Grade.OFFICIAL,
    colder_c: float = 0.0,
    is_usable: bool = True,
    now: datetime = NOW,
    day_above_c: float = 10.0,
    **night_changes,
) -> SiteWeather:
    hours = 24 * (nights + 1) + 17
    air_c = daily_air_c(low_c, hours=hours, day_above_c=day_above_c) if air_c is None else air_c
    arrays = {
        "air_c": air_c,
        "dew_c": air_c - dew_below_c,
        "wind_mps": np.full(air_c.shape, wind_mps),
        "cloud_fraction": np.full(air_c.shape, cloud),
        "rain_mm": np.full(air_c.shape, rain_mm),
    }
    issued_at = now - timedelta(hours=2)
    forecast = Forecast(
        source="example", grade=grade, licence="none", issued_at=issued_at, fetched_at=now, start_at=START, **arrays
    )
    found = []
    for night in nights_from(now, site().tz, count=nights):
        first, last = (int((at - START) / timedelta(hours=1)) for at in (night.start_at, night.end_at))
        coldest = first + int(np.nanargmin(air_c[first : last + 1]))
        coldest_at = START + timedelta(hours=coldest)
        figures = {
            "night": night,
            "is_usable": is_usable,
            "min_c": float(air_c[coldest]) - colder_c,
            "coldest_at": coldest_at,
            "colder_c": colder_c,
            "lead_h": (coldest_at - issued_at) / timedelta(hours=1),
            "spread_c": None,
            "members_min_c": None,
            "because": (),
        }
        found.append(NightWeather(**(figures | night_changes)))
    return SiteWeather(site="s1", forecast=forecast, second=None, start_at=START, nights=tuple(found), **arrays)


def case(low_c: float | list[float] = 0.0, **changes) -> Case:
    """A machine full of water outdoors; keywords of `Case`, or of `weather` for the rest."""
    own = {
        key: changes.pop(key) for key in ("machine", "site", "fleet", "contents", "stays", "weather") if key in changes
    }
    one = own.get("machine", machine())
    figures = {
        "machine": one,
        "site": site(),
        "fleet": fleet(),
        "contents": holding_all(one),
        "stays": (stay(),),
        "weather": own.get("weather") or weather(low_c, **changes),
    }
    return Case(**(figures | own))
