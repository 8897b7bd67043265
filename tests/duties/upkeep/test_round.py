"""The technician's round: only fleets that agreed, with what is due, wet, open, left to fit, and the sum of parts."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from carewatch.duties.duty import DutyKind
from carewatch.duties.protect import Level
from carewatch.duties.upkeep.round import FleetRound, fleets_of_technician, technician_round
from carewatch.duties.upkeep.visit import LEFT_AS_FOUND, choices_for, leave_behind
from carewatch.errors import BadInput
from carewatch.logbook.findings import SymptomKind
from carewatch.logbook.reading import check_entry, entry_from_json
from carewatch.roster.model import Fleet, Role, Roster
from tests.duties.upkeep.boom import found
from tests.logbook.conftest import PARTS, REVISIONS
from tests.notices.farm import FREEZES, MARA, OWEN, Farm, crew, fleet, machine, person

KIT = "kit"
NELL = "nell"


def workshop() -> Fleet:
    """A fleet of its own with a technician in it and one machine."""
    return replace(
        fleet([machine(9, fleet="workshop", id="yard-9")]),
        id="workshop",
        people=(person(NELL, Role.TECHNICIAN, fleet="workshop"),),
    )


def farm(**changes: object) -> Farm:
    """Two machines of a fleet that lets Nell of the workshop see them."""
    told = {"parts": PARTS, "revisions": (), "currency": "USD", "seen_by": (NELL,)} | changes
    own = replace(fleet([machine(1), machine(2)]), **told)
    return Farm(fleets=(own, workshop()), now=datetime(2026, 10, 2, 19, 0, tzinfo=UTC))


def the_round(made: Farm, who: str = NELL) -> tuple[FleetRound, ...]:
    return technician_round(made.facts(), made.roster.person(who), made.now)


# ---------------------------------------------------------------- who may see what


def test_a_technician_sees_the_own_fleet_and_those_that_agreed() -> None:
    assert [one.fleet.id for one in the_round(farm())] == ["millrace", "workshop"]
    assert [one.fleet.id for one in the_round(farm(seen_by=()))] == ["workshop"]


@pytest.mark.parametrize("who", [MARA, OWEN])
def test_nobody_else_has_a_round_even_when_named(who: str) -> None:
    made = farm(seen_by=(NELL, who))
    assert fleets_of_technician(made.roster.person(who), made.roster) == ()
    with pytest.raises(BadInput, match="no technician"):
        the_round(made, who)


def test_a_technician_of_the_fleet_itself_needs_no_consent() -> None:
    people = (*crew(), person("sam", Role.TECHNICIAN))
    made = farm(people=people, seen_by=())
    assert [one.fleet.id for one in the_round(made, "sam")] == ["millrace"]


# ---------------------------------------------------------------- what is told


def test_symptoms_findings_and_their_parts_are_on_the_stop_and_summed() -> None:
    made = farm()
    made.log("14:10", "inspected", sections=(2,), findings=found("14 front seal_worn"))
    made.log("14:10", "inspected", machine="sprayer-2", sections=(2,), findings=found("15 rear seal_worn"))
    made.log("14:15", "symptom", what=SymptomKind.DRIP, positions=(3,), sides=("front",))
    made.run("14:20")
    own = the_round(made)[0]
    first = next(stop for stop in own.stops if stop.one.machine.id == "sprayer-1")
    assert [advice.trouble.what for advice in first.advice] == ["drip"]
    assert [(line.part.id, line.quantity) for line in first.needs.lines] == [(KIT, 1)]
    assert [(line.part.id, line.quantity, line.cost) for line in own.parts] == [(KIT, 2, 33.0)]
    assert own.cost == 33.0


def test_retrofits_are_summed_with_what_the_fleet_pays_for() -> None:
    made = farm(revisions=REVISIONS)  # seals at the fleet's cost, front plugs paid by others until the end of the year
    own = the_round(made)[0]
    # two machines of 72 bodies: 144 kits each at 16.50, 72 plugs each for nothing
    assert [(line.part.id, line.quantity, line.cost) for line in own.parts] == [(KIT, 288, 4752.0), ("plug", 144, 0.0)]


def test_a_price_that_is_missing_makes_the_sum_unknown() -> None:
    made = farm(parts=tuple(replace(part, price=None) for part in PARTS))
    made.log("14:10", "inspected", sections=(2,), findings=found("14 front seal_worn"))
    made.run("14:20")
    assert the_round(made)[0].cost is None


def test_what_freezes_tonight_is_wet_and_what_nobody_assessed_as_well() -> None:
    made = farm()
    made.night("2026-10-02", FREEZES)
    made.log("14:10", "sprayed", product="mix", sides=("front", "rear"))
    made.run("14:20")
    levels = {stop.one.machine.id: stop for one in the_round(made) for stop in one.stops}
    assert (levels["sprayer-1"].tonight, levels["sprayer-1"].is_wet_tonight) == (Level.FREEZES, True)
    assert levels["sprayer-1"].has_work
    facts = made.facts()
    blind = replace(facts, machines=tuple(replace(one, outlooks=()) for one in facts.machines))
    told = technician_round(blind, made.roster.person(NELL), made.now)
    assert all(stop.tonight is Level.NOT_ASSESSED and stop.is_wet_tonight for one in told for stop in one.stops)


def test_due_inspections_and_opened_bodies_are_on_the_stop() -> None:
    made = farm()
    made.log("14:05", "hours_read", counter_h=760.0)
    made.log("14:10", "opened", position=7)
    made.run("14:20")
    first = next(stop for stop in the_round(made)[0].stops if stop.one.machine.id == "sprayer-1")
    assert first.inspection.is_reached
    assert {duty.kind for duty in first.duties} == {DutyKind.INSPECT, DutyKind.DRY_CONNECTORS}
    assert [body.position for body in first.one.bodies.opened] == [7]


def test_machines_with_work_come_first_and_sold_ones_not_at_all() -> None:
    made = farm()
    made.log("14:10", "symptom", machine="sprayer-2", what=SymptomKind.DRIP, positions=(3,))
    made.run("14:20")
    assert [stop.one.machine.id for stop in the_round(made)[0].stops] == ["sprayer-2", "sprayer-1"]
    made.log("14:30", "retired", machine="sprayer-2")
    made.run("14:40")
    assert [stop.one.machine.id for stop in the_round(made)[0].stops] == ["sprayer-1"]


# ---------------------------------------------------------------- what is in it now?


def asked(made: Farm, who: str = OWEN) -> bool:
    one = made.facts().machines[0]
    return leave_behind(one, who, day=made.now.astimezone(one.site.tz).date()) is not None


def test_after_work_on_the_boom_it_is_asked_what_is_in_it_until_somebody_says() -> None:
    made = farm()
    assert not asked(made)
    made.log("14:10", "part_replaced", part=KIT, positions=(3,), sides=("front",))
    made.run("14:15")
    assert asked(made)
    assert not asked(made, MARA)
    made.log("14:20", "rinsed", sides=("front", "rear"), by=MARA)
    made.run("14:25")
    assert not asked(made)
    made.log("14:30", "opened", position=4)
    made.run("14:35")
    assert asked(made)
    made.log("14:40", "step_done", text=LEFT_AS_FOUND)
    made.run("14:45")
    assert not asked(made)


def test_a_note_answers_nothing_and_the_next_day_nobody_is_asked() -> None:
    made = farm()
    made.log("14:10", "inspected")
    made.log("14:20", "note", text="all fine")
    made.run("14:25")
    assert asked(made)
    made.run("2026-10-03 09:00")
    assert not asked(made)


@pytest.mark.parametrize("number", range(6))
def test_every_answer_is_an_entry_that_closes_the_question(number: int) -> None:
    made = farm()
    made.log("14:10", "opened", position=4)
    made.run("14:20")
    choice = choices_for(made.fleets[0].machines[0])[number]
    more = {"fluid": "propylene_glycol", "strength_vol_pct": 50, "litres": 60}
    line = {"machine": "sprayer-1", "kind": choice.kind.value, "by": OWEN, "happened_at": "2026-10-02T19:25:00Z"}
    entry = entry_from_json(line | dict(choice.told) | {name: more[name] for name in choice.asks}, where="page")
    assert check_entry(entry, Roster(fleets=made.fleets)) == ()
    made.entries.append(entry)
    made.run("14:30")
    assert not asked(made)


def test_as_found_changes_nothing_in_it_and_not_sure_counts_as_wet() -> None:
    as_found, *_, not_sure = choices_for(machine())
    assert (as_found.kind.value, as_found.told) == ("step_done", {"text": LEFT_AS_FOUND})
    assert (not_sure.kind.value, not_sure.told) == ("filled", {"liquid": "product"})
