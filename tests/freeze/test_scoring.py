"""Scoring nights in date order, knowing only the past. All tables here are made up (synthetic, fixed seed)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.errors import BadInput
from carewatch.freeze.odds import odds
from carewatch.freeze.score.chances import (
    Case,
    cases_of,
    climate_chances,
    default_chances,
    last_known,
    learned_chances,
    recent_chances,
)
from carewatch.freeze.score.scorecard import LeadScore, Scorecard, Terms, score
from carewatch.freeze.score.table import PairsTable, read_pairs
from tests.freeze.made_pairs import FIRST, made_table

COLD, WARM = {"hollow": -2.5, "flat": -2.0}, {"wall": 2.0}


def scored(text: str, **terms: float) -> Scorecard:
    return score(read_pairs(text, file="t.csv"), Terms(**terms))


def lead(table: PairsTable, at: int = 0, **terms: object) -> LeadScore:
    return score(table, Terms(**terms)).leads[at]


def fresh_cases(forecasts_and_readings_c, *, places=1) -> list[Case]:
    return [
        Case(line=i + 2, night=FIRST + timedelta(days=i // places), place=f"p{i % places}", forecast_c=f, observed_c=o)
        for i, (f, o) in enumerate(forecasts_and_readings_c)
    ]


# ------------------------------------------------------------------ what is counted


def test_five_nights_by_hand():
    """Default night 1: spread sqrt(1.8^2 + 1^2) = 2.059 °C; chances of 0 °C: 0.9273, 0.5, 0.1657, 0.0725, 0.0001."""
    text = "date,fc24_c,obs_c\n" + "".join(
        f"2020-11-0{i + 1},{f},{o}\n" for i, (f, o) in enumerate([(-3, -1), (0, 1), (2, 0), (3, 5), (8, 9)])
    )
    (found,) = scored(text).leads
    said = [0.9273, 0.5, 0.1657, 0.0725, 0.0001]
    assert (found.errors.n, found.freezes) == (5, 2)
    assert found.errors.bias_c == pytest.approx((-2 - 1 + 2 - 2 - 1) / 5)
    assert found.errors.mae_c == pytest.approx(8 / 5)
    assert found.brier == pytest.approx(
        ((1 - said[0]) ** 2 + said[1] ** 2 + (1 - said[2]) ** 2 + said[3] ** 2) / 5, abs=1e-4
    )
    assert (found.flags.caught, found.flags.false_share) == (1.0, pytest.approx(1 / 3))
    assert found.flags.cost == pytest.approx(3 * 0.1 / 5)
    assert found.yes_no.brier == pytest.approx(2 / 5)
    assert (found.yes_no.flags.caught, found.yes_no.flags.false_share) == (0.5, 0.5)
    assert [rule.flags.caught for rule in found.rules] == [0.5, 1.0, 1.0]
    assert [rule.brier for rule in found.rules] == pytest.approx([2 / 5, 1 / 5, 2 / 5])
    assert found.match is not None
    assert (found.match.above_c, found.match.flags.false_share) == (2.0, pytest.approx(1 / 3))
    assert (found.cost_always, found.cost_never) == (0.1, 2 / 5)
    # climate: half, then what is known two nights later: 1/1, 1/2, 2/3 froze
    climate = [0.5, 0.5, 1.0, 0.5, 2 / 3]
    froze = [1, 0, 1, 0, 0]
    assert found.brier_climatology == pytest.approx(sum((c - f) ** 2 for c, f in zip(climate, froze, strict=True)) / 5)


@given(st.floats(min_value=-15.0, max_value=20.0), st.sampled_from([24.0, 48.0, 72.0]))
def test_the_default_chance_is_that_of_the_odds_calculator(forecast_c, lead_h):
    (said,) = default_chances(fresh_cases([(forecast_c, 0.0)]), lead_h=lead_h, freeze_c=-1.0)
    assert said == pytest.approx(odds(low_c=forecast_c, night=int(lead_h / 24), harm_c=-1.0).chance)


def test_28_fahrenheit_counts_as_minus_2_2_celsius():
    text = "date,fc24_f,obs_f\n2020-11-01,28,28\n2020-11-02,29,29\n"
    (found,) = scored(text, freeze_c=-2.2).leads
    assert found.freezes == 1
    assert found.yes_no.flags == replace(found.yes_no.flags, caught=1.0, false_share=0.0)


def test_a_lead_without_pairs_has_no_figures_rather_than_good_ones():
    found = lead(read_pairs("date,fc24_c,obs_c\n2020-11-01,,3\n", file="t.csv"))
    assert (found.errors.n, found.brier, found.flags.caught, found.flags.cost) == (0, None, None, None)
    assert found.reliability == ()
    warm = lead(read_pairs("date,fc24_c,obs_c\n2020-11-01,20,21\n", file="t.csv"))
    assert (warm.flags.caught, warm.flags.false_share, warm.flags.cost, warm.match) == (None, None, 0.0, None)


def test_slips_are_named_and_still_count():
    text = "date,place,fc24_f,obs_f\n2020-11-01,a,40,55\n2020-11-02,a,40,56\n2020-11-03,a,40,20\n"
    card = scored(text)
    assert [(slip.line, round(slip.error_c, 2)) for slip in card.slips] == [(3, 8.89), (4, -11.11)]
    assert card.leads[0].errors.n == 3
    assert card.leads[0].freezes == 1


def test_the_cost_is_that_of_the_cost_over_loss_given():
    table = made_table()
    cheap, dear = (lead(table, threshold=0.1, cost_loss=c).flags for c in (0.05, 0.5))
    assert (cheap.caught, cheap.false_share) == (dear.caught, dear.false_share)
    assert cheap.cost < dear.cost


def test_columns_that_do_not_name_the_place_are_noticed():
    rows = "".join(f"2020-11-{i:02d},{i}.5,2,1\n" for i in range(1, 29))
    (note,) = scored("date,wind,fc24_c,obs_c\n" + rows).notes
    assert "wind" in note
    assert scored("date,fc24_c,obs_c\n" + rows.replace(".5,2,", ",").replace(",1\n", ",1\n")).notes == ()


@pytest.mark.parametrize(
    "wrong",
    [{"threshold": 0.0}, {"threshold": 1.0}, {"threshold": float("nan")}, {"cost_loss": 2.0}, {"freeze_c": -274.0}],
)
def test_terms_that_cannot_be_are_refused(wrong):
    with pytest.raises(BadInput, match="not possible"):
        Terms(**wrong)


# ------------------------------------------------------------------ only the past


@pytest.mark.parametrize(("lead_h", "nights"), [(6, 1), (12, 1), (24, 2), (36, 2), (48, 3), (168, 8)])
def test_a_low_counts_as_known_from_its_evening(lead_h, nights):
    """A forecast `lead_h` before the morning; a morning's low is known 12 h later."""
    assert last_known(date(2021, 1, 20), lead_h) == date(2021, 1, 20) - timedelta(days=nights)


