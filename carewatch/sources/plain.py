"""Our own plain forecast: one JSON object, easy to write by hand or by a script of anybody's own.

{
  "title": "Home station model",          what people call it (optional)
  "source": "plain",                      word for it in reports (optional)
  "grade": "raw",                         official | raw: has it been corrected for this place? (optional, raw)
  "licence": "own data",                  a credit line for mails and pages (optional)
  "issued_at": "2026-10-03T12:00:00Z",    when it was made
  "start_at": "2026-10-03T12:00:00Z",     first hour mark, a full UTC hour
  "air_c": [4.1, 3.2, null],              one value per hour; null where nothing is known
  "dew_c": [...], "wind_mps": [...],      wind at 10 m; cloud from 0 to 1; rain of the hour that follows;
  "cloud_fraction": [...],                all optional, as long as air_c or shorter
  "rain_mm": [...], "spread_c": [...],    spread_c is a standard deviation
  "minima": [{"start_at": ..., "end_at": ..., "air_c": 1.0}]
}
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime

import numpy as np

from carewatch.errors import UpstreamTrouble
from carewatch.sources.terms import brief
from carewatch.sources.tree import Json, decode_object, instant, instant_or_none, number, objects, text
from carewatch.weather.forecast import FloatArray, Forecast, Grade, Minimum
from carewatch.weather.intervals import HOUR, LONGEST, floor_hour
from carewatch.weather.series import COLDEST_BELIEVED_C, WARMEST_BELIEVED_C, fill_gaps, nothing, without_impossible

NAME = "plain"
SERVICE = "The plain forecast"
MOST_HOURS = LONGEST // HOUR
_RANGES = {
    "air_c": (COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
    "dew_c": (COLDEST_BELIEVED_C, WARMEST_BELIEVED_C),
    "wind_mps": (0.0, 120.0),
    "cloud_fraction": (0.0, 1.0),
    "rain_mm": (0.0, 500.0),
    "spread_c": (0.0, 30.0),
}


def read_plain(body: bytes, *, fetched_at: datetime) -> Forecast:
    """The forecast in a plain answer."""
    answer = decode_object(body, service=SERVICE)
    issued_at = instant(answer.get("issued_at"), service=SERVICE, what="it was made")
    start_at = instant(answer.get("start_at"), service=SERVICE, what="its first hour is")
    if start_at != floor_hour(start_at):
        raise UpstreamTrouble(f"{SERVICE} must start on a full hour, not at {start_at:%H:%M:%S}.")
    warnings: list[str] = []
    series = {name: _series(answer, name, warnings) for name in _RANGES}
    if np.isnan(series["air_c"]).all():
        raise UpstreamTrouble(f"{SERVICE} holds no usable temperature in air_c.")
    spread_c = series["spread_c"]
    return Forecast(
        source=brief(text(answer.get("source"))) or NAME,
        title=brief(text(answer.get("title"))),
        grade=_grade(answer.get("grade")),
        licence=brief(text(answer.get("licence"))),
        issued_at=issued_at,
        fetched_at=fetched_at,
        start_at=start_at,
        minima=tuple(_minima(answer)),
        spread_c=None if np.isnan(spread_c).all() else spread_c,
        warnings=tuple(warnings),
        air_c=series["air_c"],
        dew_c=series["dew_c"],
        wind_mps=series["wind_mps"],
        cloud_fraction=series["cloud_fraction"],
        rain_mm=series["rain_mm"],
    )


def write_plain(forecast: Forecast) -> bytes:
    """The plain answer that reads back as this forecast (without members and height)."""
    tree: dict[str, object] = {
        "title": forecast.title,
        "source": forecast.source,
        "grade": forecast.grade.value,
        "licence": forecast.licence,
        "issued_at": _moment(forecast.issued_at),
        "start_at": _moment(forecast.start_at),
        "minima": [
            {"start_at": _moment(low.start_at), "end_at": _moment(low.end_at), "air_c": low.air_c}
            for low in forecast.minima
        ],
    }
    for name in _RANGES:
        values: FloatArray | None = getattr(forecast, name)
        if values is not None:
            tree[name] = [None if np.isnan(value) else round(float(value), 2) for value in values]
    return json.dumps(tree, separators=(",", ":"), allow_nan=False).encode()


def _moment(moment: datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def _grade(word: object) -> Grade:
    if word is None:
        return Grade.RAW
    if word not in tuple(Grade):
        raise UpstreamTrouble(f"{SERVICE} has an unknown grade; write official or raw.")
    return Grade(str(word))


def _series(answer: Json, name: str, warnings: list[str]) -> FloatArray:
    """One series, as long as air_c."""
    air = answer.get("air_c")
    if not isinstance(air, list) or not 0 < len(air) <= MOST_HOURS:
        raise UpstreamTrouble(f"{SERVICE} needs a list air_c of 1 to {MOST_HOURS} hourly values.")
    values = answer.get(name)
    series = nothing(len(air))
    if values is None:
        return series
    if not isinstance(values, list) or len(values) > len(air):
        raise UpstreamTrouble(f"{SERVICE} needs {name} as a list no longer than air_c.")
    series[: len(values)] = [number(value) for value in values]
    lowest, highest = _RANGES[name]
    series, strange = without_impossible(series, lowest=lowest, highest=highest)
    if strange:
        warnings.append(f"{strange} h of {name} left out as impossible.")
    series, filled = fill_gaps(series)
    if filled:
        warnings.append(f"{filled} h of {name} filled in from the hours around.")
    return series


def _minima(answer: Json) -> Iterator[Minimum]:
    for low in objects(answer.get("minima")):
        start_at, end_at = instant_or_none(low.get("start_at")), instant_or_none(low.get("end_at"))
        air_c = number(low.get("air_c"))
        if start_at and end_at and start_at < end_at and COLDEST_BELIEVED_C <= air_c <= WARMEST_BELIEVED_C:
            yield Minimum(start_at=start_at, end_at=end_at, air_c=air_c)
