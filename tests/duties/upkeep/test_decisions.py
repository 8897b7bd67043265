"""Each finding leads to keep, clean, repair pins, replace the part or the body, with its reason."""

from __future__ import annotations

from typing import Any

import pytest

from carewatch.duties.upkeep.decisions import RULES, Verdict, verdict_on
from carewatch.logbook.findings import CURED_BY, GOES_WITHOUT_A_PART, Decision, FindingKind, finding_from_text
from carewatch.roster.parts import PartKind
from tests.duties.upkeep.boom import bodies, book_of

K = Decision


def verdict(*lines_by_day: str) -> Verdict:
    """What the last of these findings leads to, each of another day, at position 14."""
    book = book_of()
    for day, line in enumerate(lines_by_day):
        book.add("inspected", 24.0 * day, findings=(finding_from_text(f"14 {line}"),))
    (trouble,) = bodies(book).troubles
    return verdict_on(trouble)


# Common practice, no published source; the rows about bodies, clips and pins are those the owner named.
@pytest.mark.parametrize(
    ("line", "decision", "parts"),
    [
        ("mounting_clip_broken", K.REPLACE_BODY, {PartKind.BODY}),
        ("housing_broken", K.REPLACE_BODY, {PartKind.BODY}),
        ("main_pins_corroded", K.REPLACE_BODY, {PartKind.BODY}),
        ("front retaining_clip_lost", K.REPLACE_PART, {PartKind.RETAINING_CLIP}),
        ("front side_pins_corroded", K.REPLACE_PART, {PartKind.SIDE_CONNECTOR}),
        ("front side_pins_bent", K.REPAIR_PINS, set()),
        ("main_pins_dirty", K.REPAIR_PINS, set()),
        ("front seat_worn", K.REPLACE_PART, {PartKind.SEAT}),
        ("front corners_worn", K.REPLACE_PART, {PartKind.PLUNGER}),
        ("front bore_worn", K.REPLACE_PART, {PartKind.VALVE}),
        ("front build_up", K.CLEAN, set()),
        ("front drip", K.CLEAN, set()),
        ("front cap_bulged", K.REPLACE_PART, {PartKind.CAP}),
        ("front seat_worn slight", K.KEEP, set()),
        ("mounting_clip_broken slight", K.REPLACE_BODY, {PartKind.BODY}),
        ("front other", None, set()),
    ],
)
def test_the_table(line: str, decision: Decision | None, parts: set[PartKind]) -> None:
    found = verdict(line)
    assert (found.decision, found.parts) == (decision, parts)
    assert found.because
    assert not found.by_hand


@pytest.mark.parametrize(
    ("line", "decision", "parts"),
    [
        ("front drip", K.REPLACE_PART, {PartKind.PLUNGER, PartKind.SEAL}),
        ("front side_pins_bent", K.REPLACE_PART, {PartKind.SIDE_CONNECTOR}),
        ("main_pins_dirty", K.REPLACE_BODY, {PartKind.BODY}),
        ("front build_up", K.REPLACE_PART, {PartKind.PLUNGER}),
    ],
)
def test_what_came_back_after_cleaning_is_replaced(line: str, decision: Decision, parts: set[PartKind]) -> None:
    found = verdict(line, line)
    assert (found.decision, found.parts) == (decision, parts)
    assert "2 days" in found.because


def test_slight_wear_seen_again_is_kept_with_the_days_named() -> None:
    found = verdict("front seat_worn slight", "front seat_worn slight")
    assert found.decision is K.KEEP
    assert "seen on 2 days" in found.because


def test_the_finder_decides_and_the_table_is_named_beside_it() -> None:
    found = verdict("front seat_worn keep")
    assert (found.decision, found.parts, found.by_hand) == (K.KEEP, set(), True)
    assert "replace the part" in found.because
    assert verdict("front build_up replace_body").parts == {PartKind.BODY}
    assert verdict("front build_up replace_part").parts == {PartKind.PLUNGER}
    assert not verdict("front seat_worn replace_part").by_hand


def test_a_symptom_is_looked_at_before_anything_is_decided() -> None:
    book = book_of()
    book.add("symptom", 0, what="drip", positions=(14,), sides=("front",))
    (trouble,) = bodies(book).troubles
    assert verdict_on(trouble).decision is None


@pytest.mark.parametrize("what", [kind for kind in FindingKind if kind is not FindingKind.OTHER])
def test_every_finding_has_a_rule_and_the_parts_it_takes_end_it(what: FindingKind) -> None:
    rule = RULES[what]
    taken: Any = rule.parts or rule.later_parts or (PartKind.BODY,)
    assert set(taken) <= CURED_BY[what]
    is_part = rule.decision in (K.REPLACE_PART, K.REPLACE_BODY)
    assert is_part is (what not in GOES_WITHOUT_A_PART)
