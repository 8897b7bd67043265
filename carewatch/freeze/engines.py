"""The engines of the heat balance, by name; the compiled one is looked for only when it is wanted."""

from __future__ import annotations

from importlib.util import find_spec

from carewatch.errors import BadInput
from carewatch.freeze.kernel import Kernel, run_numpy

NUMPY, NUMBA = "numpy", "numba"
NAMES = (NUMPY, NUMBA)


def fastest() -> Kernel:
    """The compiled engine where the extra `[fast]` is installed, else numpy."""
    return engine_named(NUMBA if has_numba() else NUMPY)


def has_numba() -> bool:
    """Whether the compiled engine can be loaded; loads nothing."""
    return find_spec("numba") is not None


def engine_named(name: str) -> Kernel:
    """The engine of that name; raises BadInput if there is none or its extra is not installed."""
    if name == NUMPY:
        return run_numpy
    if name != NUMBA:
        raise BadInput(f"{name!r} is no engine of the heat balance. Use one of: {', '.join(NAMES)}.")
    if not has_numba():
        raise BadInput("The engine numba needs the extra [fast]: pip install 'carewatch[fast]'.")
    from carewatch.freeze.kernel_numba import run_numba

    return run_numba
