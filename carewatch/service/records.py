"""One night out of a file of hourly weather, for the calculator."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np

from carewatch.errors import BadInput
from carewatch.freeze.course import NIGHT_H, Weather
from carewatch.sources.records import read_weather
from carewatch.weather.intervals import HOUR, floor_hour, parse_instant
from carewatch.weather.series import nothing


def recorded_night(path: Path, from_utc: str | None) -> tuple[Weather, int]:
    """The 24 hours from an instant (None: the first of the file), and the UTC hour they begin at."""
    record = read_weather(path)
    start_at = record.start_at if from_utc is None else floor_hour(parse_instant(from_utc))
    first = (start_at - record.start_at) // HOUR
    if from_utc is None and record.hours > 2 * NIGHT_H:
        raise BadInput(f"{path} holds {record.hours} hours. Name the first hour of the night with --from.")
    if not 0 <= first < record.hours:
        until = record.start_at + timedelta(hours=record.hours - 1)
        span = f"{record.start_at:%Y-%m-%dT%H:%MZ} to {until:%Y-%m-%dT%H:%MZ}"
        raise BadInput(f"{path} has no hour {from_utc}; it reaches from {span}.")
    cut = {name: nothing(NIGHT_H + 1) for name in record.values}
    for name, values in record.values.items():
        known = np.asarray(values[first : first + NIGHT_H + 1])
        cut[name][: known.shape[0]] = known
    return Weather(**cut), start_at.hour
