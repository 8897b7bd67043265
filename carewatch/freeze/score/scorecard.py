"""The score of a table: per lead errors, Brier scores, reliability, and what flags would have caught and cost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from carewatch.errors import BadInput
from carewatch.freeze.learning import is_slip
from carewatch.freeze.score.chances import (
    Case,
    cases_of,
    climate_chances,
    default_chances,
    learned_chances,
    recent_chances,
)
from carewatch.freeze.score.measures import Bin, Errors, Flags, brier, errors, flags, reliability
from carewatch.freeze.score.table import COLDEST_C, WARMEST_C, ForecastColumn, PairsTable
from carewatch.weather.forecast import Grade

SLACK_C = 0.05  # whole °F: 28 °F is -2.22 °C and counts for -2.2
RULES_ABOVE_C = (1.0, 2.0, 3.0)
ROUNDING_C = 1e-9  # 36 °F is the same 36 °F after conversion
FEW_ROWS = 20  # chosen: a short table may well be one night at many places


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
class Terms:
    """What is scored.

    `threshold`: chance from which a night is flagged; `freeze_c`: a night froze at this or below, with 0.05 °C of slack
    for whole °F; `cost_loss`: cost of acting on a flag over the loss of a freeze; `learn`: whether each place learns
    from its own earlier nights; `grade`: whether the forecasts are official ones or of a raw model.
    """

    threshold: float = 0.10
    freeze_c: float = 0.0
    cost_loss: float = 0.10
    learn: bool = False
    grade: Grade = Grade.OFFICIAL

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        for name, value in (("threshold", self.threshold), ("cost over loss", self.cost_loss)):
            if not 0.0 < value < 1.0:
                raise BadInput(f"A {name} of {value:g} is not possible; write a number between 0 and 1, such as 0.10.")
        if not COLDEST_C <= self.freeze_c <= WARMEST_C:
            raise BadInput(
                f"A freezing point of {self.freeze_c:g} °C is not possible; write {COLDEST_C:g} to {WARMEST_C:g}."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Scorecard:
    """The whole score of a table; `notes` say what a reader should doubt."""

    terms: Terms
    places: int
    first_night: date
    last_night: date
    leads: tuple[LeadScore, ...]
    slips: tuple[Slip, ...]
    notes: tuple[str, ...]


def score(table: PairsTable, terms: Terms) -> Scorecard:
    """Score the chance that carewatch would have given for every night of a table, knowing only the past.

    Parameters
    ----------
    table : PairsTable
    terms : Terms

    Returns
    -------
    Scorecard
        Errors are in °C; every pair of the table counts, slips too.
    """
    nights = [row.night for row in table.rows]
    cases = [cases_of(table, at) for at, _ in enumerate(table.columns)]
    return Scorecard(
        terms=terms,
        places=len({row.place for row in table.rows}),
        first_night=min(nights),
        last_night=max(nights),
        leads=tuple(lead_score(some, column, terms) for some, column in zip(cases, table.columns, strict=True)),
        slips=tuple(slip for some, column in zip(cases, table.columns, strict=True) for slip in _slips(some, column)),
        notes=tuple(_notes(table)),
    )


def lead_score(cases: Sequence[Case], column: ForecastColumn, terms: Terms) -> LeadScore:
    """Score one forecast column; the cases are in date order."""
    froze = [case.observed_c <= terms.freeze_c + SLACK_C for case in cases]
    say = learned_chances if terms.learn else default_chances
    chances = say(cases, lead_h=column.lead_h, freeze_c=terms.freeze_c, grade=terms.grade)
    ours = flags([chance >= terms.threshold for chance in chances], froze, cost_loss=terms.cost_loss)
    above_c = [case.forecast_c - terms.freeze_c for case in cases]
    return LeadScore(
        name=column.name,
        lead_h=column.lead_h,
        errors=errors([case.forecast_c for case in cases], [case.observed_c for case in cases]),
        freezes=sum(froze),
        brier=brier(chances, froze),
        brier_climatology=brier(climate_chances(cases, froze, lead_h=column.lead_h), froze),
        brier_recent=brier(recent_chances(cases, froze, lead_h=column.lead_h), froze),
        yes_no=_rule(0.0, above_c, froze, terms),
        rules=tuple(_rule(step_c, above_c, froze, terms) for step_c in RULES_ABOVE_C),
        match=_matching_rule(ours.caught, above_c, froze, terms),
        flags=ours,
        cost_always=terms.cost_loss,
        cost_never=sum(froze) / len(cases) if cases else None,
        reliability=reliability(chances, froze),
    )


def _rule(
    limit_c: float, above_c: Sequence[float], froze: Sequence[bool], terms: Terms, *, slack_c: float = SLACK_C
) -> Rule:
    flagged = [one_c <= limit_c + slack_c for one_c in above_c]
    return Rule(
        above_c=limit_c,
        brier=brier([float(flag) for flag in flagged], froze),
        flags=flags(flagged, froze, cost_loss=terms.cost_loss),
    )


def _matching_rule(caught: float | None, above_c: Sequence[float], froze: Sequence[bool], terms: Terms) -> Rule | None:
    """The coldest fixed rule that catches at least as many freezes; it knows the outcome, so it is a hard rival."""
    if not caught:
        return None
    needed = round(caught * sum(froze))
    frozen_above_c = sorted(one_c for one_c, came in zip(above_c, froze, strict=True) if came)
    return _rule(frozen_above_c[needed - 1], above_c, froze, terms, slack_c=ROUNDING_C)


def _slips(cases: Sequence[Case], column: ForecastColumn) -> Iterator[Slip]:
    for case in cases:
        error_c = case.observed_c - case.forecast_c
        if is_slip(error_c):
            yield Slip(line=case.line, column=column.name, night=case.night, place=case.place, error_c=error_c)


def _notes(table: PairsTable) -> Iterator[str]:
    places = len({row.place for row in table.rows})
    if len(table.rows) >= FEW_ROWS and 2 * places > len(table.rows):
        names = ", ".join(table.place_columns)
        yield (
            f"Nearly every line is a place of its own ({names}), so that no place can learn. "
            "Leave out columns that do not name the place."
        )
