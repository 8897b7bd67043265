"""Which bodies to open first, and how wear lies along the boom. Chosen on common practice, no published source."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import ceil

from carewatch.duties.upkeep.decisions import verdict_on
from carewatch.logbook.bodies import Bodies
from carewatch.logbook.coverage import Spot, positions_in, section_of
from carewatch.logbook.findings import WEARS, Decision
from carewatch.roster.model import Machine

SHARE = 0.2  # chosen: every fifth body, at least one of each section
OPEN_WEIGHT = 3  # chosen: what is worn now before what wore once
# Common practice, no published source: if more than 10 to 15 % of the bodies of a section fail, renew the section.
LOOK_AT_ALL_ABOVE = 0.10
RENEW_ALL_ABOVE = 0.15
TAKES_A_PART = frozenset({Decision.REPLACE_PART, Decision.REPLACE_BODY})


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSpot:
    """A body to open. `worn_days`: days on which wear showed there; `inspected_at`: the side looked at longest ago."""

    position: int
    section: int
    is_worn_now: bool
    worn_days: int
    inspected_at: datetime | None


def sample_plan(machine: Machine, bodies: Bodies) -> tuple[SampleSpot, ...]:
    """Bodies to look at, worst first.

    Those that are worn now, then those that wore most often; on a tie never looked at, then looked at longest ago,
    then nearest to a boom end (ends hold product longest). The worst of each section is always among them.
    """
    spots = [_spot(machine, bodies, position) for position in range(1, machine.positions + 1)]
    spots.sort(key=lambda spot: _order(spot, machine))
    number = max(len(machine.sections), ceil(SHARE * machine.positions))
    worst_of_section = {spot.section: spot.position for spot in reversed(spots)}
    must = frozenset(worst_of_section.values())
    others = [spot.position for spot in spots if spot.position not in must][: number - len(must)]
    return tuple(spot for spot in spots if spot.position in must.union(others))


def _order(spot: SampleSpot, machine: Machine) -> tuple[int, float, int, int]:
    looked_at = float("-inf") if spot.inspected_at is None else spot.inspected_at.timestamp()
    from_end = min(spot.position, machine.positions + 1 - spot.position)
    return (-(OPEN_WEIGHT * spot.is_worn_now + spot.worn_days), looked_at, from_end, spot.position)


def _spot(machine: Machine, bodies: Bodies, position: int) -> SampleSpot:
    looked = [bodies.inspected_at((position, side)) for side in machine.side_keys]
    known = [at for at in looked if at is not None]
    days = frozenset[object]().union(*(bodies.worn_on.get((position, side), ()) for side in machine.side_keys))
    return SampleSpot(
        position=position,
        section=section_of(machine, position),
        is_worn_now=any(one.what in WEARS for one in bodies.at_position(position)),
        worn_days=len(days),
        inspected_at=min(known) if len(known) == len(looked) else None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionWear:
    """One side of one section: bodies looked at and worn at their last inspection, and at the one before."""

    section: int
    side: str
    looked: int
    worn: int
    looked_before: int
    worn_before: int

    @property
    def share(self) -> float | None:
        """Share worn at the last inspection; None: never looked at."""
        return self.worn / self.looked if self.looked else None

    @property
    def change(self) -> float | None:
        """By how much the share grew since the inspection before; None: there was none."""
        if self.share is None or not self.looked_before:
            return None
        return self.share - self.worn_before / self.looked_before


def wear_along_boom(machine: Machine, bodies: Bodies) -> tuple[SectionWear, ...]:
    """Wear of every section and side, from the left."""
    return tuple(
        _section_wear(machine, bodies, section, side)
        for section in range(1, len(machine.sections) + 1)
        for side in machine.side_keys
    )


def _section_wear(machine: Machine, bodies: Bodies, section: int, side: str) -> SectionWear:
    spots: list[Spot] = [(position, side) for position in positions_in(machine, section)]
    looks = [found for spot in spots if (found := bodies.looks.get(spot))]
    before = [found[0] for found in looks if len(found) > 1]
    return SectionWear(
        section=section,
        side=side,
        looked=len(looks),
        worn=sum(found[-1].is_worn for found in looks),
        looked_before=len(before),
        worn_before=sum(look.is_worn for look in before),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionStep:
    """What the failures of a section ask for. `failed` of `looked` bodies take a part."""

    section: int
    looked: int
    failed: int
    positions: int
    look_at_all: bool
    renew_all: bool


def section_steps(machine: Machine, bodies: Bodies) -> tuple[SectionStep, ...]:
    """Sections in which so many bodies fail that one looks at all of them, or renews the set."""
    found = []
    for section in range(1, len(machine.sections) + 1):
        positions = positions_in(machine, section)
        looked = [one for one in positions if any((one, side) in bodies.looks for side in machine.side_keys)]
        failed = [one for one in looked if _takes_a_part(bodies, one)]
        share = len(failed) / len(looked) if looked else 0.0
        is_all = len(looked) == len(positions)
        step = SectionStep(
            section=section,
            looked=len(looked),
            failed=len(failed),
            positions=len(positions),
            look_at_all=share > LOOK_AT_ALL_ABOVE and not is_all,
            renew_all=share > RENEW_ALL_ABOVE and is_all,
        )
        if step.look_at_all or step.renew_all:
            found.append(step)
    return tuple(found)


def _takes_a_part(bodies: Bodies, position: int) -> bool:
    return any(verdict_on(one).decision in TAKES_A_PART for one in bodies.at_position(position))
