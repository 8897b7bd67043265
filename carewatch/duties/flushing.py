"""The numbers of a flush: clean water, passes, minutes per valve side, and what will be left.

A nightly flush gets the product out of both sides; a changeover makes the machine fit for another crop. They need
very different amounts of water.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from carewatch.duties.nozzles import nozzle_flow_l_per_min, run_minutes
from carewatch.errors import BadInput
from carewatch.fluids import mixing
from carewatch.roster.model import Machine

# Three rinses: Purdue Extension PPP-108 (as quoted by no-tillfarmer.com/articles/7574) and the Austrian chamber of
# agriculture (lko.at) ask for three; several small rinses beat one big one.
USUAL_PASSES = 3
# Published yardsticks at the nozzle: France 1 %, Denmark 2 % (sprayers101.com/continuous-rinsing-na/).
# Chosen: 2 % for the nightly flush, because the same kind of product goes on tomorrow.
NIGHTLY_TARGET_FRACTION = 0.02
# Most rinse tanks hold too little for 2 %. German plant-protection services ask that what cannot be drained is diluted
# at least 1:10 and sprayed on the treated area (isip.de, preparing equipment for winter; bwagrar.de). Chosen: a nightly
# flush that does not even reach that is short of water.
NIGHTLY_LIMIT_FRACTION = 0.10
# ISO 16119-4:2014 asks that cleaning lowers the concentration by a factor of 300 (tested as in ISO 22368-1); read in
# an extract of the standard.
CHANGEOVER_TARGET_FRACTION = 1.0 / 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FlushPlan:
    """The numbers of one flush of one machine.

    `water_l` is for all `sides` together and never more than the rinse tank holds; `needed_l` is what the target
    would take. `minutes_per_side` is the running time of each side at 100 % duty, over all passes. `left_fraction`
    is what will remain of the product with `water_l` (1.0: nothing was moved); `is_short`: more than may remain.
    """

    sides: tuple[str, ...]
    water_l: float
    needed_l: float
    passes: int
    minutes_per_side: float
    left_fraction: float
    target_fraction: float
    is_short: bool
    because: tuple[str, ...]


def left_fraction(*, held_l: float, water_l: float, passes: int) -> float:
    """Share of the product that is left after equal, fully mixed rinses.

    Parameters
    ----------
    held_l
        Litres that stay in the plumbing, above 0 [L].
    water_l
        Clean water over all rinses together, 0 or more [L].
    passes
        Number of equal rinses, 1 or more.

    Returns
    -------
    float
        Share left, above 0 to 1.

    Raises
    ------
    BadInput
        If a number cannot be.

    Notes
    -----
    left = (1 / (1 + (W/R)/n))^n for W litres of water in n rinses and R litres held: each rinse mixes with what is
    held and leaves the same volume behind. It speaks for the main line only: boom ends, filters and valves still held
    10 to 15 % of the first strength while the nozzles showed 1 to 2 % (sprayers101.com/continuous-rinsing-na/).
    """
    _check_held(held_l)
    _check_passes(passes)
    if not 0.0 <= water_l < math.inf:
        raise BadInput(f"{water_l:g} L of water cannot be. Write litres, 0 or more.")
    return float(mixing.left_fraction(poured_l=water_l, held_l=held_l, passes=passes))


def water_for(*, held_l: float, passes: int, target: float) -> float:
    """Clean water that lowers the product to `target`; the inverse of `left_fraction`.

    Parameters
    ----------
    held_l
        Litres that stay in the plumbing, above 0 [L].
    passes
        Number of equal rinses, 1 or more.
    target
        Share that may be left, above 0 and below 1.

    Returns
    -------
    float
        Water over all rinses together [L].

    Raises
    ------
    BadInput
        If a number cannot be.
    """
    _check_held(held_l)
    _check_passes(passes)
    if not 0.0 < target < 1.0:
        raise BadInput(f"A target of {target:g} cannot be. Write the share that may be left: 0.02 for 2 %.")
    return float(held_l * passes * (target ** (-1.0 / passes) - 1.0))


def flush_plan(machine: Machine, *, sides_needed: tuple[str, ...], for_changeover: bool = False) -> FlushPlan:
    """What to do with the clean water this machine carries.

    Parameters
    ----------
    machine
        Its held volume, rinse tank, nozzle size and pressure count.
    sides_needed
        Keys of the valve sides that still hold product; at least one.
    for_changeover
        True for the cleaning before another crop, False for the flush after a day of spraying.

    Returns
    -------
    FlushPlan
        Water within the rinse tank, shared evenly: short of water, every side runs shorter.

    Raises
    ------
    BadInput
        If no side is named, or one the machine does not have.

    Notes
    -----
    Chosen: a side missing from an earlier flush gets the same water as it would have had then, because its valves are
    dead legs that move only while that side is open.
    """
    sides = tuple(dict.fromkeys(sides_needed))
    _check_sides(machine, sides)
    target = CHANGEOVER_TARGET_FRACTION if for_changeover else NIGHTLY_TARGET_FRACTION
    limit = CHANGEOVER_TARGET_FRACTION if for_changeover else NIGHTLY_LIMIT_FRACTION
    share_l = machine.held_l * len(sides) / len(machine.sides)
    needed_l = water_for(held_l=share_l, passes=USUAL_PASSES, target=target)
    water_l = min(needed_l, machine.rinse_tank_l)
    left = left_fraction(held_l=share_l, water_l=water_l, passes=USUAL_PASSES)
    takes_all = water_l < needed_l
    is_short = takes_all and left > limit
    flow_l_per_min = nozzle_flow_l_per_min(machine.nozzle_size, machine.nozzle_pressure_kpa)
    return FlushPlan(
        sides=sides,
        water_l=water_l,
        needed_l=needed_l,
        passes=USUAL_PASSES,
        minutes_per_side=run_minutes(water_l / len(sides), nozzles=machine.positions, flow_l_per_min=flow_l_per_min),
        left_fraction=left,
        target_fraction=target,
        is_short=is_short,
        because=_because(machine, left=left, target=target, is_short=is_short, takes_all=takes_all),
    )


def _because(machine: Machine, *, left: float, target: float, is_short: bool, takes_all: bool) -> tuple[str, ...]:
    reasons = []
    if not machine.held_is_measured:
        reasons.append("The volume held in the boom is an estimate; measure it once.")
    if machine.rinse_tank_l <= 0.0:
        reasons.append("There is no rinse tank: bring clean water before it is parked.")
    elif takes_all:
        reasons.append(f"It takes the whole rinse tank and leaves about {left:.1%} (aim: {target:.1%}).")
        reasons.append("Run every side shorter, not one side long.")
    if is_short:
        reasons.append("Too little water: more than should stays in the boom. Flush again before another crop.")
    return tuple(reasons)


def _check_held(held_l: float) -> None:
    if not 0.0 < held_l < math.inf:
        raise BadInput(f"Held volume {held_l:g} L cannot be. Write the litres that stay in the boom, above 0.")


def _check_passes(passes: int) -> None:
    if passes < 1:
        raise BadInput(f"{passes} passes are none. Write 1 or more; 3 is usual.")


def _check_sides(machine: Machine, sides: tuple[str, ...]) -> None:
    known = ", ".join(machine.side_keys)
    if not sides:
        raise BadInput(f"No valve side is named for {machine.id}. Name at least one of: {known}.")
    for side in sides:
        if side not in machine.side_keys:
            raise BadInput(f"{machine.id} has no valve side {side!r}. Its sides are: {known}.")
