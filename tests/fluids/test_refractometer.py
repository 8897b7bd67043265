"""Reading a refractometer."""

from __future__ import annotations

import pytest

from carewatch.errors import BadInput
from carewatch.fluids.refractometer import REFRACTIVE_INDEX, propylene_glycol_mass_pct


def test_every_row_of_the_table_comes_back():
    found = [propylene_glycol_mass_pct(index) for index in REFRACTIVE_INDEX]
    assert found == pytest.approx([10.0 * row for row in range(11)])


@pytest.mark.parametrize("index", [1.33, 1.4317, float("nan")])
def test_what_is_no_mixture_is_refused(index):
    with pytest.raises(BadInput, match="25 °C"):
        propylene_glycol_mass_pct(index)
