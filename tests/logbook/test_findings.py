"""A finding in one line, and which part ends it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.logbook.findings import (
    CURED_BY,
    GOES_WITHOUT_A_PART,
    OF_THE_BODY,
    SYMPTOM_CURED_BY,
    Decision,
    Finding,
    FindingKind,
    SymptomKind,
    finding_from_text,
    may_heal,
)
from carewatch.roster.parts import PartKind


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("14 front seat_worn", Finding(position=14, side="front", what=FindingKind.SEAT_WORN)),
        ("14 Front: seat worn", Finding(position=14, side="front", what=FindingKind.SEAT_WORN)),
        ("3 mounting clip broken", Finding(position=3, what=FindingKind.MOUNTING_CLIP_BROKEN)),
        (
            "7 a corners_worn slight keep",
            Finding(position=7, side="a", what=FindingKind.CORNERS_WORN, is_slight=True, decision=Decision.KEEP),
        ),
        (
            "7 side pins bent repair pins",
            Finding(position=7, what=FindingKind.SIDE_PINS_BENT, decision=Decision.REPAIR_PINS),
        ),
        ("12 rear other", Finding(position=12, side="rear", what=FindingKind.OTHER)),
    ],
)
def test_a_finding_is_read_from_one_line(text: str, found: Finding) -> None:
    assert finding_from_text(text) == found


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "does not begin with a position"),
        ("front seat_worn", "does not begin with a position"),
        ("14", "names no finding"),
        ("14 front", "names no finding"),
        ("14 front seet worn", "Did you mean seat_worn?"),
        ("14 slight", "names no finding"),
        ("999999 drip", "does not begin with a position"),
        ("² front drip", "does not begin with a position"),
    ],
)
def test_what_is_no_finding_says_what_to_write(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says.replace("?", r"\?")):
        finding_from_text(text)


@given(
    st.builds(
        Finding,
        position=st.integers(1, 99_999),
        side=st.sampled_from((None, "front", "rear", "a", "b_2")),
        what=st.sampled_from(FindingKind),
        is_slight=st.booleans(),
        decision=st.sampled_from((None, *Decision)),
    )
)
def test_the_line_of_a_finding_reads_back_as_it_was(finding: Finding) -> None:
    assert finding_from_text(str(finding)) == finding


@given(st.text())
def test_any_text_is_a_finding_or_a_complaint(text: str) -> None:
    told = ""
    try:
        finding = finding_from_text(text)
    except ValueError as trouble:
        told = str(trouble)
    else:
        assert finding_from_text(str(finding)) == finding
    assert told == "" or told.endswith((".", "?"))


def test_every_finding_and_symptom_has_a_part_that_ends_it_and_a_new_body_ends_every_finding() -> None:
    assert set(CURED_BY) == set(FindingKind)
    assert set(SYMPTOM_CURED_BY) == set(SymptomKind)
    assert all(PartKind.BODY in parts for parts in (*CURED_BY.values(), *SYMPTOM_CURED_BY.values()))


# The table of the trade: mounting clip or housing broken, or main-connector pins corroded, is a new body; a lost
# retaining clip or side-connector pins is a part (common practice, no published source).
@pytest.mark.parametrize(
    ("what", "part"),
    [
        (FindingKind.MOUNTING_CLIP_BROKEN, None),
        (FindingKind.HOUSING_BROKEN, None),
        (FindingKind.MAIN_PINS_CORRODED, None),
        (FindingKind.RETAINING_CLIP_LOST, PartKind.RETAINING_CLIP),
        (FindingKind.SIDE_PINS_CORRODED, PartKind.SIDE_CONNECTOR),
    ],
)
def test_what_needs_a_body_and_what_a_part(what: FindingKind, part: PartKind | None) -> None:
    assert CURED_BY[what] == ({PartKind.BODY} if part is None else {PartKind.BODY, part})


def test_wear_and_breakage_do_not_heal_but_dirt_and_doubt_may() -> None:
    assert not may_heal(Finding(position=1, what=FindingKind.SEAT_WORN))
    assert may_heal(Finding(position=1, what=FindingKind.SEAT_WORN, is_slight=True))
    assert not may_heal(Finding(position=1, what=FindingKind.MAIN_PINS_CORRODED, is_slight=True))
    assert may_heal(Finding(position=1, what=FindingKind.BUILD_UP))
    assert {FindingKind.MAIN_PINS_DIRTY, FindingKind.MAIN_PINS_BENT} == OF_THE_BODY & GOES_WITHOUT_A_PART
