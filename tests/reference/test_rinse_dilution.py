"""The rinse arithmetic against worked figures and an integration of the mixing equation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from carewatch.duties.flushing import CHANGEOVER_TARGET_FRACTION, left_fraction, water_for


def test_one_rinse_of_300_to_1_leaves_0_33_percent() -> None:
    # bfksolutions.com/exponential-rinsing/: one 300 gal rinse, 99.67 % effective, leaves 0.33 % (written to 0.01 %)
    assert left_fraction(held_l=1.0, water_l=300.0, passes=1) == pytest.approx(0.0033, abs=0.00005)


def test_three_rinses_of_100_leave_1_ppm_for_the_same_water() -> None:
    # same page: the same water as three rinses leaves 1 % x 1 % x 1 % = 1 ppm (each figure written as whole 1 %)
    assert left_fraction(held_l=1.0, water_l=300.0, passes=3) == pytest.approx(1e-6, rel=0.05)


def test_a_caulk_rag_rinsed_once_and_wrung_is_a_rinse_too() -> None:
    # mikefay.info "The Power Of Dilution": 40.2 g held of 696 g added and held in all, 5.78 % left (written to 0.01 %)
    assert left_fraction(held_l=40.2, water_l=696.0 - 40.2, passes=1) == pytest.approx(0.0578, abs=0.00005)


@pytest.mark.parametrize("ratio", [1.0, 3.0, 6.0])
def test_very_many_rinses_become_a_rinse_that_never_stops(ratio: float) -> None:
    # scipy solve_ivp of a stirred volume with clean inflow: dc/dv = -c/R, the limit of many small rinses
    stirred = solve_ivp(lambda _, c: -c, (0.0, ratio), [1.0], rtol=1e-10, atol=1e-12).y[0, -1]
    many = left_fraction(held_l=50.0, water_l=50.0 * ratio, passes=1_000_000)
    assert many == pytest.approx(stirred, rel=1e-4)
    assert left_fraction(held_l=50.0, water_l=50.0 * ratio, passes=3) > stirred


@pytest.mark.parametrize("rinses", [1, 2, 3, 5])
def test_rinses_one_after_the_other_agree_with_a_mass_balance(rinses: int) -> None:
    # analytic: litres of product followed through fill, mix, drain
    held_l, water_l, product_l = 12.0, 240.0, 12.0
    for _ in range(rinses):
        volume_l = held_l + water_l / rinses
        product_l *= held_l / volume_l
    assert left_fraction(held_l=held_l, water_l=water_l, passes=rinses) == pytest.approx(product_l / 12.0, rel=1e-12)


@pytest.mark.parametrize(("rinses", "polynomial"), [(1, [1, -299]), (2, [1, 2, -299]), (3, [1, 3, 3, -299])])
def test_the_water_of_a_changeover_solves_the_dilution_equation(rinses: int, polynomial: list[float]) -> None:
    # numpy root finding of (1 + x)^n = 300 with x litres per litre held and rinse; factor 300: ISO 16119-4:2014
    x = max(np.roots(polynomial).real)
    assert water_for(held_l=1.0, passes=rinses, target=CHANGEOVER_TARGET_FRACTION) == pytest.approx(rinses * x)
