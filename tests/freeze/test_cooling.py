"""The cooling calculator."""

from __future__ import annotations

import pytest

from carewatch.errors import BadInput
from carewatch.fluids.naming import liquid_named
from carewatch.freeze.cooling import MATERIALS, cooling
from carewatch.freeze.parts import DEFAULTS


@pytest.mark.parametrize("part", ["valve", "valve.front", *DEFAULTS])
def test_every_part_cools(part):
    found = cooling(part=part, start_c=5.0, air_c=-10.0, hours=30.0)
    assert found.hours_to_freezing_point is not None
    assert found.lowest_c <= 0.0
    assert found.freezes_at_c == 0.0


@pytest.mark.parametrize("material", MATERIALS)
def test_an_own_pipe_cools_and_insulation_slows_it(material):
    pipe = {"inner_mm": 22.0, "wall_mm": 1.5, "material": material, "start_c": 5.0, "air_c": -5.0, "hours": 20.0}
    bare = cooling(**pipe)
    wrapped = cooling(**pipe, insulation_mm=20.0)
    assert bare.hours_to_freezing_point < wrapped.hours_to_freezing_point
    assert bare.hours_to_ice_20 < bare.hours_to_ice_100


def test_what_is_not_reached_is_null():
    found = cooling(part="valve", start_c=10.0, air_c=5.0, sky="none")
    assert (found.hours_to_freezing_point, found.hours_to_ice_20, found.hours_to_ice_100) == (None, None, None)
    assert found.lowest_c == pytest.approx(5.0, abs=0.01)
    short = cooling(part="valve", start_c=10.0, air_c=-5.0, hours=0.1)
    assert short.hours_to_freezing_point is None


def test_a_clear_sky_freezes_what_cloud_does_not():
    calm = {"part": "valve", "start_c": 8.0, "air_c": 1.0, "wind_mps": 1.0, "hours": 12.0}
    assert cooling(**calm, sky="clear").hours_to_freezing_point is not None
    assert cooling(**calm, sky="overcast").hours_to_freezing_point is None


def test_dry_air_makes_a_colder_sky():
    calm = {"part": "valve", "start_c": 3.0, "air_c": 1.0, "wind_mps": 1.0, "hours": 12.0}
    assert cooling(**calm, dew_c=-15.0).lowest_c < cooling(**calm, dew_c=0.9).lowest_c


def test_antifreeze_freezes_at_its_own_point():
    found = cooling(part="valve", start_c=5.0, air_c=-15.0, liquid=liquid_named("pg", 30.0))
    assert found.freezes_at_c == pytest.approx(-11.8, abs=0.01)
    assert found.hours_to_freezing_point is not None


def test_already_at_the_freezing_point_takes_no_time():
    assert cooling(part="valve", start_c=-1.0, air_c=-5.0).hours_to_freezing_point == 0.0


def test_a_film_replaces_wind_and_sky():
    film = {"part": "valve", "start_c": 8.0, "air_c": -5.0, "film_w_m2k": 20.0}
    assert cooling(**film, wind_mps=0.0, sky="clear") == cooling(**film, wind_mps=20.0, sky="overcast")


@pytest.mark.parametrize(
    "wrong",
    [
        {},
        {"part": "wing"},
        {"inner_mm": 20.0},
        {"inner_mm": 20.0, "wall_mm": 0.0},
        {"inner_mm": 20.0, "wall_mm": 2.0, "material": "wood"},
        {"part": "valve", "hours": 0.0},
        {"part": "valve", "hours": float("nan")},
        {"part": "valve", "wind_mps": -1.0},
        {"part": "valve", "film_w_m2k": 0.0},
        {"part": "valve", "sky": "starry"},
        {"part": "valve", "air_c": -200.0},
        {"part": "valve", "start_c": float("nan")},
        {"part": "valve", "dew_c": float("nan")},
    ],
)
def test_impossible_values_are_refused(wrong):
    with pytest.raises(BadInput):
        cooling(**({"start_c": 5.0, "air_c": -5.0} | wrong))
