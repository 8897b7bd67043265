"""What tests of several rooms share: every engine of the heat balance, for what must hold for each of them."""

from __future__ import annotations

import pytest

from carewatch.freeze.engines import NAMES, engine_named, has_numba

EVERY_ENGINE = [
    pytest.param(
        name, marks=pytest.mark.skipif(name == "numba" and not has_numba(), reason="the extra [fast] is not installed")
    )
    for name in NAMES
]


@pytest.fixture(scope="module", params=EVERY_ENGINE)
def kernel(request):
    """One engine after the other."""
    return engine_named(request.param)
