"""The forecast's ground is seldom the site's: make the air colder where the site lies higher, never warmer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from carewatch.weather.forecast import Forecast

LAPSE_C_PER_M = 0.0065  # ISO 2533:1975 standard atmosphere, troposphere


def colder_by_height_c(forecast: Forecast, *, elevation_m: float) -> float:
    """How much colder the site is than the forecast's ground [°C, >= 0].

    A site that lies lower gets no credit: cold air drains into low ground on clear calm nights.
    """
    if forecast.is_height_corrected or forecast.elevation_m is None:
        return 0.0
    return max(0.0, LAPSE_C_PER_M * (elevation_m - forecast.elevation_m))


def at_height(forecast: Forecast, *, elevation_m: float) -> Forecast:
    """The forecast for the site's own height."""
    colder_c = colder_by_height_c(forecast, elevation_m=elevation_m)
    if colder_c == 0.0:
        return forecast
    air_c = forecast.air_c - colder_c
    return replace(
        forecast,
        air_c=air_c,
        dew_c=np.minimum(forecast.dew_c, np.where(np.isnan(air_c), np.inf, air_c)),
        minima=tuple(replace(minimum, air_c=minimum.air_c - colder_c) for minimum in forecast.minima),
        members_c=None if forecast.members_c is None else forecast.members_c - colder_c,
        is_height_corrected=True,
        elevation_m=elevation_m,
    )
