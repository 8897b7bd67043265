"""From the joined weather of a site and a machine's places to what its parts feel, hour by hour.

Every gap errs to warning: no dew point is dry air, no cloud is a clear sky, no wind is tried still and fresh, a missing
hour is as cold as its colder neighbour or the night's own minimum.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from math import ceil, exp, floor

import numpy as np
import numpy.typing as npt

from carewatch.freeze.air import BOOM_WIND, STILL_AIR_MPS
from carewatch.logbook.state import Whereabouts
from carewatch.roster.model import PlaceKind, Site
from carewatch.weather.forecast import NightWeather, SiteWeather

FloatArray = npt.NDArray[np.float64]

HOUR = timedelta(hours=1)
WIND_FACTORS = (1.0, 0.5, 2.0)  # more wind is worse below freezing, less wind above it: the worse answer counts
WIND_IF_MISSING_MPS = (1.0, 0.3, 3.0)  # at 10 m, in the same order
DEW_BELOW_AIR_C = 8.0  # chosen: air without a dew point counts as dry, so the sky as cold
CLEAR_BELOW = 0.5  # cloud fraction
CALM_BELOW_MPS = 3.0  # at 10 m
INVERSION_C = 0.5  # chosen: boom height against 2 m on clear calm nights
GROUND_BELOW_AIR_C = 2.0  # chosen: USCRN 2020, ground minimum below air minimum, medians 1.5 to 2.1 K
SHED_DELAY_H = 3.0  # chosen: a light steel shed follows the air outside this slowly; real ones are slower
INDOOR_WIND_MPS = 0.3  # chosen: draught in a shed; more air movement cools faster where there is no sky
WET_BELOW_C = 4.0  # rain or fog colder than this may cool below freezing by evaporation
FOG_WITHIN_C = 0.3  # chosen: dew point this close to the air counts as fog
DRIES_IN_H = 2  # chosen: a wet outside counts as wet this long after rain or a rinse
DEFAULT_SHOP_C = 10.0  # chosen: as roster.Place.shop_c; for a shop of another site


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What a machine feels at each hour mark from `start_at`; arrays [marks], `wind_mps` [wind cases, marks] at boom.

    `moves` [marks] is 1 where a colder or warmer night would reach the machine, 0 where heat is held;
    `is_open` [marks] where rain and a rinse leave it wet; `kinds` the kind of spot at each mark.
    """

    start_at: datetime
    air_c: FloatArray
    dew_c: FloatArray
    wind_mps: FloatArray
    cloud_fraction: FloatArray
    ground_below_air_c: FloatArray
    sky_open: FloatArray
    is_wet: FloatArray
    is_open: npt.NDArray[np.bool_]
    moves: FloatArray
    kinds: tuple[PlaceKind, ...]

    @property
    def marks(self) -> int:
        """Number of hour marks."""
        return int(self.air_c.shape[0])

    def signature(self) -> tuple[object, ...]:
        """Everything felt, to be compared: two with the same signature feel the same."""
        arrays = (getattr(self, one.name) for one in fields(self))
        return tuple(one.tobytes() if isinstance(one, np.ndarray) else one for one in arrays)

    def mark_at_or_before(self, moment: datetime) -> int:
        """Last hour mark not after a moment, held inside the series."""
        return min(max(floor((moment - self.start_at) / HOUR), 0), self.marks - 1)

    def mark_at_or_after(self, moment: datetime) -> int:
        """First hour mark not before a moment, held inside the series."""
        return min(max(ceil((moment - self.start_at) / HOUR), 0), self.marks - 1)


