"""Measures of chances and flags against published worked examples and an independent computation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.errors import BadInput
from carewatch.freeze.score.measures import BIN_EDGES, brier, errors, flags, reliability

# Wikipedia, "Brier score", as carried by en-academic.com/dic.nsf/enwiki/1203570: one forecast and its outcome
SINGLE = [(1.0, True, 0.0), (1.0, False, 1.0), (0.7, True, 0.09), (0.3, True, 0.49), (0.5, True, 0.25)]


@pytest.mark.parametrize(("chance", "came", "score"), SINGLE)
def test_brier_score_of_one_forecast_as_published(chance, came, score):
    assert brier([chance], [came]) == pytest.approx(score)


def test_brier_score_as_in_the_manual_of_scikit_learn():
    """scikit-learn 1.9.1, docstring of sklearn.metrics.brier_score_loss: 0.0375."""
    assert brier([0.1, 0.9, 0.8, 0.3], [False, True, True, False]) == pytest.approx(0.0375)


def test_reliability_as_in_the_manual_of_scikit_learn():
    """scikit-learn, docstring of sklearn.calibration.calibration_curve, three equal bins."""
    chances = [0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0]
    happened = [False] * 4 + [True] * 5
    bins = reliability(chances, happened, edges=(0.0, 1 / 3, 2 / 3, 1.0))
    assert [one.happened for one in bins] == [0.0, 0.5, 1.0]
    assert [one.said for one in bins] == pytest.approx([0.2, 0.525, 0.85])
    assert [one.n for one in bins] == [3, 2, 4]


def test_caught_and_false_share_of_the_tornado_forecasts_of_1884():
    """Finley 1884, table and scores at cawcr.gov.au/projects/verification/Finley: 28 hits, 72 false, 23 missed, 2680.

    There: 72 % of the forecasts were false, "slightly more than half" was caught (28 of 51); 96.6 % were right, which
    for yes and no is one less the Brier score.
    """
    flagged = [True] * 100 + [False] * 2703
    happened = [True] * 28 + [False] * 72 + [True] * 23 + [False] * 2680
    found = flags(flagged, happened, cost_loss=0.1)
    assert found.false_share == 0.72
    assert found.caught == pytest.approx(28 / 51)
    assert brier([float(flag) for flag in flagged], happened) == pytest.approx(1 - 0.966, abs=0.0005)


@pytest.mark.parametrize("chance", [-0.1, 1.1, float("nan")])
def test_a_chance_that_cannot_be_is_refused(chance):
    with pytest.raises(BadInput, match="between 0 and 1"):
        reliability([chance], [True])


NIGHTS = st.lists(st.tuples(st.floats(min_value=0.0, max_value=1.0), st.booleans()), min_size=1, max_size=60)


@given(nights=NIGHTS)
def test_brier_and_reliability_against_numpy(nights):
    """An independent computation with numpy.digitize; no published table has these bins."""
    chances, happened = (list(column) for column in zip(*nights, strict=True))
    said, came = np.array(chances), np.array(happened, dtype=float)
    assert brier(chances, happened) == pytest.approx(float(np.mean((said - came) ** 2)))
    at = np.minimum(np.digitize(said, BIN_EDGES) - 1, len(BIN_EDGES) - 2)
    expected = [(said[at == i].mean(), came[at == i].mean(), int((at == i).sum())) for i in np.unique(at)]
    for one, (mean, share, n) in zip(reliability(chances, happened), expected, strict=True):
        assert (one.said, one.happened, one.n) == (pytest.approx(mean), pytest.approx(share), n)


@given(nights=NIGHTS, cost_loss=st.floats(min_value=0.01, max_value=0.99))
def test_cost_against_adding_up_night_by_night(nights, cost_loss):
    """Richardson 2000, table 1: C for every flag, L = 1 for every freeze without one, 0 else."""
    flagged, happened = [chance >= 0.5 for chance, _ in nights], [came for _, came in nights]
    nightly = [cost_loss if flag else float(came) for flag, came in zip(flagged, happened, strict=True)]
    assert flags(flagged, happened, cost_loss=cost_loss).cost == pytest.approx(sum(nightly) / len(nightly))


@given(
    st.lists(
        st.tuples(st.floats(min_value=-40, max_value=40), st.floats(min_value=-40, max_value=40)),
        min_size=2,
        max_size=50,
    )
)
def test_bias_mae_and_sd_against_numpy(pairs):
    said, came = (np.array(column) for column in zip(*pairs, strict=True))
    found = errors(list(said), list(came))
    assert found.bias_c == pytest.approx(float(np.mean(said - came)), abs=1e-9)
    assert found.mae_c == pytest.approx(float(np.mean(np.abs(said - came))))
    assert found.sd_c == pytest.approx(float(np.std(came - said, ddof=1)), abs=1e-9)
