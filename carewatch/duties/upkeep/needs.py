"""Which parts the open findings of a machine take, what they cost, and where a whole body is the better buy."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations
from typing import NamedTuple

from carewatch.duties.upkeep.decisions import Verdict, verdict_on
from carewatch.logbook.bodies import Bodies
from carewatch.logbook.coverage import Spot, section_of
from carewatch.logbook.findings import Decision
from carewatch.logbook.fitted import revision_spots
from carewatch.roster.model import Fleet, Machine
from carewatch.roster.parts import OF_THE_BODY, Part, PartKind, Revision

MOST_TOGETHER = 3  # chosen: more than three different parts at one valve is a new body or a new valve
BODY_SHARE = 1.0  # chosen: parts for as much as a body costs, and the body is new all through


class Fitting(NamedTuple):
    """A part that goes in at a place; `side` None: it belongs to the body."""

    part: Part
    side: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyNeed:
    """What one position takes: its verdicts, the parts if it is mended, and whether a new body is advised instead.

    `fittings`: what to take as advised. `mend_cost`, `body_cost`: of both ways in the fleet's currency; None: a price
    is missing, or it cannot be mended with parts that are sold. `why_body`: why a new body is advised (empty: it is
    not). `not_in_list`: kinds of part it takes that are not in the parts list.
    """

    position: int
    section: int
    verdicts: tuple[Verdict, ...]
    fittings: tuple[Fitting, ...]
    mend_cost: float | None
    body_cost: float | None
    why_body: str = ""
    not_in_list: frozenset[PartKind] = frozenset()

    @property
    def is_body(self) -> bool:
        """Whether a new body is advised."""
        return bool(self.why_body)

    @property
    def takes_parts(self) -> bool:
        """Whether anything is to be put in."""
        return bool(self.fittings) or bool(self.not_in_list)


class PickLine(NamedTuple):
    """So many of a part, and where they go."""

    part: Part
    quantity: int
    spots: tuple[tuple[int, str | None], ...]

    @property
    def cost(self) -> float | None:
        """Of the line; None without a price."""
        return None if self.part.price is None else round(self.quantity * self.part.price, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Retrofit:
    """A revision that shall be fitted and is not everywhere. `spots`: where it is left to do."""

    revision: Revision
    spots: tuple[Spot, ...]
    part: Part | None
    is_paid_by_other: bool

    @property
    def quantity(self) -> int:
        """How many pieces."""
        return len(self.spots)

    @property
    def cost(self) -> float | None:
        """For the fleet: nothing while somebody else pays; None without a price."""
        if self.is_paid_by_other:
            return 0.0
        return None if self.part is None or self.part.price is None else round(self.quantity * self.part.price, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What a machine takes. Costs are in the fleet's currency; None: a price is missing.

    `cost`: as advised. `mend_cost`: everything mended with parts. `bodies_cost`: every position that takes parts gets a
    new body. `missing`: kinds of part nobody can pick, because no body is in the parts list either.
    """

    bodies: tuple[BodyNeed, ...] = ()
    lines: tuple[PickLine, ...] = ()
    retrofits: tuple[Retrofit, ...] = ()
    cost: float | None = 0.0
    mend_cost: float | None = 0.0
    bodies_cost: float | None = 0.0
    missing: tuple[PartKind, ...] = ()


def needs_of(machine: Machine, fleet: Fleet, bodies: Bodies, *, on: date) -> Needs:
    """The pick list of one machine.

    Parameters
    ----------
    machine, fleet : Machine, Fleet
        The machine, and the fleet's parts, prices and revisions.
    bodies : Bodies
        What is open and what is fitted.
    on : date
        The local day that decides whether somebody else still pays a retrofit.

    Returns
    -------
    Needs

    Notes
    -----
    A valve takes the cheapest set of sold parts that renews everything it needs; what is not sold alone leads to a new
    body, and so does a set that costs as much as one (BODY_SHARE).
    """
    found = tuple(_body_need(machine, fleet, position, bodies) for position in _positions(bodies))
    takes = [need for need in found if need.takes_parts]
    lines = pick_lines([(need.position, fitting) for need in found for fitting in need.fittings])
    missing = sorted({kind for need in found for kind in need.not_in_list})
    return Needs(
        bodies=found,
        lines=lines,
        retrofits=_retrofits(machine, fleet, bodies, on),
        cost=None if missing else total(line.cost for line in lines),
        mend_cost=total(need.mend_cost for need in takes),
        bodies_cost=total(need.body_cost for need in takes),
        missing=tuple(missing),
    )


def total(costs: Iterable[float | None]) -> float | None:
    """Their sum; None if one of them is not known."""
    known = list(costs)
    return None if any(cost is None for cost in known) else round(sum(cost for cost in known if cost is not None), 2)


def _positions(bodies: Bodies) -> list[int]:
    return sorted({one.position for one in bodies.troubles if one.finding is not None and one.position is not None})


def _body_need(machine: Machine, fleet: Fleet, position: int, bodies: Bodies) -> BodyNeed:
    verdicts = tuple(verdict_on(one) for one in bodies.at_position(position) if one.finding is not None)
    body = _cheapest_body(fleet)
    body_cost = body.price if body is not None else None
    wanted = _wanted(verdicts, machine)
    mended = _mended(wanted, fleet)
    mend_cost = total(one.part.price for one in mended) if mended is not None else None
    why = _why_body(verdicts, mended, mend_cost, body_cost) if wanted else ""
    fittings = mended or ()
    if why:
        fittings = (Fitting(body, None),) if body is not None else ()
    return BodyNeed(
        position=position,
        section=section_of(machine, position),
        verdicts=verdicts,
        fittings=fittings,
        mend_cost=mend_cost,
        body_cost=body_cost,
        why_body=why,
        not_in_list=frozenset({PartKind.BODY}) if why and body is None else frozenset(),
    )