def surroundings(weather: SiteWeather, *, site: Site, stays: Sequence[Whereabouts]) -> Surroundings | None:
    """What a machine feels at a site where it stood and stands in `stays`; None if no hour and no minimum is known.

    Notes
    -----
    `unheated_shed` follows the air outside with a first-order delay of 3 h, sky and inversion left out. `heated_shop`
    is held at its temperature until its heat is no longer known, then it is a shed that starts as warm as the shop was.
    `open_roof` blocks the sky and nothing else. A spot colder than its surroundings is taken so all the time: it is so
    on still nights, and wind is the weakest part of a forecast.
    Hours outside before it came into a heated shop count as forecast, with no error around them: whatever ice such an
    error could have made has thawed in there.
    """
    outside_c, dew_c, wind, cloud, rain_mm = _filled(weather)
    if outside_c.size == 0 or np.isnan(outside_c).all():
        return None
    moments = [weather.start_at + i * HOUR for i in range(outside_c.shape[0])]
    began = [stay.since for stay in stays]
    at_mark = [_stay_at(stays, began, moment) for moment in moments]
    kinds = tuple(_kind_at(stay, moment) for stay, moment in zip(at_mark, moments, strict=True))
    colder_c = np.array([_colder_c(stay, site) for stay in at_mark])
    for night in weather.nights:
        colder_c[_inside(night, moments)] += night.colder_c
    outside_c, dew_c = outside_c - colder_c, dew_c - colder_c
    is_outdoors, is_roofed = _is(kinds, PlaceKind.OUTDOORS), _is(kinds, PlaceKind.OPEN_ROOF)
    is_heated = _is(kinds, PlaceKind.HEATED_SHOP)
    is_open = is_outdoors | is_roofed
    clear_calm = (cloud < CLEAR_BELOW) & ~(wind >= CALM_BELOW_MPS)
    shop_c = np.array([_shop_c(stay, site) for stay in at_mark])
    shed_c = _shed(outside_c, np.where(is_heated, shop_c, np.nan))
    air_c = np.where(is_open, outside_c - INVERSION_C * clear_calm, shed_c)
    wind_mps = np.stack([_boom_wind(wind, factor, spare) for factor, spare in _wind_cases()])
    return Surroundings(
        start_at=weather.start_at,
        air_c=air_c,
        dew_c=np.minimum(dew_c, air_c),
        wind_mps=np.where(is_open, wind_mps, INDOOR_WIND_MPS),
        cloud_fraction=cloud,
        ground_below_air_c=np.where(is_open & clear_calm, GROUND_BELOW_AIR_C, 0.0),
        sky_open=is_outdoors.astype(np.float64),
        is_wet=_wet(outside_c, dew_c, rain_mm, is_outdoors=is_outdoors, is_open=is_open),
        is_open=is_open,
        moves=np.where(is_heated | _thawed_since(stays, moments), 0.0, 1.0),
        kinds=kinds,
    )


def _thawed_since(stays: Sequence[Whereabouts], moments: Sequence[datetime]) -> npt.NDArray[np.bool_]:
    """The hours before it came to where it stands now, if that is a heated shop."""
    is_warm = bool(stays) and stays[-1].kind is PlaceKind.HEATED_SHOP
    return np.array([is_warm and moment < stays[-1].since for moment in moments], dtype=np.bool_)


