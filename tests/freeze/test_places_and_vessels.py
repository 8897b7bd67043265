"""What stays dangerous after draining, and after moving into a heated shop."""

from __future__ import annotations

from datetime import timedelta

import pytest

from carewatch.freeze.assess import VESSELS, assess
from carewatch.logbook.state import Fill
from carewatch.roster.model import PlaceKind
from tests.freeze.farm import NOW, START, case, held, holding_all, machine, stay

VESSEL_MACHINE = machine(plumbing=("boom_pipe", "pump", "tank", "rinse_tank", "hopper", "hand_wash_tank"))


@pytest.mark.parametrize("vessel", sorted(VESSELS))
def test_a_drained_vessel_is_not_harmed_by_its_puddle(vessel):
    only = {key: held(key, fill=Fill.DRY) for key in VESSEL_MACHINE.wetted_parts}
    drained = only | {vessel: held(vessel, fill=Fill.POCKETS)}
    (outlooks,) = assess([case(-15.0, machine=VESSEL_MACHINE, contents=drained)], now=NOW)
    assert [outlook.chance for outlook in outlooks] == [0.0, 0.0, 0.0]


def test_pockets_in_a_pump_are_still_harmed_in_a_hard_frost():
    only = {key: held(key, fill=Fill.DRY) for key in VESSEL_MACHINE.wetted_parts}
    drained = only | {"pump": held("pump", fill=Fill.POCKETS)}
    (outlooks,) = assess([case(-15.0, machine=VESSEL_MACHINE, contents=drained)], now=NOW)
    assert outlooks[0].chance is not None
    assert outlooks[0].chance > 0.9
    assert outlooks[0].worst_part == "pump"


def test_cool_hours_before_it_came_into_a_heated_shop_raise_no_alarm():
    moved_at = NOW + timedelta(hours=2)
    one = machine()
    stays = (stay(), stay(PlaceKind.HEATED_SHOP, "shop", since=moved_at, heat_known_until=START + timedelta(days=6)))
    outdoors = case(-8.0, machine=one, contents=holding_all(one, entered_at=NOW), day_above_c=18.0)
    indoors = case(-8.0, machine=one, contents=holding_all(one, entered_at=NOW), stays=stays, day_above_c=18.0)
    (out, inside) = assess([outdoors, indoors], now=moved_at)
    assert out[0].chance is not None
    assert inside[0].chance is not None
    assert out[0].chance > 0.9
    assert inside[0].chance < 0.01
