"""How much goes through a nozzle, and how long one valve side must run.

Every figure is for 100 % duty (valve open all the time): that is how a boom is flushed.
"""

from __future__ import annotations

import math
import re

from carewatch.errors import BadInput

# ISO 10625 ties a size code to a colour and a nominal flow at 300 kPa; its scope page was read, its table was not.
# The figure is that of a published table of the codes at 2 bar (01 0.33, 04 1.31, 08 2.61 L/min;
# royalbrinkman.com/knowledge-center/mechanical-equipment/nozzle-coding), which is 0.4 L/min a step at 3 bar. The US
# reading of a code, "04 means 0.4 US gallons of water per minute at 40 psi" (sprayers101.com/nozzle-chart-twist),
# is 1.3 % lower.
FLOW_PER_SIZE_STEP_L_PER_MIN = 0.4
NOMINAL_PRESSURE_KPA = 300.0
# chosen: no boom nozzle is run above 20 bar; a larger number is a slip of the unit (Pa, or bar x 1000)
HIGHEST_PRESSURE_KPA = 2000.0

_SIZE_CODE = re.compile(r"0[1-9]5?|[1-9]\d")


def size_steps(size: str) -> float:
    """Read a size code.

    Parameters
    ----------
    size
        As stamped on the nozzle: `01`, `015`, `02`, `025`, ... `08`, `10`, `15`, `20`.

    Returns
    -------
    float
        Size in steps of a tenth of a US gallon per minute at 40 psi: `04` -> 4, `025` -> 2.5, `15` -> 15.

    Raises
    ------
    BadInput
        If the code is none of these.
    """
    code = size.strip()
    if not _SIZE_CODE.fullmatch(code):
        raise BadInput(
            f"Nozzle size {size!r} is no size code. Write it as stamped on the nozzle: 015, 02, 025, 04, 10."
        )
    return int(code) / 10.0 if len(code) == 3 else float(code)


def nozzle_flow_l_per_min(size: str, pressure_kpa: float) -> float:
    """Flow of one nozzle with its valve open all the time.

    Parameters
    ----------
    size
        Size code, see `size_steps`.
    pressure_kpa
        Pressure at the nozzle [kPa], above 0, at most 2000.

    Returns
    -------
    float
        Flow of water [L/min].

    Raises
    ------
    BadInput
        If the code or the pressure cannot be.

    Notes
    -----
    Flow of an orifice goes with the square root of the pressure. Good to about 5 % for a new nozzle; a pulsed body
    loses some pressure in its valve, so the real flow is a little lower and the real time a little longer.
    """
    if not 0.0 < pressure_kpa <= HIGHEST_PRESSURE_KPA:
        raise BadInput(
            f"Nozzle pressure {pressure_kpa:g} kPa cannot be. "
            f"Write kilopascals above 0 and up to {HIGHEST_PRESSURE_KPA:g} (3 bar are 300, 40 psi are 276)."
        )
    return FLOW_PER_SIZE_STEP_L_PER_MIN * size_steps(size) * math.sqrt(pressure_kpa / NOMINAL_PRESSURE_KPA)


def run_minutes(water_l: float, *, nozzles: int, flow_l_per_min: float) -> float:
    """Minutes until `water_l` has left through `nozzles` open nozzles of this flow [L/min each]."""
    if nozzles < 1:
        raise BadInput(f"{nozzles} nozzles cannot run. Write the number of nozzle bodies on the boom, 1 or more.")
    return water_l / (nozzles * flow_l_per_min)


def minutes_per_side(*, held_l: float, nozzles: int, size: str, pressure_kpa: float, passes: int) -> float:
    """How long one valve side must run so that the held volume goes through it `passes` times.

    Parameters
    ----------
    held_l
        Litres that stay in the boom plumbing, above 0 [L].
    nozzles
        Nozzle bodies on the boom; each has one valve of this side.
    size, pressure_kpa
        See `nozzle_flow_l_per_min`.
    passes
        How many times the held volume is pushed through, 1 or more.

    Returns
    -------
    float
        Minutes of one side at 100 % duty.

    Raises
    ------
    BadInput
        If a number cannot be.
    """
    if not held_l > 0.0:
        raise BadInput(f"Held volume {held_l:g} L cannot be. Write the litres that stay in the boom, above 0.")
    if passes < 1:
        raise BadInput(f"{passes} passes are none. Write 1 or more; 3 is usual.")
    flow_l_per_min = nozzle_flow_l_per_min(size, pressure_kpa)
    return run_minutes(passes * held_l, nozzles=nozzles, flow_l_per_min=flow_l_per_min)
