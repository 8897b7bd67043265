"""Measured nights of tests/data/weather as forcing for the heat balance; origins and rights in NIGHTS.md there."""

from __future__ import annotations

import csv
from itertools import groupby
from math import log
from pathlib import Path

import numpy as np

from tests.reference.exact import Marks

FOLDER = Path(__file__).parents[1] / "data" / "weather"
TO_BOOM = 0.5652  # log law 10 to 0.8 m over 0.03 m


def greensboro() -> list[Marks]:
    rows = list(csv.DictReader((FOLDER / "greensboro_nc_tmy3_nights.csv").read_text().splitlines()))
    return [
        _marks(
            air_c=[float(row["air_c"]) for row in night],
            dew_c=[float(row["dew_c"]) for row in night],
            wind_mps=[float(row["wind_mps"]) for row in night],
            cloud=[float(row["cloud_tenths"]) / 10.0 for row in night],
        )
        for _, group in groupby(rows, key=lambda row: row["night"])
        if (night := list(group))
    ]


def stations() -> list[Marks]:
    """ARM Lamont (two nights) and two SURFRAD stations; no cloud record, so a clear sky."""
    found = []
    for name, starts in (
        ("arm_lamont_ok_20190102_hourly.csv", (0, 23)),
        ("surfrad_pennstate_pa_20170101_hourly.csv", (0,)),
        ("surfrad_tablemtn_co_20170105_hourly.csv", (0,)),
    ):
        rows = list(csv.DictReader((FOLDER / name).read_text().splitlines()))
        for start in starts:
            night = rows[start : start + 16]
            air_c = [float(row["air_c"]) for row in night]
            found.append(
                _marks(
                    air_c=air_c,
                    dew_c=[_dew_c(t, float(row["rh_pct"])) for t, row in zip(air_c, night, strict=True)],
                    wind_mps=[float(row["wind_mps"]) for row in night],
                    cloud=[0.0] * len(night),
                )
            )
    return found


def _marks(*, air_c: list[float], dew_c: list[float], wind_mps: list[float], cloud: list[float]) -> Marks:
    zero = np.zeros(len(air_c))
    wind = np.maximum(np.array(wind_mps) * TO_BOOM, 0.1)
    return Marks(np.array(air_c), np.array(dew_c), wind, np.array(cloud), zero, zero)


def _dew_c(air_c: float, rh_pct: float) -> float:
    a = log(max(rh_pct, 1.0) / 100.0) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * a / (17.62 - a)
