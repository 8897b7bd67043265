"""Reading the raw grid cell forecast of the US National Weather Service."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from carewatch.errors import BadInput, UpstreamTrouble
from carewatch.roster.model import Site
from carewatch.sources.terms import brief
from carewatch.sources.tree import Json, decode_object, dig, instant, instant_or_none, number, objects, text
from carewatch.units import KMH_PER_MPS
from carewatch.weather.forecast import FloatArray, Forecast, Grade, Minimum
from carewatch.weather.intervals import HOUR, LONGEST, ceil_hour, parse_interval
from carewatch.weather.series import (
    COLDEST_BELIEVED_C,
    WARMEST_BELIEVED_C,
    Step,
    fill_gaps,
    from_steps,
    from_totals,
    without_impossible,
)

NAME = "nws"
SERVICE = "The US National Weather Service"
TITLE = "US National Weather Service"
LICENCE = "Forecast data: US National Weather Service (public domain); processed here, no endorsement implied."
STRONGEST_WIND_MPS = 120.0  # chosen: beyond any wind measured at a farm
WETTEST_MM = 500.0  # chosen: beyond any hour of rain ever measured

EDGE_SHARE = 0.2  # chosen: a site this share of a cell outside it is still told by it (rounded coordinates)

Converter = Callable[[float], float]
TO_CELSIUS: dict[str, Converter] = {
    "degC": lambda value: value,
    "degF": lambda value: (value - 32.0) / 1.8,
    "K": lambda value: value - 273.15,
}
_TO_FRACTION: dict[str, Converter] = {"percent": lambda value: value / 100.0}
TO_MPS: dict[str, Converter] = {"km_h-1": lambda value: value / KMH_PER_MPS, "m_s-1": lambda value: value}
_TO_MM: dict[str, Converter] = {"mm": lambda value: value}

_CELL_URL = re.compile(r"(?:https?://[^/\s]+)?/gridpoints/([A-Z]{3})/(\d{1,4}),(\d{1,4})", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A grid cell: forecast office and column, row."""

    office: str
    column: int
    row: int

    @property
    def key(self) -> str:
        """Key of its forecast among the stored answers."""
        return f"grid/{self.office}/{self.column},{self.row}"

    @property
    def stations_key(self) -> str:
        """Key of the list of weather stations around it."""
        return f"stations/{self.office}/{self.column},{self.row}"

    @property
    def path(self) -> str:
        """Where the service keeps it."""
        return f"/gridpoints/{self.office}/{self.column},{self.row}"


def read_cell(body: bytes) -> Cell | None:
    """The grid cell a points answer names; None if the place has none (outside the area, at sea)."""
    answer = decode_object(body, service=SERVICE)
    properties = dig(answer, "properties")
    if properties is None and text(dig(answer, "type")) is not None and dig(answer, "status") == 404:
        return None
    url = dig(properties, "forecastGridData")
    if isinstance(properties, dict) and "forecastGridData" in properties and url is None:
        return None
    found = _CELL_URL.fullmatch(url) if isinstance(url, str) else None
    if found is None:
        raise UpstreamTrouble(f"{SERVICE} does not name a grid cell for this place.")
    return Cell(office=found[1], column=int(found[2]), row=int(found[3]))


def issued_at(body: bytes) -> datetime | None:
    """When the forecast in a grid answer was made; None for answers of other kinds."""
    return instant_or_none(dig(decode_object(body, service=SERVICE), "properties", "updateTime"))


def holds(body: bytes, site: Site) -> bool:
    """Whether the site lies in the cell or at its edge; an answer without an outline is taken at its word."""
    corners = _corners(dig(decode_object(body, service=SERVICE), "geometry", "coordinates"))
    if not corners:
        return True
    lons, lats = zip(*corners, strict=True)
    return _is_between(site.lon_deg, lons) and _is_between(site.lat_deg, lats)


def _corners(rings: object) -> list[tuple[float, float]]:
    outline = rings[0] if isinstance(rings, list) and rings else None
    if not isinstance(outline, list):
        return []
    pairs = [corner for corner in outline if isinstance(corner, list) and len(corner) >= 2]
    corners = [(number(corner[0]), number(corner[1])) for corner in pairs]
    return corners if len(corners) >= 4 and not np.isnan(corners).any() else []


def _is_between(degrees: float, corners: Sequence[float]) -> bool:
    slack = EDGE_SHARE * (max(corners) - min(corners))
    return min(corners) - slack <= degrees <= max(corners) + slack


