"""Situations a grower meets, as far as they are about freezing. S-numbers count the situations of the farm."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import MappingProxyType

import numpy as np
import pytest

from carewatch.fluids.liquid import UNKNOWN, WATER, Liquid, LiquidKind
from carewatch.fluids.naming import liquid_named
from carewatch.freeze.assess import assess
from carewatch.freeze.outlook import Certainty, Outlook, Severity, Urgency
from carewatch.logbook.state import Fill
from carewatch.roster.model import PlaceKind
from tests.freeze.farm import NOW, START, case, daily_air_c, fleet, held, holding_all, machine, site, stay, weather

SEVERITIES = list(Severity)[:5]


def tonight(one) -> Outlook:
    return assess([one], now=NOW)[0][0]


def fresh(one, liquid=WATER, **changes):
    """Contents that got in an hour before now, so that no earlier night counts."""
    return holding_all(one, liquid, entered_at=NOW - timedelta(hours=1), since=NOW - timedelta(hours=1), **changes)


def test_a_low_of_exactly_freezing_counts_as_risk():  # S1
    found = tonight(case(0.0, cloud=1.0, wind_mps=6.0, contents=fresh(machine())))
    assert found.urgency is Urgency.EXPECTED
    assert found.chance == pytest.approx(0.5, abs=0.1)


def test_plus_1_under_a_clear_calm_sky_is_flagged():  # S2
    clear = tonight(case(1.0, wind_mps=1.0, contents=fresh(machine())))
    cloudy = tonight(case(1.0, wind_mps=1.0, cloud=1.0, contents=fresh(machine())))
    assert clear.urgency is Urgency.EXPECTED
    assert clear.chance > cloudy.chance + 0.2
    assert any("Clear sky" in sentence for sentence in clear.because)


def test_a_short_touch_of_frost_is_less_than_four_hours_of_it():  # S3
    hours = 24 * 4 + 17
    short_c, long_c = np.full(hours, 2.5), np.full(hours, 2.5)
    short_c[34] = -0.5
    long_c[30:35] = -2.0
    short, long = (
        tonight(case(cloud=1.0, air_c=air_c, contents=fresh(machine()), wind_mps=3.0)) for air_c in (short_c, long_c)
    )
    assert short.chance < long.chance
    assert short.margin_c < long.margin_c
    assert SEVERITIES.index(short.severity) < SEVERITIES.index(long.severity)
    assert long.certainty is Certainty.LIKELY


def test_two_cold_nights_add_up():  # S4
    air_c = daily_air_c([-1.0, -1.0, -1.0], hours=24 * 4 + 17, day_above_c=2.0)
    first, second, _ = assess([case(air_c=air_c, cloud=1.0, contents=fresh(machine()))], now=NOW)[0]
    tank_first, tank_second = (next(part for part in one.parts if part.part == "tank") for one in (first, second))
    assert tank_second.ice_fraction > tank_first.ice_fraction
    assert tank_second.margin_c >= tank_first.margin_c - 0.01


def test_no_thaw_between_nights_when_the_day_stays_below_freezing():  # S5
    air_c = daily_air_c(-6.0, hours=24 * 4 + 17, day_above_c=4.0)
    first, second, _ = assess([case(air_c=air_c, contents=fresh(machine()))], now=NOW)[0]
    assert second.is_frozen_already
    assert "Ice is there already." in second.because
    assert second.first_ice_at == first.first_ice_at or second.first_ice_at < second.forecast.fetched_at + timedelta(1)
    assert second.severity is not Severity.NONE


def test_uan_28_does_not_freeze_at_minus_5_but_salts_are_named():  # S6
    one = machine()
    uan = tonight(case(-5.0, cloud=1.0, wind_mps=4.0, contents=fresh(one, liquid_named("uan 28"))))
    assert uan.urgency is Urgency.NONE
    assert any("salt out" in sentence for sentence in uan.because)
    rinsed = tonight(case(-5.0, cloud=1.0, wind_mps=4.0, contents=fresh(one)))
    assert rinsed.urgency is Urgency.EXPECTED
    assert rinsed.certainty is Certainty.LIKELY


def test_uan_32_blocks_near_minus_2_without_a_burst_warning():  # S7
    found = tonight(case(-2.0, cloud=1.0, contents=fresh(machine(), liquid_named("uan 32"))))
    assert found.salts_out_c == -2.0
    assert found.urgency is Urgency.NONE
    warm = tonight(case(9.0, cloud=1.0, contents=fresh(machine(), liquid_named("uan 32"))))
    assert warm.salts_out_c is None


def test_unknown_contents_and_parts_nobody_mentioned_count_as_water():  # S8
    water = tonight(case(-1.0, contents=holding_all(machine())))
    unknown = tonight(case(-1.0, contents=holding_all(machine(), UNKNOWN)))
    nothing_said = tonight(case(-1.0, contents=MappingProxyType({})))
    assert unknown.margin_c == pytest.approx(water.margin_c)
    assert nothing_said.margin_c >= water.margin_c - 0.5
    assert nothing_said.urgency is Urgency.EXPECTED
    assert set(nothing_said.contents) == set(machine().wetted_parts)
    assert any("Nobody said" in sentence for sentence in unknown.because)


def test_of_two_products_the_one_that_freezes_first_counts():  # S9
    uan = liquid_named("uan 28")
    mixed = fresh(machine(), uan, candidates=(uan, WATER), freezes_at_c=0.0)
    found = tonight(case(-2.0, contents=mixed))
    assert found.urgency is Urgency.EXPECTED
    assert any("not certain" in sentence for sentence in found.because)


def test_antifreeze_measured_minus_20_alarms_at_minus_22():  # S10
    measured = Liquid(kind=LiquidKind.ANTIFREEZE, name="propylene_glycol", measured_at_c=-20.0)
    found = tonight(case(-22.0, contents=fresh(machine(), measured)))
    assert found.urgency is Urgency.EXPECTED
    assert found.certainty is Certainty.LIKELY
    assert tonight(case(-5.0, contents=fresh(machine(), measured))).urgency is Urgency.NONE


def test_drained_and_blown_out_is_less_risk_but_never_none():  # S20
    full = tonight(case(-4.0, contents=fresh(machine())))
    pockets = tonight(case(-4.0, contents=fresh(machine(), fill=Fill.POCKETS)))
    assert pockets.urgency is Urgency.EXPECTED
    for key in machine().valve_parts:
        before, after = (next(part for part in one.parts if part.part == key) for one in (full, pockets))
        assert after.margin_c == pytest.approx(before.margin_c - 3.0, abs=0.3)
    assert SEVERITIES.index(pockets.severity) < SEVERITIES.index(full.severity)
    colder_limit = tonight(case(-4.0, contents=fresh(machine(), fill=Fill.POCKETS), fleet=fleet(pockets_harm_c=1.0)))
    assert colder_limit.margin_c > pockets.margin_c


def test_a_heated_shop_is_safe_until_its_heat_is_no_longer_known():  # S25
    warm = stay(PlaceKind.HEATED_SHOP, "shop", heat_known_until=NOW + timedelta(hours=30))
    first, second, third = assess([case(-8.0, contents=fresh(machine()), stays=(warm,))], now=NOW)[0]
    assert (first.urgency, first.chance) == (Urgency.NONE, 0.0)
    assert first.margin_c == float("-inf")
    assert Urgency.NONE not in (second.urgency, third.urgency)
    assert any("heat is not confirmed" in sentence for sentence in second.because)
    never = stay(PlaceKind.HEATED_SHOP, "shop", heat_known_until=None)
    assert tonight(case(-8.0, contents=fresh(machine()), stays=(never,))).urgency is Urgency.EXPECTED


def test_an_open_roof_keeps_off_the_sky_and_a_shed_only_delays():  # S26
    margins = [
        tonight(case(-1.0, wind_mps=2.0, contents=fresh(machine()), stays=(stay(kind, place),))).margin_c
        for kind, place in (
            (PlaceKind.OUTDOORS, "yard"),
            (PlaceKind.OPEN_ROOF, "roof"),
            (PlaceKind.UNHEATED_SHED, "shed"),
        )
    ]
    assert margins[0] > margins[1] > margins[2]
    long_frost = np.full(24 * 4 + 17, -3.0)
    in_shed = tonight(case(air_c=long_frost, contents=fresh(machine()), stays=(stay(PlaceKind.UNHEATED_SHED, "shed"),)))
    assert in_shed.margin_c > 2.5


def test_a_cold_hollow_adds_to_the_margin():  # S27
    level = tonight(case(1.0, contents=fresh(machine())))
    hollow = tonight(case(1.0, contents=fresh(machine()), stays=(stay(colder_c=2.0),)))
    by_site = tonight(case(1.0, contents=fresh(machine()), site=site(colder_c=2.0)))
    assert hollow.margin_c == pytest.approx(level.margin_c + 2.0, abs=0.05)
    assert by_site.margin_c == pytest.approx(hollow.margin_c, abs=1e-6)
    assert any("2.0 °C colder than its surroundings" in sentence for sentence in hollow.because)


def test_a_colder_second_source_adds_to_the_margin():  # S49
    one = tonight(case(1.0, contents=fresh(machine())))
    two = tonight(case(1.0, contents=fresh(machine()), colder_c=3.0))
    assert two.margin_c == pytest.approx(one.margin_c + 3.0, abs=0.05)


def test_a_night_without_good_data_is_not_assessed_and_shows_no_figure():  # S48
    found = tonight(case(8.0, is_usable=False, contents=fresh(machine())))
    assert (found.is_assessed, found.urgency) == (False, Urgency.UNKNOWN)
    assert (found.chance, found.margin_c, found.first_ice_at, found.worst_part) == (None, None, None, None)
    assert (found.severity, found.certainty) == (Severity.UNKNOWN, Certainty.UNKNOWN)


def test_poor_data_may_raise_an_alarm():  # S48
    found = tonight(case(-3.0, is_usable=False, contents=fresh(machine())))
    assert found.is_assessed
    assert found.urgency is Urgency.EXPECTED
    assert any("too poor to call the night safe" in sentence for sentence in found.because)


def test_no_forecast_at_all_is_not_assessed():
    known = weather(2.0)
    empty = np.array([])
    nothing = replace(
        known,
        forecast=None,
        air_c=empty,
        dew_c=empty,
        wind_mps=empty,
        cloud_fraction=empty,
        rain_mm=empty,
        nights=tuple(replace(n, is_usable=False, min_c=None, coldest_at=None, lead_h=0.0) for n in known.nights),
    )
    found = assess([case(weather=nothing)], now=NOW)[0]
    assert [one.is_assessed for one in found] == [False] * 3
    assert found[0].forecast is None


def test_the_service_minimum_alone_is_enough_to_warn():
    known = weather(2.0)
    gap = np.full_like(known.air_c, np.nan)
    gap[:20] = known.air_c[:20]
    blind = replace(known, air_c=gap, nights=tuple(replace(night, min_c=-4.0) for night in known.nights))
    assert tonight(case(weather=blind, contents=fresh(machine()))).urgency is Urgency.EXPECTED


def test_a_25_f_night_with_product_inside_is_at_least_severe():  # S67
    for cloud in (0.0, 1.0):
        found = tonight(case(-3.9, cloud=cloud, contents=fresh(machine(), liquid_named("Weedkiller 480"))))
        assert found.urgency is Urgency.EXPECTED
        assert found.severity in (Severity.SEVERE, Severity.EXTREME)


def test_a_light_frost_with_liquid_in_either_valve_side_is_flagged():  # S68
    one = machine()
    for side in one.valve_parts:
        contents = {key: held(key, fill=Fill.DRY, freezes_at_c=0.0) for key in one.wetted_parts}
        contents[side] = held(side, entered_at=NOW)
        found = tonight(case(-0.6, wind_mps=1.0, contents=contents))
        assert found.urgency is Urgency.EXPECTED
        assert found.worst_part == side
        assert found.coldest_part_c < found.coldest_air_c or found.ice_fraction > 0.0


def test_one_side_with_antifreeze_leaves_the_other_at_risk():  # S69
    one = machine()
    glycol = liquid_named("pg", 45.0)
    contents = dict(fresh(one, glycol))
    contents["valve.rear"] = held("valve.rear", WATER, entered_at=NOW)
    found = tonight(case(-2.0, contents=contents))
    assert found.worst_part == "valve.rear"
    assert found.urgency is Urgency.EXPECTED


def test_product_solid_before_midnight_is_extreme():
    hours = np.full(24 * 4 + 17, -12.0)
    hours[:16] = 3.0
    product = fresh(machine(), liquid_named("Weedkiller 480"))
    assert tonight(case(air_c=hours, contents=product, wind_mps=5.0)).severity is Severity.EXTREME
    assert tonight(case(air_c=hours, contents=fresh(machine()), wind_mps=5.0)).severity is Severity.SEVERE


def test_a_dry_machine_has_no_risk():
    dry = holding_all(machine(), fill=Fill.DRY)
    found = tonight(case(-15.0, contents=dry))
    assert (found.is_assessed, found.urgency, found.chance, found.parts) == (True, Urgency.NONE, 0.0, ())
    assert found.because[0] == "Nothing in it can freeze."
    assert START < NOW
