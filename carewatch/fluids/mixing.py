"""What is left of a liquid, and how strong it comes out, when it is pushed through a boom that still holds water.

F litres poured in, H litres held. Reality lies between plug flow and full mixing; dead legs do worse than both, so the
last nozzle is measured, never computed away.
"""

from __future__ import annotations

from math import exp, log

from carewatch.errors import BadInput


def full_mixing_vol_pct(stock_vol_pct: float, *, poured_l: float, held_l: float) -> float:
    """Strength [vol %] at the last nozzle with full mixing: v0 (1 - exp(-F/H)), mass balance of a stirred volume."""
    _check(poured_l, held_l)
    if held_l == 0.0:
        return stock_vol_pct if poured_l > 0.0 else 0.0
    return stock_vol_pct * (1.0 - exp(-poured_l / held_l))


def plug_flow_vol_pct(stock_vol_pct: float, *, poured_l: float, held_l: float) -> float:
    """Strength [vol %] at the last nozzle with plug flow: nothing until the held volume is out, then the full stock."""
    _check(poured_l, held_l)
    return stock_vol_pct if poured_l > 0.0 and poured_l >= held_l else 0.0


def residual_mixing_vol_pct(stock_vol_pct: float, *, poured_l: float, held_l: float) -> float:
    """Strength [vol %] when what was poured in and what was held end up as one mixture: v F/(F + H)."""
    _check(poured_l, held_l)
    return stock_vol_pct * poured_l / (poured_l + held_l) if poured_l > 0.0 else 0.0


def litres_for_full_mixing(stock_vol_pct: float, *, target_vol_pct: float, held_l: float) -> float:
    """Litres to pour in until full mixing reaches the target; BadInput if the stock is not stronger than it."""
    _check(0.0, held_l)
    if target_vol_pct <= 0.0:
        return 0.0
    if target_vol_pct >= stock_vol_pct:
        raise BadInput(
            f"Fluid of {stock_vol_pct:g} vol % never reaches {target_vol_pct:g} vol % in a boom that held water; "
            "take a stronger one."
        )
    return -held_l * log(1.0 - target_vol_pct / stock_vol_pct)


def left_fraction(*, poured_l: float, held_l: float, passes: int) -> float:
    """Share of the old liquid left after splitting the water over some fill-and-empty passes: (H/(H + F/n))^n."""
    _check(poured_l, held_l)
    if passes < 1:
        raise BadInput(f"{passes} passes are not possible; write 1 or more.")
    if held_l == 0.0:
        return 0.0
    return (held_l / (held_l + poured_l / passes)) ** passes


def _check(poured_l: float, held_l: float) -> None:
    if not (poured_l >= 0.0 and held_l >= 0.0):
        raise BadInput(f"Litres must be 0 or more (poured {poured_l:g}, held {held_l:g}).")
