"""Builders of invented forecasts and sites."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

import numpy as np
import pytest

from carewatch.roster.model import Site
from carewatch.weather.forecast import Forecast, Grade

Maker = Callable[..., Forecast]


def make_site(*, zone: str = "America/Chicago", elevation_m: float = 300.0) -> Site:
    return Site(
        id="river-yard",
        name="River yard",
        lat_deg=41.2,
        lon_deg=-96.6,
        elevation_m=elevation_m,
        zone=zone,
        places=(),
        contacts=(),
    )


def make_forecast(
    air_c: Sequence[float] | float,
    *,
    start_at: datetime,
    hours: int = 240,
    issued_at: datetime | None = None,
    source: str = "first",
    **more,
) -> Forecast:
    air = np.full(hours, air_c, dtype=float) if isinstance(air_c, int | float) else np.array(air_c, dtype=float)
    issued = issued_at or start_at
    rest = {
        "dew_c": air - 3.0,
        "wind_mps": np.full(air.shape, 2.0),
        "cloud_fraction": np.full(air.shape, 0.5),
        "rain_mm": np.zeros(air.shape),
        "title": source.capitalize(),
        **more,
    }
    return Forecast(
        source=source,
        grade=Grade.OFFICIAL,
        licence="made",
        issued_at=issued,
        fetched_at=issued + timedelta(minutes=5),
        start_at=start_at,
        air_c=air,
        **rest,
    )


@pytest.fixture
def forecast() -> Maker:
    return make_forecast


@pytest.fixture
def site() -> Callable[..., Site]:
    return make_site
