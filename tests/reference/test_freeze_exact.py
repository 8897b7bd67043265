"""The kernel against the full nonlinear equations on measured nights.

Reference: scipy solve_ivp (LSODA, rtol 1e-8), equations written anew in exact.py. Weather: NREL TMY3 Greensboro, ARM
Lamont, NOAA SURFRAD (tests/data/weather/NIGHTS.md). Limits: no missed freeze, onset mean within 0.2 min and worst
within 5 min at 6 sub-steps; tests/bench/kernel_accuracy.py found -0.04 and 0.9 min on 81 nights x 5 parts.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from carewatch.freeze.exchange import Forcing
from carewatch.freeze.kernel import Kernel, Load, Run
from carewatch.freeze.parts import BOOM_PIPE, HOSES, PUMP, TANK, VALVE, Part, stack
from tests.reference.exact import Marks, Solution, solve
from tests.reference.measured_nights import greensboro, stations

PARTS = (VALVE, BOOM_PIPE, HOSES, PUMP, TANK)


def run(kernel: Kernel, parts: tuple[Part, ...], marks: Marks) -> Run:
    def columns(values: np.ndarray) -> np.ndarray:
        return np.repeat(values[:, None], len(parts), axis=1)

    arrays = stack(parts)
    start_c = np.full(len(parts), marks.air_c[0])
    load = Load(
        parts=arrays,
        forcing=Forcing(
            air_c=columns(marks.air_c),
            dew_c=columns(marks.dew_c),
            wind_mps=columns(marks.wind_mps),
            cloud_fraction=columns(marks.cloud),
            ground_below_air_c=columns(marks.ground_below_c),
            sky_open=columns(np.ones_like(marks.air_c)),
            is_wet=columns(marks.wet),
        ),
        start_j=arrays.enthalpy_j(np.maximum(start_c, arrays.freezes_at_c)),
        first_h=np.zeros(len(parts)),
        last_h=np.full(len(parts), float(marks.air_c.size - 1)),
    )
    return kernel(load)


@pytest.fixture(scope="module")
def solved() -> list[tuple[Marks, list[Solution]]]:
    return [
        (marks, [solve(part, marks, start_c=marks.air_c[0]) for part in PARTS])
        for marks in [*stations(), *greensboro()[::8]]
    ]


@pytest.fixture(scope="module")
def compared(kernel, solved) -> list[tuple[Run, int, Solution]]:
    found = []
    for marks, solutions in solved:
        ours = run(kernel, PARTS, marks)
        found += [(ours, j, exact) for j, exact in enumerate(solutions)]
    return found


def test_no_measured_freeze_is_missed(compared):
    freezes = [(ours.onset_h[j], exact.onset_h) for ours, j, exact in compared if not np.isnan(exact.onset_h)]
    assert len(freezes) >= 20
    assert not np.isnan([found for found, _ in freezes]).any()


def test_onset_is_within_minutes(compared):
    errors_min = [
        60.0 * (ours.onset_h[j] - exact.onset_h) for ours, j, exact in compared if not np.isnan(exact.onset_h)
    ]
    assert abs(np.mean(errors_min)) < 0.2
    assert np.abs(errors_min).max() < 5.0


def test_ice_and_temperature_follow_the_equations(compared):
    for ours, j, exact in compared:
        # the bench found ice within 0.001 and temperature within 0.008 K rms over all
        assert np.abs(ours.ice_fraction[:, j] - exact.ice_fraction).max() < 0.005
    squares = [np.mean((ours.part_c[:, j] - exact.part_c) ** 2) for ours, j, exact in compared]
    assert np.sqrt(np.mean(squares)) < 0.03


def test_heat_lost_is_the_heat_exchanged(compared):
    residuals = [abs(ours.end_j[j] - exact.end_j) / exact.exchanged_j for ours, j, exact in compared]
    assert np.median(residuals) < 1e-3


def test_a_wet_outside_cold_ground_and_glycol_follow_the_equations(kernel):
    marks = greensboro()[3]
    marks = replace(marks, wet=np.ones_like(marks.air_c), ground_below_c=np.full(marks.air_c.shape, 2.0))
    parts = (VALVE, replace(BOOM_PIPE, freezes_at_c=-3.0), TANK)
    ours = run(kernel, parts, marks)
    for j, part in enumerate(parts):
        exact = solve(part, marks, start_c=marks.air_c[0])
        assert np.isnan(ours.onset_h[j]) == np.isnan(exact.onset_h)
        if not np.isnan(exact.onset_h):
            assert 60.0 * abs(ours.onset_h[j] - exact.onset_h) < 5.0
        assert np.abs(ours.part_c[:, j] - exact.part_c).max() < 0.5
