"""The technician's round over the fleets that agreed: what is in each machine, what is due, which parts to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import Facts, MachineFacts, local_day, tonight
from carewatch.duties.inspect import InspectionDue, inspection_due
from carewatch.duties.protect import Level, level_of
from carewatch.duties.upkeep.causes import Advice, advice_on
from carewatch.duties.upkeep.needs import Needs, RestockLine, needs_of, restock_list, total
from carewatch.duties.upkeep.sampling import (
    SampleSpot,
    SectionStep,
    SectionWear,
    sample_plan,
    section_steps,
    wear_along_boom,
)
from carewatch.duties.upkeep.visit import LeaveBehind, leave_behind
from carewatch.errors import BadInput
from carewatch.logbook.entries import EntryKind
from carewatch.roster.model import Fleet, Person, Role, Roster
from carewatch.roster.parts import Part

RUNNING = frozenset({DutyState.OPEN, DutyState.PROMISED, DutyState.ACCEPTED})
OF_A_VISIT = frozenset({DutyKind.INSPECT, DutyKind.DRY_CONNECTORS, DutyKind.THAW})


@dataclass(frozen=True, slots=True, kw_only=True)
class Upkeep:
    """One machine as a technician needs it.

    `tonight`: how the night stands for it (None: no outlook was made). `advice`: symptoms with causes. `sample`: bodies
    to open first. `steps`: sections of which all bodies are to be looked at or renewed.
    """

    one: MachineFacts
    tonight: Level | None
    inspection: InspectionDue
    duties: tuple[Duty, ...]
    advice: tuple[Advice, ...]
    needs: Needs
    restock: tuple[RestockLine, ...]
    sample: tuple[SampleSpot, ...]
    wear: tuple[SectionWear, ...]
    steps: tuple[SectionStep, ...]
    leave_behind: LeaveBehind | None = None

    @property
    def is_wet_tonight(self) -> bool:
        """Whether ice may form in it tonight; what was not assessed counts as wet."""
        return self.tonight in (Level.FREEZES, Level.COULD, Level.NOT_ASSESSED)

    @property
    def has_work(self) -> bool:
        """Whether there is a reason to stop at it."""
        found = (self.one.bodies.troubles, self.one.bodies.opened, self.needs.retrofits, self.duties)
        return any(found) or self.inspection.is_near or self.is_wet_tonight or self.leave_behind is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundPart:
    """So many of a part over all machines of a fleet, and what they cost it; `cost` None: no price.

    A retrofit somebody else pays costs nothing.
    """

    part: Part
    quantity: int
    cost: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetRound:
    """The stops at one fleet, in the order of its sites, and the sum of parts to take (findings and retrofits)."""

    fleet: Fleet
    stops: tuple[Upkeep, ...]
    parts: tuple[RoundPart, ...]
    cost: float | None


def fleets_of_technician(person: Person, roster: Roster) -> tuple[Fleet, ...]:
    """Fleets a technician may see: the own one, and those that name the person in `seen_by`; nobody else sees any."""
    if Role.TECHNICIAN not in person.roles:
        return ()
    return tuple(fleet for fleet in roster.fleets if fleet.id == person.fleet or person.id in fleet.seen_by)


def technician_round(facts: Facts, person: Person, now: datetime) -> tuple[FleetRound, ...]:
    """The round of one technician; BadInput for who is none. Retired machines are left out."""
    if Role.TECHNICIAN not in person.roles:
        raise BadInput(f'{person.name} is no technician. Add "technician" to the roles in the fleet file.')
    return tuple(_fleet_round(facts, fleet, person, now) for fleet in fleets_of_technician(person, facts.roster))


def _fleet_round(facts: Facts, fleet: Fleet, person: Person, now: datetime) -> FleetRound:
    sites = [site.id for site in fleet.sites]
    stops = sorted(
        (upkeep_of(one, facts, now, visitor=person.id) for one in facts.of(fleet) if not one.state.is_retired),
        key=lambda stop: (sites.index(stop.one.site.id), not stop.has_work),
    )
    parts = _summed(stops)
    is_complete = not any(stop.needs.missing for stop in stops)
    return FleetRound(
        fleet=fleet,
        stops=tuple(stops),
        parts=parts,
        cost=total(line.cost for line in parts) if is_complete else None,
    )


def upkeep_of(one: MachineFacts, facts: Facts | None, now: datetime, *, visitor: str | None = None) -> Upkeep:
    """One machine; without facts nothing is said of tonight and of duties."""
    today = local_day(now, one.site.tz)
    needs = needs_of(one.machine, one.fleet, one.bodies, on=today)
    level = None
    if one.outlooks or facts is not None:
        level = level_of(one.outlook(tonight(now, one.site.tz)), one.fleet.threshold_tonight)
    return Upkeep(
        one=one,
        tonight=level,
        inspection=inspection_due(one),
        duties=_duties(facts, one),
        advice=tuple(
            advice_on(trouble, one.fleet) for trouble in one.bodies.troubles if trouble.kind is not EntryKind.INSPECTED
        ),
        needs=needs,
        restock=restock_list(one.machine, one.fleet, one.bodies, needs),
        sample=sample_plan(one.machine, one.bodies),
        wear=wear_along_boom(one.machine, one.bodies),
        steps=section_steps(one.machine, one.bodies),
        leave_behind=leave_behind(one, visitor, day=today) if visitor else None,
    )


def _duties(facts: Facts | None, one: MachineFacts) -> tuple[Duty, ...]:
    found = [
        duty
        for duty in (facts.duties.values() if facts is not None else ())
        if duty.machine == one.machine.id and duty.kind in OF_A_VISIT and duty.state in RUNNING
    ]
    return tuple(sorted(found, key=lambda duty: (duty.due_at, duty.key)))


def _summed(stops: Sequence[Upkeep]) -> tuple[RoundPart, ...]:
    taken: dict[str, list[RoundPart]] = {}
    for stop in stops:
        for line in stop.needs.lines:
            one = RoundPart(part=line.part, quantity=line.quantity, cost=line.cost)
            taken.setdefault(line.part.id, []).append(one)
        for left in stop.needs.retrofits:
            if left.part is not None:
                one = RoundPart(part=left.part, quantity=left.quantity, cost=left.cost)
                taken.setdefault(left.part.id, []).append(one)
    return tuple(
        RoundPart(part=some[0].part, quantity=sum(one.quantity for one in some), cost=total(one.cost for one in some))
        for some in taken.values()
    )
