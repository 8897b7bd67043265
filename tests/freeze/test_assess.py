"""Laws of the outlook."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.freeze.assess import assess
from carewatch.freeze.kernel import SUB_STEPS, run_numpy
from carewatch.freeze.outlook import Outlook, Urgency
from carewatch.logbook.state import Fill
from carewatch.roster.model import PartFigures, PlaceKind
from carewatch.weather.forecast import Grade
from tests.freeze.farm import NOW, case, fleet, held, holding_all, machine, site, stay, weather

SMALL = machine(plumbing=("boom_pipe",), sides=machine().sides[:1])
NEW = {"entered_at": NOW - timedelta(hours=1)}


def nights(one) -> tuple[Outlook, ...]:
    return assess([one], now=NOW)[0]


@given(
    low_c=st.floats(min_value=-8.0, max_value=8.0),
    colder_c=st.floats(min_value=0.0, max_value=5.0),
    wind_mps=st.floats(min_value=0.0, max_value=10.0),
    cloud=st.floats(min_value=0.0, max_value=1.0),
)
@settings(max_examples=12, deadline=None)
def test_colder_is_never_less_urgent(low_c, colder_c, wind_mps, cloud):
    calm = {"wind_mps": wind_mps, "cloud": cloud, "nights": 1, "machine": SMALL}
    warm, cold = assess(
        [case(low, contents=holding_all(SMALL, **NEW), **calm) for low in (low_c, low_c - colder_c)], now=NOW
    )
    assert cold[0].margin_c >= warm[0].margin_c - 0.02
    assert cold[0].chance >= warm[0].chance - 0.005
    assert not (warm[0].urgency is Urgency.EXPECTED and cold[0].chance < fleet().threshold_tonight - 0.005)


def test_the_margin_is_how_much_warmer_the_night_may_be():
    margin_c = nights(case(-1.0, machine=SMALL, contents=holding_all(SMALL, **NEW), nights=1))[0].margin_c
    at_margin = nights(case(-1.0 + margin_c, machine=SMALL, contents=holding_all(SMALL, **NEW), nights=1))[0]
    assert at_margin.margin_c == pytest.approx(0.0, abs=0.05)


def test_machines_do_not_disturb_each_other():
    many = [
        case(-2.0),
        case(4.0, stays=(stay(PlaceKind.UNHEATED_SHED, "shed"),)),
        case(1.0, machine=SMALL, contents=holding_all(SMALL)),
        case(0.0, contents=holding_all(machine(), fill=Fill.DRY)),
        case(2.0, is_usable=False),
    ]
    together = assess(many, now=NOW)
    for one, found in zip(many, together, strict=True):
        alone = assess([one], now=NOW)[0]
        assert [(o.urgency, o.severity, o.first_ice_at) for o in found] == [
            (o.urgency, o.severity, o.first_ice_at) for o in alone
        ]
        assert [o.margin_c for o in found] == pytest.approx([o.margin_c for o in alone])


def test_series_that_start_at_different_hours_share_a_batch():
    early = weather(-2.0)
    late = replace(
        early,
        start_at=early.start_at + timedelta(hours=9),
        **{name: getattr(early, name)[9:] for name in ("air_c", "dew_c", "wind_mps", "cloud_fraction", "rain_mm")},
    )
    contents = holding_all(machine(), **NEW)
    together = assess([case(weather=early, contents=contents), case(weather=late, contents=contents)], now=NOW)
    for a, b in zip(*together, strict=True):
        assert a.margin_c == pytest.approx(b.margin_c, abs=0.02)
        assert a.first_ice_early_at == b.first_ice_early_at


def test_no_machine_gives_no_outlook():
    assert assess([], now=NOW) == []


def test_one_outlook_per_night_in_order():
    found = nights(case(2.0, nights=7))
    assert [one.night for one in found] == [night.night.on for night in case(2.0, nights=7).weather.nights]
    assert {one.urgency for one in found[1:]} <= {Urgency.NONE, Urgency.FUTURE}


def test_early_ice_is_not_after_middle_ice():
    for found in nights(case(0.5, contents=holding_all(machine(), **NEW))):
        assert found.first_ice_early_at <= found.first_ice_at
        for part in found.parts:
            if part.first_ice_at is not None:
                assert part.first_ice_early_at <= part.first_ice_at


def test_the_worst_part_has_the_largest_margin_and_the_chance_is_the_maximum():
    found = nights(case(0.5))[0]
    worst = max(found.parts, key=lambda part: part.margin_c)
    assert (found.worst_part, found.margin_c) == (worst.part, worst.margin_c)
    assert found.chance == max(part.chance for part in found.parts)


def test_thresholds_are_the_fleets_own():
    one = case(4.0, contents=holding_all(machine(), **NEW))
    chance = nights(one)[0].chance
    for threshold, urgency in ((chance * 0.9, Urgency.EXPECTED), (chance * 1.1, Urgency.NONE)):
        assert nights(replace(one, fleet=fleet(threshold_tonight=threshold)))[0].urgency is urgency


def test_a_raw_model_is_trusted_less():
    official, raw = (nights(case(4.0, grade=grade))[0] for grade in (Grade.OFFICIAL, Grade.RAW))
    assert raw.margin_c == pytest.approx(official.margin_c)
    assert raw.chance > official.chance


def test_members_and_spread_move_the_chance():
    sure = nights(case(4.0, spread_c=0.0))[0]
    unsure = nights(case(4.0, spread_c=4.0))[0]
    members = nights(case(4.0, members_min_c=(4.0, 3.0, -1.0, -2.0, 5.0)))[0]
    assert unsure.chance > sure.chance
    assert members.chance > sure.chance


@pytest.mark.parametrize("gap", ["dew_c", "wind_mps", "cloud_fraction", "rain_mm"])
def test_a_missing_quantity_never_lowers_the_margin_below_a_mild_guess(gap):
    known = weather(1.0, wind_mps=1.5, cloud=0.2, dew_below_c=4.0)
    blind = replace(known, **{gap: np.full_like(known.air_c, np.nan)})
    contents = holding_all(machine(), **NEW)
    with_it, without = assess([case(weather=one, contents=contents) for one in (known, blind)], now=NOW)
    assert without[0].margin_c >= with_it[0].margin_c - 1e-6


def test_missing_hours_are_as_cold_as_their_colder_neighbour():
    known = weather(1.0)
    holes = known.air_c.copy()
    holes[28:34] = np.nan
    contents = holding_all(machine(), **NEW)
    with_it, without = assess(
        [case(weather=one, contents=contents) for one in (known, replace(known, air_c=holes))], now=NOW
    )
    assert without[0].margin_c >= with_it[0].margin_c - 0.02


def test_rain_below_4_c_makes_it_worse():
    dry, wet = (nights(case(1.5, rain_mm=rain, cloud=1.0, dew_below_c=3.0))[0] for rain in (0.0, 0.5))
    assert wet.margin_c > dry.margin_c + 0.2
    assert any("Rain" in sentence for sentence in wet.because)


def test_ice_from_before_now_is_kept_with_its_instant():
    now = NOW + timedelta(hours=16)  # 6 am, the coldest hour
    one = case(-3.0, weather=weather(-3.0, now=NOW), contents=holding_all(machine(), **NEW))
    found = assess([one], now=now)[0][0]
    assert found.is_frozen_already
    assert found.first_ice_at < now
    assert found.first_ice_at == found.first_ice_early_at


def test_liquid_that_came_in_after_the_frost_has_not_frozen():
    air_c = np.full(24 * 4 + 17, 8.0)
    air_c[0:10] = -6.0  # the night before
    before = case(air_c=air_c, contents=holding_all(machine()))
    after = case(air_c=air_c, contents=holding_all(machine(), **NEW))
    assert nights(before)[0].is_frozen_already
    assert not nights(after)[0].is_frozen_already


def test_a_machine_moved_indoors_counts_as_outdoors_before():
    moved = (stay(), stay(PlaceKind.HEATED_SHOP, "shop", since=NOW, heat_known_until=NOW + timedelta(days=9)))
    found = nights(case(-4.0, stays=moved, contents=holding_all(machine(), **NEW)))
    assert found[1].urgency is Urgency.NONE


def test_a_machine_nobody_placed_counts_as_outdoors():
    nowhere, yard = (
        nights(case(-1.0, stays=stays, contents=holding_all(machine(), **NEW)))[0] for stays in ((), (stay(),))
    )
    assert nowhere.margin_c == pytest.approx(yard.margin_c)
    assert "Nobody said where it stands." in nowhere.because


def test_own_figures_replace_the_default_part():
    heavy = machine(figures={"valve.front": PartFigures(liquid_kg=2.0), "tank": PartFigures(liquid_kg=4000.0)})
    own = {part.part: part for part in nights(case(0.5, machine=heavy, contents=holding_all(heavy, **NEW)))[0].parts}
    assert own["valve.front"].margin_c < own["valve.rear"].margin_c


def test_a_shop_is_as_warm_as_the_roster_says():
    cold_shop = site()
    cold_shop = replace(cold_shop, places=(*cold_shop.places[:3], replace(cold_shop.places[3], shop_c=-5.0)))
    stands = (stay(PlaceKind.HEATED_SHOP, "shop", heat_known_until=NOW + timedelta(days=9)),)
    found = nights(case(5.0, site=cold_shop, stays=stands, contents=holding_all(machine(), **NEW)))
    assert found[0].urgency is Urgency.EXPECTED


def test_another_engine_may_take_the_kernels_place_and_is_called_a_few_times_for_all():
    calls = []

    def counting(load, *, sub_steps=SUB_STEPS, levels=(), never_freezes=False):
        calls.append(load.parts.count)
        return run_numpy(load, sub_steps=sub_steps, levels=levels, never_freezes=never_freezes)

    many = [case(low_c, nights=2) for low_c in (-3.0, 0.0, 3.0)]
    ours, theirs = assess(many, now=NOW), assess(many, now=NOW, kernel=counting)
    assert ours == theirs
    assert len(calls) <= 14  # the main run, the margin search, the early and middle nights: never once a machine


def test_machines_that_feel_and_hold_the_same_are_worked_out_once_and_told_alike():
    one = case(1.0)
    twins = [replace(one, machine=machine(id=f"m{n}")) for n in range(5)]
    drier = replace(one, machine=machine(id="dry"), contents={**one.contents, "tank": held("tank", fill=Fill.POCKETS)})
    columns = []

    def counting(load, **more):
        columns.append(load.start_j.shape[0])
        return run_numpy(load, **more)

    alone = assess([one, drier], now=NOW, kernel=counting)
    of_two, columns[:] = sum(columns), []
    together = assess([one, *twins, drier], now=NOW, kernel=counting)
    assert sum(columns) == of_two
    assert [replace(found, machine="") for found in together[3]] == [replace(found, machine="") for found in alone[0]]
    assert together[-1] == alone[1]
