"""Weather of site-nights without end, made of the measured nights: each of its own, most of them hard, near 0 °C.

A site-night is a random mixture of two measured nights (tests/data/weather), stretched, dried, blown and clouded at
random, and moved so that its coldest air lies about -5 to +8 °C. The record runs from 16 h to 8 h; the hours to noon on
both sides are made: as warm as at 16 h before, 1.5 °C an hour warmer after (chosen). Wind at the boom, cold ground in
clear calm hours and fog that wets follow the rules of forcing.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np

from carewatch.freeze.air import BOOM_WIND, STILL_AIR_MPS
from carewatch.freeze.exchange import Forcing
from carewatch.freeze.forcing import (
    CALM_BELOW_MPS,
    CLEAR_BELOW,
    DRIES_IN_H,
    FOG_WITHIN_C,
    GROUND_BELOW_AIR_C,
    WET_BELOW_C,
)
from tests.reference.measured_nights import greensboro, stations

HOURS = 24
RECORDED = slice(4, 20)  # marks of the night that are in every record


def made_nights(count: int, *, seed: int) -> Forcing:
    """Weather [25, count]; the same for the same seed."""
    rng = np.random.default_rng(seed)
    weight = rng.random(count)

    def mixed(values: np.ndarray) -> np.ndarray:
        one, other = rng.integers(values.shape[1], size=(2, count))
        return weight * values[:, one] + (1.0 - weight) * values[:, other]

    above_c, depression_c, wind_mps, cloud = (mixed(values) for values in _measured())
    low_c = rng.uniform(-5.0, 8.0, count)
    air_c = low_c + above_c * rng.uniform(0.6, 1.3, count) + rng.normal(0.0, 0.2, above_c.shape)
    dew_c = air_c - np.maximum(depression_c * rng.uniform(0.5, 1.6, count), 0.0)
    at_10_m = wind_mps * rng.lognormal(0.0, 0.4, count) * rng.lognormal(0.0, 0.15, above_c.shape)
    cloud = np.clip(cloud + rng.choice([-0.3, 0.0, 0.3], count), 0.0, 1.0)
    return Forcing(
        air_c=air_c,
        dew_c=dew_c,
        wind_mps=np.maximum(at_10_m * BOOM_WIND, STILL_AIR_MPS),
        cloud_fraction=cloud,
        ground_below_air_c=GROUND_BELOW_AIR_C * ((cloud < CLEAR_BELOW) & (at_10_m < CALM_BELOW_MPS)),
        sky_open=np.ones_like(air_c),
        is_wet=_wet(air_c, dew_c),
    )


def chunks(nights: int, *, at_once: int, seed: int) -> Iterator[Forcing]:
    """So many nights, some at a time; every chunk has a seed of its own."""
    for number, at in enumerate(range(0, nights, at_once)):
        yield made_nights(min(at_once, nights - at), seed=seed + number)


@cache
def _measured() -> tuple[np.ndarray, ...]:
    """Air above the night's coldest, air above dew point, wind at 10 m, cloud; [25, measured nights]."""
    found = [night for night in (*greensboro(), *stations()) if night.air_c.size >= RECORDED.stop - RECORDED.start]
    rows = []
    for night in found:
        air_c, dew_c, wind, cloud = (
            np.concatenate([np.full(RECORDED.start, recorded[0]), recorded, np.full(5, recorded[-1])])
            for recorded in (
                np.asarray(values)[: RECORDED.stop - RECORDED.start]
                for values in (night.air_c, night.dew_c, night.wind_mps, night.cloud)
            )
        )
        air_c[RECORDED.stop :] += 1.5 * np.arange(1, 6)
        rows.append((air_c - air_c.min(), air_c - dew_c, wind / BOOM_WIND, cloud))
    return tuple(np.array(values).T for values in zip(*rows, strict=True))


def _wet(air_c: np.ndarray, dew_c: np.ndarray) -> np.ndarray:
    falls = (air_c - dew_c < FOG_WITHIN_C) & (air_c < WET_BELOW_C)
    wet = falls.copy()
    for later in range(1, DRIES_IN_H + 1):
        wet[later:] |= falls[:-later]
    return wet.astype(float)