NUMBERS = st.tuples(st.floats(min_value=-12.0, max_value=12.0), st.floats(min_value=-12.0, max_value=12.0))


@settings(max_examples=60)
@given(
    before=st.lists(NUMBERS, min_size=1, max_size=25),
    after=st.lists(NUMBERS, min_size=1, max_size=25),
    lead_h=st.sampled_from([12.0, 24.0, 48.0]),
    places=st.integers(min_value=1, max_value=3),
    data=st.data(),
)
def test_another_future_changes_nothing_said_before_it(before, after, lead_h, places, data):
    other = data.draw(st.permutations(after)) + data.draw(st.lists(NUMBERS, max_size=5))
    one, two = (fresh_cases([*before, *future], places=places) for future in (after, other))
    kept = len(before) // places * places  # whole nights only
    for say in (learned_chances, default_chances):
        first, second = (say(cases, lead_h=lead_h, freeze_c=0.0)[:kept] for cases in (one, two))
        assert first == pytest.approx(second, abs=1e-12)
    for guess in (climate_chances, recent_chances):
        first, second = (
            guess(cases, [case.observed_c <= 0.0 for case in cases], lead_h=lead_h)[:kept] for cases in (one, two)
        )
        assert first == second


@settings(max_examples=40)
@given(nights=st.lists(NUMBERS, min_size=2, max_size=25), lead_h=st.sampled_from([12.0, 24.0, 48.0]), data=st.data())
def test_the_nights_own_reading_and_those_not_yet_known_change_nothing(nights, lead_h, data):
    at = data.draw(st.integers(min_value=0, max_value=len(nights) - 1))
    cases = fresh_cases(nights)
    until = last_known(cases[at].night, lead_h)
    hidden = [case if case.night <= until else replace(case, observed_c=-40.0) for case in cases]
    first, second = (learned_chances(some, lead_h=lead_h, freeze_c=0.0)[at] for some in (cases, hidden))
    assert first == pytest.approx(second, abs=1e-12)


