"""The course of one night: the margin is what its words say, and the same as the outlook's."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from carewatch.errors import BadInput
from carewatch.fluids.liquid import WATER
from carewatch.freeze.assess import assess
from carewatch.freeze.cooling import described_part
from carewatch.freeze.course import Weather, course, typical_night
from carewatch.freeze.parts import BOOM_PIPE, TANK, VALVE
from carewatch.roster.model import PlaceKind
from tests.freeze.farm import NOW, case

HOUR = timedelta(hours=1)


def night(low_c: float, **more) -> Weather:
    return typical_night(**{"low_c": low_c, "wind_mps": 1.5, "cloud_fraction": 0.0, **more})


def warmer(weather: Weather, by_c: float) -> Weather:
    return replace(weather, air_c=weather.air_c + by_c, dew_c=weather.dew_c + by_c)


@pytest.mark.parametrize("low_c", [-3.0, 0.0, 1.0, 3.0, 6.0])
@pytest.mark.parametrize("part", [VALVE, BOOM_PIPE])
def test_it_freezes_just_when_the_night_turns_out_as_much_warmer_as_the_margin_says(part, low_c):
    """The definition of the margin, on runs of their own: the shifted night itself makes ice or none."""
    weather = night(low_c)
    margin_c = course(part, weather).margin_c
    assert course(part, warmer(weather, margin_c - 0.15)).first_ice_h is not None
    assert course(part, warmer(weather, margin_c + 0.15)).first_ice_h is None


def test_its_margin_is_that_of_the_outlook_of_the_same_night():
    one = case(1.0, nights=1)
    (outlook,) = assess([one], now=NOW)[0]
    (valve,) = [part for part in outlook.parts if part.part == "valve.front"]
    first = (one.weather.nights[0].night.start_at - one.weather.start_at) // HOUR
    span = slice(first, first + 25)
    weather = Weather(
        air_c=one.weather.air_c[span],
        dew_c=one.weather.dew_c[span],
        wind_mps=one.weather.wind_mps[span],
        cloud_fraction=one.weather.cloud_fraction[span],
    )
    found = course(described_part(part="valve", liquid=WATER), weather)
    assert found.margin_c == pytest.approx(valve.margin_c, abs=0.05)


def test_a_typical_night_has_its_high_at_three_and_its_low_at_six():
    weather = night(2.0, high_c=12.0)
    assert (weather.air_c[3], weather.air_c[18]) == pytest.approx((12.0, 2.0))
    assert weather.air_c.min() == pytest.approx(2.0)
    assert np.all(weather.dew_c <= weather.air_c)


def test_cloud_roof_and_shed_help_in_that_measure_the_table_of_nights_shows():
    """Signs only: tests/reference/test_freeze_sensitivity.py has the sizes."""
    clear, cloudy = course(VALVE, night(1.0)), course(VALVE, night(1.0, cloud_fraction=1.0))
    roofed, shed = (course(VALVE, night(1.0), place=kind) for kind in (PlaceKind.OPEN_ROOF, PlaceKind.UNHEATED_SHED))
    assert clear.margin_c > cloudy.margin_c > shed.margin_c
    assert clear.margin_c > roofed.margin_c
    hollow = course(VALVE, night(1.0), colder_c=2.0)
    assert hollow.margin_c == pytest.approx(clear.margin_c + 2.0, abs=0.1)


def test_no_night_freezes_it_in_a_heated_shop():
    found = course(VALVE, night(-10.0), place=PlaceKind.HEATED_SHOP)
    assert (found.margin_c, found.chance, found.first_ice_h) == (None, 0.0, None)


def test_a_big_tank_is_later_and_less():
    assert course(TANK, night(-1.0)).margin_c < course(VALVE, night(-1.0)).margin_c


@pytest.mark.parametrize(
    "wrong", [{"high_c": -1.0}, {"low_c": -90.0}, {"wind_mps": -1.0}, {"cloud_fraction": 3.0}, {"low_c": float("nan")}]
)
def test_what_cannot_be_is_refused(wrong):
    with pytest.raises(BadInput):
        night(**{"low_c": 1.0, **wrong})


def test_a_night_without_air_is_refused():
    nothing = np.full(25, np.nan)
    with pytest.raises(BadInput, match="no air temperature"):
        course(VALVE, Weather(air_c=nothing, dew_c=nothing, wind_mps=nothing, cloud_fraction=nothing))
