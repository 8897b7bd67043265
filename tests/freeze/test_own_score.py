"""What a word was worth, and the score of many: counted by hand, and against the table of anybody's nights."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from carewatch.errors import BadInput
from carewatch.freeze.score.own import NightPair, NightWord, Verdict, own_score, own_table
from carewatch.freeze.score.scorecard import Terms, score

NIGHT = date(2026, 10, 19)


def word(**more) -> NightWord:
    told = {
        "machine": "sprayer-1",
        "night": NIGHT,
        "site": "yard",
        "at": datetime(2026, 10, 19, 17, tzinfo=UTC),
        "is_assessed": True,
        "is_flagged": False,
        "chance": 0.03,
        "margin_c": -3.0,
        "low_c": 3.0,
        "was_flagged_late": False,
    }
    flagged = {"was_flagged_late": more.get("is_flagged", False)}
    return NightWord(**{**told, **flagged, **more})


FROZE, STAYED = {"came_low_c": -2.0, "came_margin_c": 1.5}, {"came_low_c": 4.0, "came_margin_c": -4.0}


@pytest.mark.parametrize(
    ("told", "verdict"),
    [
        ({"is_flagged": True, **FROZE}, Verdict.CAUGHT),
        ({"is_flagged": False, **FROZE}, Verdict.MISSED),
        ({"is_flagged": True, **STAYED}, Verdict.FALSE),
        ({"is_flagged": False, **STAYED}, Verdict.QUIET),
        ({"is_flagged": False, "came_low_c": -5.0, "came_margin_c": None}, Verdict.QUIET),  # nothing in it can freeze
        ({"is_flagged": False}, Verdict.UNKNOWN),
        ({"is_flagged": True, "found_ice": False}, Verdict.UNKNOWN),  # somebody may have made it safe
        ({"is_flagged": False, "was_flagged_late": True, **FROZE}, Verdict.CAUGHT),  # told in time after all
        # ice that people found counts, whatever a thermometer elsewhere read
        ({"is_flagged": False, "found_ice": True, **STAYED}, Verdict.MISSED),
        ({"is_flagged": True, "was_flagged_late": False, "found_ice": True}, Verdict.MISSED),  # "it is safe now"
        ({"is_flagged": True, "found_ice": True, **STAYED}, Verdict.CAUGHT),
        ({"is_assessed": False, "was_flagged_late": True, "chance": None, **FROZE}, Verdict.NOT_ASSESSED),
    ],
)
def test_what_a_word_was_worth(told, verdict):
    assert word(**told).verdict is verdict


def test_the_score_of_some_words_counted_by_hand():
    words = [
        word(is_flagged=True, chance=0.8, margin_c=2.0, **FROZE),
        word(is_flagged=True, chance=0.2, margin_c=-1.0, **STAYED),
        word(chance=0.02, **STAYED),
        word(chance=0.04, **FROZE, machine="sprayer-2", night=NIGHT + timedelta(days=3)),
        word(),
    ]
    found = own_score(words)
    assert (found.caught, found.false_share) == (1 / 2, 1 / 2)
    assert found.brier == pytest.approx((0.2**2 + 0.2**2 + 0.02**2 + 0.96**2) / 4)
    # said 2, -1, -3, -3 against 1.5, -4, -4, 1.5
    assert (found.margins.bias_c, found.margins.mae_c) == pytest.approx(
        ((0.5 + 3 + 1 - 4.5) / 4, (0.5 + 3 + 1 + 4.5) / 4)
    )
    assert [one.machine for one in found.missed] == ["sprayer-2"]
    assert (found.first_night, found.last_night) == (NIGHT, NIGHT + timedelta(days=3))


def test_without_a_night_it_says_when_there_will_be_one():
    with pytest.raises(BadInput, match="after noon"):
        own_score([])


def test_the_lows_are_scored_like_any_table():
    pairs = [
        NightPair(
            site=site,
            night=NIGHT + timedelta(days=day),
            ahead=ahead,
            lead_h=24.0 * ahead - 6.0,
            forecast_c=low_c + (1.0 if ahead == 1 else -2.0),
            observed_c=low_c,
        )
        for day, low_c in enumerate([3.0, -1.0, 0.5, 6.0])
        for site in ("yard", "hill")
        for ahead in (1, 2)
    ]
    one, two = score(own_table(pairs), Terms()).leads
    assert (one.name, one.lead_h, one.errors.n, one.errors.bias_c, one.errors.mae_c) == ("night 1", 18.0, 8, 1.0, 1.0)
    assert (two.errors.bias_c, two.freezes) == (-2.0, 2)
