"""Laws of the heat balance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.freeze import kernel as engine
from carewatch.freeze.kernel import Forcing, Load, Run, run_numpy
from carewatch.freeze.parts import BOOM_PIPE, HAND_WASH_TANK, HOPPER, HOSES, METER, PUMP, TANK, VALVE, Part, stack

ALL = (VALVE, BOOM_PIPE, HOSES, PUMP, METER, HOPPER, TANK, HAND_WASH_TANK)
HOURS = 14


def night(parts: tuple[Part, ...], air_c: np.ndarray, **changes) -> Load:
    marks = (air_c.shape[0], len(parts))
    values = {
        "dew_c": air_c[:, None] - 3.0,
        "wind_mps": 1.0,
        "cloud_fraction": 0.2,
        "ground_below_air_c": 0.0,
        "sky_open": 1.0,
        "is_wet": 0.0,
    }
    own = {name: changes.pop(name) for name in list(changes) if name in values}
    arrays = stack(parts)
    figures = {
        "parts": arrays,
        "forcing": Forcing(
            air_c=np.broadcast_to(air_c[:, None], marks).copy(),
            **{name: np.broadcast_to(np.asarray(value, float), marks).copy() for name, value in (values | own).items()},
        ),
        "start_j": arrays.enthalpy_j(np.full(len(parts), max(air_c[0], 0.0))),
        "first_h": np.zeros(len(parts)),
        "last_h": np.full(len(parts), float(air_c.shape[0] - 1)),
    }
    return Load(**(figures | changes))


def falling_c(low_c: float = -3.0, hours: int = HOURS) -> np.ndarray:
    return 8.0 + (low_c - 8.0) * np.sin(np.linspace(0.0, 0.5 * np.pi, hours + 1))


def onsets(run: Run) -> np.ndarray:
    return np.where(np.isnan(run.onset_h), np.inf, run.onset_h)


@given(
    low_c=st.floats(min_value=-12.0, max_value=5.0),
    colder_c=st.floats(min_value=0.0, max_value=6.0),
    wind_mps=st.floats(min_value=0.1, max_value=8.0),
    cloud=st.floats(min_value=0.0, max_value=1.0),
)
@settings(max_examples=25, deadline=None)
def test_colder_air_is_never_later_or_less_ice(kernel, low_c, colder_c, wind_mps, cloud):
    weather = {"wind_mps": wind_mps, "cloud_fraction": cloud}
    warm_load = night(ALL, falling_c(low_c), **weather)
    cold_load = replace(warm_load, forcing=warm_load.forcing.shifted(np.full(len(ALL), -colder_c)))
    warm, cold = kernel(warm_load), kernel(cold_load)
    assert np.all(onsets(cold) <= onsets(warm) + 1e-6)
    assert np.all(cold.ice_fraction >= warm.ice_fraction - 1e-9)
    assert np.all(cold.part_c <= warm.part_c + 1e-9)


def test_a_part_never_passes_what_pulls_it(kernel):
    load = night(ALL, np.full(60, -6.0), cloud_fraction=1.0, sky_open=0.0)
    run = kernel(load)
    assert np.all(run.part_c >= -6.0 - 1e-9)
    thawing = replace(load, forcing=load.forcing.shifted(np.full(len(ALL), 9.0)), start_j=run.end_j)
    assert np.all(kernel(thawing).part_c <= 3.0 + 1e-9)


def test_water_and_ice_stay_at_the_freezing_point_until_all_is_ice(kernel):
    run = kernel(night(ALL, falling_c()))
    between = (run.ice_fraction > 0.0) & (run.ice_fraction < 1.0)
    assert between.any()
    assert np.all(run.part_c[between] == 0.0)
    assert np.all(run.part_c[run.ice_fraction == 0.0] >= 0.0)


def test_ice_thaws_again(kernel):
    air_c = np.concatenate([np.full(10, -5.0), np.full(30, 10.0)])
    run = kernel(night((VALVE, BOOM_PIPE), air_c))
    assert np.all(run.ice_fraction[9] > 0.5)
    assert np.all(run.ice_fraction[-1] == 0.0)
    assert np.all(run.part_c[-1] > 5.0)


def test_a_lower_freezing_point_is_reached_later(kernel):
    parts = tuple(replace(VALVE, freezes_at_c=point) for point in (0.0, -1.0, -2.0, -9.0))
    found = onsets(kernel(night(parts, falling_c(-5.0))))
    assert np.all(np.diff(found) > 0.0)
    assert np.isinf(found[-1])


def test_onset_lies_between_the_marks_that_show_it(kernel):
    run = kernel(night(ALL, falling_c()))
    for j, onset_h in enumerate(run.onset_h):
        if not np.isnan(onset_h):
            assert run.ice_fraction[int(np.floor(onset_h)), j] == 0.0
            assert run.ice_fraction[int(np.ceil(onset_h)), j] >= 0.0


def test_liquid_at_its_freezing_point_in_cold_air_freezes_at_once(kernel):
    run = kernel(night((VALVE,), np.full(5, -2.0)))
    assert run.onset_h[0] == 0.0


def test_a_column_rests_outside_its_span(kernel):
    load = night((VALVE, VALVE), np.full(11, -4.0), start_j=np.array([500.0, 500.0]))
    load = replace(load, first_h=np.array([0.0, 4.0]), last_h=np.array([10.0, 6.0]))
    run = kernel(load)
    assert run.part_c[4, 1] == run.part_c[0, 1]
    assert run.onset_h[1] == pytest.approx(run.onset_h[0] + 4.0, abs=1e-9)
    assert run.ice_fraction[6, 1] == run.ice_fraction[10, 1]


def test_parts_do_not_disturb_each_other(kernel):
    together = kernel(night(ALL, falling_c()))
    for j, part in enumerate(ALL):
        alone = kernel(night((part,), falling_c()))
        assert alone.end_j[0] == pytest.approx(together.end_j[j], rel=1e-12)


def test_splitting_a_long_batch_or_a_long_time_changes_nothing(monkeypatch):
    load = night(ALL, falling_c(hours=30), is_wet=0.5)
    whole = run_numpy(load, levels=(0.1, 0.9))
    monkeypatch.setattr(engine, "CHUNK", 3)
    monkeypatch.setattr(engine, "BLOCK_CELLS", 90)
    split = run_numpy(load, levels=(0.1, 0.9))
    for name in Run.__slots__:
        assert np.allclose(getattr(whole, name), getattr(split, name), equal_nan=True, rtol=1e-12)


def test_evaporation_cools_and_condensation_does_not_warm(kernel):
    dry, wet = (kernel(night(ALL, np.full(20, 3.0), is_wet=wet)) for wet in (0.0, 1.0))
    assert np.all(wet.part_c[1:] <= dry.part_c[1:] + 1e-9)
    assert np.all(wet.part_c[1] < dry.part_c[1])
    moist = {"dew_c": np.full((20, 1), 2.0), "cloud_fraction": 0.0}
    dry, wet = (kernel(night((VALVE,), np.full(20, 2.0), is_wet=wet, **moist)) for wet in (0.0, 1.0))
    assert np.all(wet.part_c <= dry.part_c + 1e-9)


def test_a_closed_sky_is_warmer_and_cold_ground_colder(kernel):
    open_sky = kernel(night((VALVE,), np.full(20, 2.0)))
    roof = kernel(night((VALVE,), np.full(20, 2.0), sky_open=0.0))
    cold_ground = kernel(night((VALVE,), np.full(20, 2.0), ground_below_air_c=2.0))
    assert roof.part_c[-1, 0] == pytest.approx(2.0, abs=1e-3)
    assert cold_ground.part_c[-1, 0] < open_sky.part_c[-1, 0] < roof.part_c[-1, 0]


def test_a_tank_cools_from_its_skin_below_4_c(kernel):
    stirred = replace(TANK, skin_share=1.0)
    found = kernel(
        night((TANK, stirred), np.full(40, -5.0), start_j=stack((TANK, stirred)).enthalpy_j(np.full(2, 6.0)))
    )
    assert found.onset_h[0] < found.onset_h[1]
    assert np.all(found.ice_fraction[-1] < 0.5)


def test_liquid_that_never_freezes_tells_when_ice_would_form(kernel):
    load = night(ALL, falling_c(-0.5))
    real = kernel(load)
    liquid = kernel(load, never_freezes=True)
    assert np.array_equal(~np.isnan(real.onset_h), liquid.lowest_c < 0.0)
    without_latent_heat = kernel(replace(load, parts=load.parts.never_freezing()))
    assert liquid.lowest_c == pytest.approx(without_latent_heat.lowest_c, abs=1e-9)
    assert liquid.end_j == pytest.approx(without_latent_heat.end_j, rel=1e-9)


def test_levels_come_in_order(kernel):
    run = kernel(night((VALVE, BOOM_PIPE), np.full(40, -8.0)), levels=(0.1, 0.5, 1.0))
    assert np.all(np.diff(run.level_h, axis=0) > 0.0)
    assert np.all(run.level_h[0] > run.onset_h)