def _filled(weather: SiteWeather) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Air, dew, wind (gaps stay NaN), cloud and rain up to the end of the last night of which anything is known."""
    known = [night for night in weather.nights if night.min_c is not None]
    hours = weather.air_c.shape[0]
    if known:
        hours = max(hours, ceil((known[-1].night.end_at - weather.start_at) / HOUR) + 1)

    def longer(values: FloatArray) -> FloatArray:
        return np.concatenate([values, np.full(hours - values.shape[0], np.nan)])

    air_c = longer(weather.air_c)
    gaps = np.isnan(air_c)
    moments = [weather.start_at + i * HOUR for i in range(hours)]
    filled_c = _colder_neighbour(air_c)
    for night in known:
        if night.min_c is not None:
            inside = _inside(night, moments) & gaps
            filled_c[inside] = np.fmin(filled_c[inside], night.min_c)
    dew_c = longer(weather.dew_c)
    dew_c = np.where(np.isnan(dew_c) | gaps, filled_c - DEW_BELOW_AIR_C, np.minimum(dew_c, filled_c))
    cloud = np.clip(np.nan_to_num(longer(weather.cloud_fraction), nan=0.0), 0.0, 1.0)
    return filled_c, dew_c, longer(weather.wind_mps), cloud, np.nan_to_num(longer(weather.rain_mm), nan=0.0)


def _colder_neighbour(air_c: FloatArray) -> FloatArray:
    """Gaps as cold as the colder of the last hour before and the first hour after them; NaN if nothing is known."""
    known = np.flatnonzero(~np.isnan(air_c))
    if known.size == 0:
        return air_c.copy()
    at = np.arange(air_c.shape[0])
    before = known[np.clip(np.searchsorted(known, at, side="right") - 1, 0, known.size - 1)]
    after = known[np.clip(np.searchsorted(known, at, side="left"), 0, known.size - 1)]
    return np.asarray(np.minimum(air_c[before], air_c[after]))


def _inside(night: NightWeather, moments: Sequence[datetime]) -> npt.NDArray[np.bool_]:
    return np.array([night.night.start_at <= moment <= night.night.end_at for moment in moments], dtype=np.bool_)


def _stay_at(stays: Sequence[Whereabouts], began: Sequence[datetime], moment: datetime) -> Whereabouts | None:
    """Where it stood; before the first word None, which counts as outdoors."""
    place = bisect_right(began, moment)
    return stays[place - 1] if place else None


def _kind_at(stay: Whereabouts | None, moment: datetime) -> PlaceKind:
    if stay is None:
        return PlaceKind.OUTDOORS
    if stay.kind is PlaceKind.HEATED_SHOP and (stay.heat_known_until is None or moment >= stay.heat_known_until):
        return PlaceKind.UNHEATED_SHED
    return stay.kind


def _colder_c(stay: Whereabouts | None, site: Site) -> float:
    """How much colder the spot is; a stay's own figure already holds the site's, the larger counts."""
    return max(site.colder_c, 0.0 if stay is None else stay.colder_c)


def _shop_c(stay: Whereabouts | None, site: Site) -> float:
    for place in site.places:
        if stay is not None and stay.site == site.id and place.id == stay.place:
            return place.shop_c
    return DEFAULT_SHOP_C


def _is(kinds: Sequence[PlaceKind], kind: PlaceKind) -> npt.NDArray[np.bool_]:
    return np.array([one is kind for one in kinds], dtype=np.bool_)


def _shed(outside_c: FloatArray, held_c: FloatArray) -> FloatArray:
    """Air in a shed: dT/dt = (outside - T)/delay by the hour; where heat holds a temperature it is that."""
    share = 1.0 - exp(-1.0 / SHED_DELAY_H)
    shed_c = outside_c.copy()
    for i in range(1, outside_c.shape[0]):
        towards_c = 0.5 * (outside_c[i - 1] + outside_c[i])
        before_c = shed_c[i - 1] if np.isnan(held_c[i - 1]) else held_c[i - 1]
        shed_c[i] = before_c + share * (towards_c - before_c)
    return np.where(np.isnan(held_c), shed_c, held_c)


def _wind_cases() -> Sequence[tuple[float, float]]:
    return tuple(zip(WIND_FACTORS, WIND_IF_MISSING_MPS, strict=True))


def _boom_wind(wind: FloatArray, factor: float, spare_mps: float) -> FloatArray:
    at_10_m = np.where(np.isnan(wind), spare_mps, wind * factor)
    return np.asarray(np.maximum(at_10_m * BOOM_WIND, STILL_AIR_MPS))


def _wet(
    air_c: FloatArray,
    dew_c: FloatArray,
    rain_mm: FloatArray,
    *,
    is_outdoors: npt.NDArray[np.bool_],
    is_open: npt.NDArray[np.bool_],
) -> FloatArray:
    """1 where rain or fog below 4 °C wets the outside, and until it has dried; unknown rain counts as none."""
    falls = ((rain_mm > 0.0) & is_outdoors | (air_c - dew_c < FOG_WITHIN_C) & is_open) & (air_c < WET_BELOW_C)
    wet = falls.copy()
    for later in range(1, DRIES_IN_H + 1):
        wet[later:] |= falls[:-later]
    return (wet & is_open).astype(np.float64)