def _cheapest_body(fleet: Fleet) -> Part | None:
    bodies = [part for part in fleet.parts if part.is_sold and PartKind.BODY in part.replaces]
    return min(bodies, key=lambda part: (part.price is None, part.price or 0.0, part.id), default=None)


def _wanted(verdicts: Sequence[Verdict], machine: Machine) -> dict[str | None, frozenset[PartKind]]:
    """Kinds of part by valve side; None: what belongs to the body."""
    found: dict[str | None, frozenset[PartKind]] = {}
    for verdict in verdicts:
        sides = sorted({side for _, side in verdict.trouble.spots}, key=machine.side_keys.index)
        for kind in verdict.parts:
            for side in [None] if kind in OF_THE_BODY else sides:
                found[side] = found.get(side, frozenset()) | {kind}
    return found


def _mended(wanted: dict[str | None, frozenset[PartKind]], fleet: Fleet) -> tuple[Fitting, ...] | None:
    """The cheapest parts for all sides; None if something is not sold alone, or only a body will do."""
    found: list[Fitting] = []
    for side, kinds in wanted.items():
        parts = _cheapest_set(kinds, side, fleet)
        if parts is None:
            return None
        found += [Fitting(part, side) for part in parts]
    return tuple(found)


def _cheapest_set(kinds: frozenset[PartKind], side: str | None, fleet: Fleet) -> tuple[Part, ...] | None:
    if PartKind.BODY in kinds:
        return None
    usable = [
        part for part in fleet.parts
        if part.is_sold and part.fits(side) and part.replaces & kinds and PartKind.BODY not in part.replaces
    ]  # fmt: skip
    sets = [
        chosen
        for size in range(1, MOST_TOGETHER + 1)
        for chosen in combinations(usable, size)
        if kinds <= frozenset().union(*(part.replaces for part in chosen))
    ]
    return min(sets, key=_price_order, default=None)


def _price_order(parts: Sequence[Part]) -> tuple[int, float, int, tuple[str, ...]]:
    """Fewest without a price, cheapest, fewest."""
    unknown = sum(part.price is None for part in parts)
    return (unknown, sum(part.price or 0.0 for part in parts), len(parts), tuple(part.id for part in parts))


def _why_body(
    verdicts: Sequence[Verdict],
    mended: tuple[Fitting, ...] | None,
    mend_cost: float | None,
    body_cost: float | None,
) -> str:
    """Why a new body is advised; empty: it is not."""
    for verdict in verdicts:
        if PartKind.BODY in verdict.parts or verdict.decision is Decision.REPLACE_BODY:
            return verdict.because
    if mended is None:
        return "a part it takes is not sold alone"
    if mend_cost is not None and body_cost is not None and mend_cost >= BODY_SHARE * body_cost:
        return f"its parts cost as much as a body ({mend_cost:.2f} to {body_cost:.2f})"
    return ""


def pick_lines(fittings: Iterable[tuple[int, Fitting]]) -> tuple[PickLine, ...]:
    """One line for each part, in the order of the first place it goes to."""
    found: dict[str, list[tuple[int, Fitting]]] = {}
    for position, fitting in fittings:
        found.setdefault(fitting.part.id, []).append((position, fitting))
    return tuple(
        PickLine(
            part=places[0][1].part,
            quantity=len(places),
            spots=tuple((position, fitting.side) for position, fitting in places),
        )
        for places in found.values()
    )


def _retrofits(machine: Machine, fleet: Fleet, bodies: Bodies, on: date) -> tuple[Retrofit, ...]:
    found = []
    for revision in fleet.revisions:
        if revision.retrofit and revision.is_for(machine.id):
            left = revision_spots(revision, machine) - bodies.fitted.get(revision.id, frozenset())
            part = next((part for part in fleet.parts if part.id == revision.part), None)
            if left:
                found.append(
                    Retrofit(
                        revision=revision,
                        spots=tuple(sorted(left, key=lambda spot: (spot[0], machine.side_keys.index(spot[1])))),
                        part=part,
                        is_paid_by_other=revision.is_paid_on(on),
                    )
                )
    return tuple(found)


# ---------------------------------------------------------------- spares


class RestockLine(NamedTuple):
    """What to buy of a part: what the pick list takes and what the machine should carry, less what lies there.

    `on_hand` None: never counted, so it counts as none. `buy` in whole packs.
    """

    part: Part
    on_hand: int | None
    least: int
    needed: int
    buy: int
    is_overdrawn: bool

    @property
    def cost(self) -> float | None:
        """Of what is bought; None without a price."""
        return None if self.part.price is None else round(self.buy * self.part.price, 2)


def restock_list(machine: Machine, fleet: Fleet, bodies: Bodies, needs: Needs) -> tuple[RestockLine, ...]:
    """Every sold part that is kept, needed or lies on the shelf; `buy` 0: there is enough."""
    needed = {line.part.id: line.quantity for line in needs.lines}
    lines = []
    for part in fleet.parts:
        stock, least, wanted = bodies.stock.get(part.id), part.least_at(machine.id), needed.get(part.id, 0)
        if not part.is_sold or (stock is None and not least and not wanted):
            continue
        short = max(0, wanted + least - (stock.on_hand if stock is not None else 0))
        lines.append(
            RestockLine(
                part=part,
                on_hand=None if stock is None else stock.on_hand,
                least=least,
                needed=wanted,
                buy=-(-short // part.pack_of) * part.pack_of,
                is_overdrawn=stock is not None and stock.is_overdrawn,
            )
        )
    return tuple(lines)