def read_grid(body: bytes, *, fetched_at: datetime) -> Forecast:
    """The forecast in a raw grid answer."""
    properties = dig(decode_object(body, service=SERVICE), "properties")
    if not isinstance(properties, dict):
        raise UpstreamTrouble(f"{SERVICE} sent an answer without a forecast.")
    layers = _Layers(properties)
    air_c = layers.hourly("temperature", TO_CELSIUS, COLDEST_BELIEVED_C, WARMEST_BELIEVED_C)
    if np.isnan(air_c).all():
        raise UpstreamTrouble(f"{SERVICE} sent a forecast without usable temperatures.")
    return Forecast(
        source=NAME,
        title=TITLE,
        grade=Grade.OFFICIAL,
        licence=LICENCE,
        issued_at=instant(properties.get("updateTime"), service=SERVICE, what="its forecast was made"),
        fetched_at=fetched_at,
        start_at=layers.start_at,
        air_c=air_c,
        dew_c=layers.hourly("dewpoint", TO_CELSIUS, COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
        wind_mps=layers.hourly("windSpeed", TO_MPS, 0.0, STRONGEST_WIND_MPS),
        cloud_fraction=layers.hourly("skyCover", _TO_FRACTION, 0.0, 1.0),
        rain_mm=layers.rain_mm(),
        minima=layers.minima(),
        elevation_m=elevation_m(properties),
        is_height_corrected=False,
        warnings=tuple(layers.warnings),
    )


class _Layers:
    """The layers of one answer on the hours its temperatures span; what had to be left out is kept as warnings."""

    def __init__(self, properties: Json) -> None:
        self._properties = properties
        self.warnings: list[str] = []
        spans = [(begins_at, ends_at) for begins_at, ends_at, _ in self._steps("temperature", TO_CELSIUS)]
        if not spans:
            raise UpstreamTrouble(f"{SERVICE} sent a forecast without usable temperatures.")
        self.start_at = ceil_hour(min(begins_at for begins_at, _ in spans))
        self.hours = (ceil_hour(max(ends_at for _, ends_at in spans)) - self.start_at) // HOUR
        if self.hours > LONGEST // HOUR:
            raise UpstreamTrouble(f"{SERVICE} sent a forecast over {self.hours // 24} days; that cannot be right.")
        self.warnings.clear()  # the temperature layer is read again below and speaks for itself

    def hourly(self, layer: str, units: dict[str, Converter], lowest: float, highest: float) -> FloatArray:
        """A layer of instants as an hourly series, short gaps filled."""
        steps = list(self._steps(layer, units))
        series, strange = without_impossible(
            from_steps(steps, start_at=self.start_at, hours=self.hours), lowest=lowest, highest=highest
        )
        if strange:
            self.warnings.append(f"{TITLE}: {strange} h of {layer} left out as impossible.")
        series, filled = fill_gaps(series)
        if filled:
            self.warnings.append(f"{TITLE}: {filled} h of {layer} filled in from the hours around.")
        return series

    def rain_mm(self) -> FloatArray:
        """Rain per hour; the service gives totals over intervals."""
        steps = self._steps("quantitativePrecipitation", _TO_MM)
        totals = from_totals(steps, start_at=self.start_at, hours=self.hours)
        return without_impossible(totals, lowest=0.0, highest=WETTEST_MM)[0]

    def minima(self) -> tuple[Minimum, ...]:
        """The service's own night minima; they often lie below its hourly values."""
        return tuple(
            Minimum(start_at=begins_at, end_at=ends_at, air_c=value)
            for begins_at, ends_at, value in self._steps("minTemperature", TO_CELSIUS)
            if COLDEST_BELIEVED_C <= value <= WARMEST_BELIEVED_C
        )

    def _steps(self, layer: str, units: dict[str, Converter]) -> Iterator[Step]:
        values = list(objects(dig(self._properties, layer, "values")))
        if not values:
            return
        unit = (text(dig(self._properties, layer, "uom")) or "").rpartition(":")[2]  # the prefix has changed before
        if unit not in units:
            self.warnings.append(f"{TITLE}: {layer} left out, its unit {brief(unit) or 'is missing and'} is unknown.")
            return
        for step in values:
            value = units[unit](number(step.get("value")))
            try:
                yield (*parse_interval(text(step.get("validTime")) or ""), value)
            except BadInput:
                self.warnings.append(f"{TITLE}: a time span of {layer} could not be read.")


def elevation_m(properties: Json) -> float | None:
    """The elevation an answer gives, in metres; None if it gives none that can be."""
    height_m = number(dig(properties, "elevation", "value"))
    is_metres = (text(dig(properties, "elevation", "unitCode")) or "").rpartition(":")[2] == "m"
    return height_m if is_metres and -500.0 <= height_m <= 9000.0 else None
