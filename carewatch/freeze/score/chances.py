"""What would have been said: chances night by night in date order, each from nights known by then."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil

from carewatch.freeze.learning import NOTHING_LEARNED, Learned, Pair, learn_each, night_error
from carewatch.freeze.score.table import PairsTable
from carewatch.weather.forecast import Grade

REPORTED_AFTER_H = 12.0  # chosen: a morning's low counts as known from that evening
RECENT_NIGHTS = 30  # chosen: the nights a neighbour would judge the coming one by
BEFORE_ANY_NIGHT = 0.5  # nothing is known yet
RECENT_WORTH_NIGHTS = 10.0  # chosen: the share over all places weighs as much as this many nights of the place


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One forecast of one night at one place, with what was measured [°C]. `line` is that of the table."""

    line: int
    night: date
    place: str
    forecast_c: float
    observed_c: float


def cases_of(table: PairsTable, column: int) -> list[Case]:
    """The complete pairs of one forecast column, in date order."""
    cases = [
        Case(
            line=row.line,
            night=row.night,
            place=row.place,
            forecast_c=forecast_c,
            observed_c=row.observed_c,
        )
        for row in table.rows
        if (forecast_c := row.forecast_c[column]) is not None and row.observed_c is not None
    ]
    return sorted(cases, key=lambda case: (case.night, case.place))


def last_known(night: date, lead_h: float) -> date:
    """The last night whose low was known when a forecast was issued `lead_h` hours before the morning of `night`."""
    return night - timedelta(days=ceil((lead_h + REPORTED_AFTER_H) / 24.0))


def default_chances(
    cases: Sequence[Case], *, lead_h: float, freeze_c: float, grade: Grade = Grade.OFFICIAL
) -> list[float]:
    """Chance of `freeze_c` or less by the default error, which knows nothing of the place."""
    return [_chance(case, grade, lead_h=lead_h, freeze_c=freeze_c, learned=NOTHING_LEARNED) for case in cases]


def learned_chances(
    cases: Sequence[Case], *, lead_h: float, freeze_c: float, grade: Grade = Grade.OFFICIAL
) -> list[float]:
    """Chance of `freeze_c` or less where each place has learned from its own nights known by then."""
    at_place: dict[str, list[int]] = defaultdict(list)
    for i, case in enumerate(cases):
        at_place[case.place].append(i)
    chances = [0.0] * len(cases)
    for places in at_place.values():
        pairs = [_pair(cases[i], grade, lead_h) for i in places]
        moments = [(cases[i].night, last_known(cases[i].night, lead_h)) for i in places]
        for i, lesson in zip(places, learn_each(pairs, moments=moments), strict=True):
            learned = Learned(lessons=(lesson,))
            chances[i] = _chance(cases[i], grade, lead_h=lead_h, freeze_c=freeze_c, learned=learned)
    return chances


def climate_chances(cases: Sequence[Case], froze: Sequence[bool], *, lead_h: float) -> list[float]:
    """The share of freezes among all nights of the table known by then."""
    nights = freezes = known = 0
    chances = []
    for case in cases:
        until = last_known(case.night, lead_h)
        while cases[known].night <= until:
            nights, freezes, known = nights + 1, freezes + froze[known], known + 1
        chances.append(freezes / nights if nights else BEFORE_ANY_NIGHT)
    return chances


def recent_chances(cases: Sequence[Case], froze: Sequence[bool], *, lead_h: float) -> list[float]:
    """The share of freezes in the last 30 known nights of the place, drawn a little towards that of all places."""
    overall = climate_chances(cases, froze, lead_h=lead_h)
    recent: dict[str, deque[bool]] = defaultdict(lambda: deque(maxlen=RECENT_NIGHTS))
    known = 0
    chances = []
    for case, share in zip(cases, overall, strict=True):
        until = last_known(case.night, lead_h)
        while cases[known].night <= until:
            recent[cases[known].place].append(froze[known])
            known += 1
        own = recent[case.place]
        chances.append((sum(own) + RECENT_WORTH_NIGHTS * share) / (len(own) + RECENT_WORTH_NIGHTS))
    return chances


def _pair(case: Case, grade: Grade, lead_h: float) -> Pair:
    return Pair(
        night=case.night,
        grade=grade,
        lead_h=lead_h,
        forecast_min_c=case.forecast_c,
        observed_min_c=case.observed_c,
    )


def _chance(case: Case, grade: Grade, *, lead_h: float, freeze_c: float, learned: Learned) -> float:
    error = night_error(grade, lead_h=lead_h, forecast_min_c=case.forecast_c, learned=learned)
    return error.cdf(freeze_c - case.forecast_c)
