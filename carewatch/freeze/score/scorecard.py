"""The score of a table: per lead errors, Brier scores, reliability, and what flags would have caught and cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from carewatch.errors import BadInput
from carewatch.freeze.learning import SLIP_C
from carewatch.freeze.score.chances import (
    Case,
    cases_of,
    climate_chances,
    default_chances,
    learned_chances,
    recent_chances,
)
from carewatch.freeze.score.measures import Bin, Errors, Flags, brier, errors, flags, reliability
from carewatch.freeze.score.table import PairsTable

SLACK_C = 0.05  # whole °F: 28 °F is -2.22 °C and counts for -2.2
RULES_ABOVE_C = (1.0, 2.0, 3.0)
SLIP_SLACK_C = 0.006  # 15 °F apart is still 15 °F after conversion


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A fixed rule: flag when the forecast is at most `above_c` above freezing; it says yes or no, chance 1 or 0."""

    above_c: float
    brier: float | None
    flags: Flags


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadScore:
    """One forecast column. `match` is the fixed rule that catches as many freezes as the chance does."""

    name: str
    lead_h: float
    errors: Errors
    freezes: int
    brier: float | None
    brier_climatology: float | None
    brier_recent: float | None
    yes_no: Rule
    rules: tuple[Rule, ...]
    match: Rule | None
    flags: Flags
    cost_always: float
    cost_never: float | None
    reliability: tuple[Bin, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """A pair too far apart to be weather: scored as it stands, not learned from [°C, observed minus forecast]."""

    line: int
    column: str
    night: date
    place: str
    error_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scorecard:
    """The whole score; `threshold` is both the chance that flags and the cost of acting over the loss."""

    threshold: float
    freeze_c: float
    is_learned: bool
    places: int
    first_night: date
    last_night: date
    leads: tuple[LeadScore, ...]
    slips: tuple[Slip, ...]


def score(table: PairsTable, *, threshold: float = 0.10, freeze_c: float = 0.0, learn: bool = False) -> Scorecard:
    """Score the chance that carewatch would have given for every night of a table, knowing only the past.

    Parameters
    ----------
    table : PairsTable
    threshold : float
        Chance from which a night is flagged [0..1]; also the cost of acting over the loss of a freeze.
    freeze_c : float
        A night froze when its observed low is at or below this [°C], with 0.05 °C of slack for whole °F.
    learn : bool
        Whether each place learns from its own earlier nights.

    Raises
    ------
    BadInput
        For a threshold outside 0..1 or a temperature that is not possible.
    """
    if not 0.0 < threshold < 1.0:
        raise BadInput(f"A threshold of {threshold:g} is not possible; write a chance between 0 and 1, such as 0.10.")
    if not -60.0 <= freeze_c <= 30.0:
        raise BadInput(f"A freezing point of {freeze_c:g} °C is not possible; write -60 to 30.")
    nights = [row.night for row in table.rows]
    return Scorecard(
        threshold=threshold,
        freeze_c=freeze_c,
        is_learned=learn,
        places=len({row.place for row in table.rows}),
        first_night=min(nights),
        last_night=max(nights),
        leads=tuple(
            _lead_score(
                cases_of(table, at),
                name=column.name,
                lead_h=column.lead_h,
                threshold=threshold,
                freeze_c=freeze_c,
                learn=learn,
            )
            for at, column in enumerate(table.columns)
        ),
        slips=tuple(
            slip for at, column in enumerate(table.columns) for slip in _slips(cases_of(table, at), column.name)
        ),
    )


def _lead_score(
    cases: Sequence[Case], *, name: str, lead_h: float, threshold: float, freeze_c: float, learn: bool
) -> LeadScore:
    froze = [case.observed_c <= freeze_c + SLACK_C for case in cases]
    say = learned_chances if learn else default_chances
    chances = say(cases, lead_h=lead_h, freeze_c=freeze_c)
    ours = flags([chance >= threshold for chance in chances], froze, cost_loss=threshold)
    above_c = [case.forecast_c - freeze_c for case in cases]
    return LeadScore(
        name=name,
        lead_h=lead_h,
        errors=errors([case.forecast_c for case in cases], [case.observed_c for case in cases]),
        freezes=sum(froze),
        brier=brier(chances, froze),
        brier_climatology=brier(climate_chances(cases, froze, lead_h=lead_h), froze),
        brier_recent=brier(recent_chances(cases, froze, lead_h=lead_h), froze),
        yes_no=_rule(0.0, above_c, froze, cost_loss=threshold),
        rules=tuple(_rule(step_c, above_c, froze, cost_loss=threshold) for step_c in RULES_ABOVE_C),
        match=_matching_rule(ours.caught, above_c, froze, cost_loss=threshold),
        flags=ours,
        cost_always=threshold,
        cost_never=sum(froze) / len(cases) if cases else None,
        reliability=reliability(chances, froze),
    )


def _rule(limit_c: float, above_c: Sequence[float], froze: Sequence[bool], *, cost_loss: float) -> Rule:
    flagged = [one_c <= limit_c + SLACK_C for one_c in above_c]
    return Rule(
        above_c=limit_c,
        brier=brier([float(flag) for flag in flagged], froze),
        flags=flags(flagged, froze, cost_loss=cost_loss),
    )


def _matching_rule(
    caught: float | None, above_c: Sequence[float], froze: Sequence[bool], *, cost_loss: float
) -> Rule | None:
    """The coldest fixed rule that catches at least as many freezes; it knows the outcome, so it is a hard rival."""
    if not caught:
        return None
    needed = round(caught * sum(froze))
    frozen_above_c = sorted(one_c for one_c, came in zip(above_c, froze, strict=True) if came)
    return _rule(frozen_above_c[needed - 1], above_c, froze, cost_loss=cost_loss)


def _slips(cases: Sequence[Case], column: str) -> list[Slip]:
    return [
        Slip(
            line=case.line, column=column, night=case.night, place=case.place, error_c=case.observed_c - case.forecast_c
        )
        for case in cases
        if abs(case.observed_c - case.forecast_c) > SLIP_C + SLIP_SLACK_C
    ]