def test_the_first_nights_know_nothing():
    table = made_table(bias_c=COLD)
    cases = cases_of(table, 0)
    static, learned = (say(cases, lead_h=24.0, freeze_c=0.0) for say in (default_chances, learned_chances))
    assert static[:4] == pytest.approx(learned[:4])
    assert static[40:] != pytest.approx(learned[40:])


def test_the_order_of_lines_does_not_matter():
    table = made_table(bias_c=COLD)
    turned = replace(table, rows=tuple(reversed(table.rows)))
    assert score(table, Terms(learn=True)).leads == score(turned, Terms(learn=True)).leads


def test_places_do_not_teach_each_other():
    alone, beside = (
        learned_chances(cases_of(made_table(bias_c=places), 0), lead_h=24.0, freeze_c=0.0)
        for places in ({"a": 0.0}, {"a": 0.0, "z": -3.0})
    )
    assert alone == pytest.approx(beside[::2])


# ------------------------------------------------------------------ learning helps, or does no harm


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("places", [COLD, WARM], ids=["cold", "warm"])
def test_a_known_bias_is_learned_and_scores_better_at_every_lead(places, seed):
    table = made_table(bias_c=places, seed=seed)
    for at in (0, 1):
        assert lead(table, at, learn=True).brier < lead(table, at).brier


@pytest.mark.parametrize("seed", range(4))
def test_a_cold_hollow_is_caught_more_often(seed):
    table = made_table(bias_c=COLD, seed=seed)
    assert lead(table, learn=True).flags.caught > lead(table).flags.caught
    assert lead(table, learn=True).flags.caught > 0.95


@pytest.mark.parametrize("seed", range(4))
def test_a_sharper_site_has_fewer_false_flags(seed):
    table = made_table(bias_c={"a": 0.0, "b": 0.0}, sd_c=1.0, seed=seed)
    assert lead(table, learn=True).flags.false_share < lead(table).flags.false_share
    assert lead(table, learn=True).brier < lead(table).brier


def test_where_there_is_nothing_to_learn_it_does_no_harm():
    """Errors as the default expects: over 12 places the Brier score may rise by chance, by no more than 2 %."""
    table = made_table(bias_c={f"p{i}": 0.0 for i in range(12)}, sd_c=2.06, seed=5)
    static, learned = lead(table), lead(table, learn=True)
    assert learned.brier < 1.02 * static.brier
    assert learned.flags.caught > static.flags.caught - 0.01


def test_chances_of_made_nights_happen_as_often_as_said():
    """Made with the default's own spread, so every bin must agree within three standard errors."""
    table = made_table(bias_c={f"p{i}": 0.0 for i in range(30)}, sd_c=2.04, seed=9, lead_h=(24,))
    for one in lead(table).reliability:
        if one.said > 0.02:  # below, the floor of 1 % says more than happens, on purpose
            assert abs(one.said - one.happened) < 3 * (one.said * (1 - one.said) / one.n) ** 0.5 + 0.01
