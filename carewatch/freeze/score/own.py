"""What carewatch itself said of the nights here, and what came of them: hits, misses, false alarms, margins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from statistics import mean

from carewatch.errors import BadInput
from carewatch.freeze.score.measures import Bin, Errors, brier, errors, reliability
from carewatch.freeze.score.table import ForecastColumn, PairsTable, Row


class Verdict(StrEnum):
    """What a word was worth. `not_assessed`: nothing was said, which is no miss and no comfort either."""

    CAUGHT = "caught"
    MISSED = "missed"
    FALSE = "false"
    QUIET = "quiet"
    NOT_ASSESSED = "not_assessed"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class NightWord:
    """What was said of one machine when the night began (noon), for what it held and where it stood, and what came.

    `low_c` [°C] the air's low that was expected, `margin_c` [K] (None: nothing in it can freeze);
    `was_flagged_late`: people had been told to see to it, or that nothing is known, when they went to bed.
    `came_margin_c`: the margin under the weather as it was read, the same contents and place; 0 or more is ice.
    `came_low_c` the low that was read, `read_by` by what; None until it was looked at. `found_ice`: what people found
    in the morning (None: not said).
    """

    machine: str
    night: date
    site: str
    at: datetime
    is_assessed: bool
    is_flagged: bool
    chance: float | None
    margin_c: float | None
    low_c: float | None
    was_flagged_late: bool
    came_margin_c: float | None = None
    came_low_c: float | None = None
    read_by: str | None = None
    found_ice: bool | None = None

    @property
    def froze(self) -> bool | None:
        """Whether it made ice, or would have, left as it was at noon; None if nobody measured."""
        return None if self.came_low_c is None else self.came_margin_c is not None and self.came_margin_c >= 0.0

    @property
    def verdict(self) -> Verdict:
        """What the word was worth; ice that people found without having been told is a miss whatever was measured."""
        if self.found_ice and not self.was_flagged_late:
            return Verdict.MISSED
        if not self.is_assessed:
            return Verdict.NOT_ASSESSED
        if self.found_ice or self.froze:
            return Verdict.CAUGHT if self.is_flagged or self.was_flagged_late else Verdict.MISSED
        if self.froze is None:
            return Verdict.UNKNOWN
        return Verdict.FALSE if self.is_flagged else Verdict.QUIET


@dataclass(frozen=True, slots=True, kw_only=True)
class NightPair:
    """The low of one night at one site as forecast at the noon of some day [°C], and as read (None: not read)."""

    site: str
    night: date
    ahead: int
    lead_h: float
    forecast_c: float
    observed_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnScore:
    """The score of the words of an installation. `margins`: margin said against margin that came [K]."""

    nights: int
    counts: dict[Verdict, int]
    caught: float | None
    false_share: float | None
    brier: float | None
    reliability: tuple[Bin, ...]
    margins: Errors
    missed: tuple[NightWord, ...]
    first_night: date
    last_night: date


def own_score(words: Sequence[NightWord]) -> OwnScore:
    """Score what was said of machines; raises BadInput without a single night."""
    if not words:
        raise BadInput(
            "No night has been looked back on yet. carewatch does so after noon, from the first night below 10 °C on."
        )
    counts = {verdict: sum(word.verdict is verdict for word in words) for verdict in Verdict}
    freezes = counts[Verdict.CAUGHT] + counts[Verdict.MISSED]
    flagged = counts[Verdict.CAUGHT] + counts[Verdict.FALSE]
    measured = [(word.chance, word.froze) for word in words if word.chance is not None and word.froze is not None]
    chances, froze = [chance for chance, _ in measured], [came for _, came in measured]
    margins = [
        (word.margin_c, word.came_margin_c)
        for word in words
        if word.margin_c is not None and word.came_margin_c is not None
    ]
    return OwnScore(
        nights=len(words),
        counts=counts,
        caught=counts[Verdict.CAUGHT] / freezes if freezes else None,
        false_share=counts[Verdict.FALSE] / flagged if flagged else None,
        brier=brier(chances, froze),
        reliability=reliability(chances, froze),
        margins=errors([said for said, _ in margins], [came for _, came in margins]),
        missed=tuple(word for word in words if word.verdict is Verdict.MISSED),
        first_night=min(word.night for word in words),
        last_night=max(word.night for word in words),
    )


def own_table(pairs: Sequence[NightPair]) -> PairsTable:
    """The lows as a table like any other, one forecast column for each night ahead."""
    ahead = sorted({pair.ahead for pair in pairs})
    leads_h = {n: round(mean(pair.lead_h for pair in pairs if pair.ahead == n), 1) for n in ahead}
    rows: dict[tuple[str, date], dict[int, float]] = {}
    observed = {(pair.site, pair.night): pair.observed_c for pair in pairs}
    for pair in pairs:
        rows.setdefault((pair.site, pair.night), {})[pair.ahead] = pair.forecast_c
    return PairsTable(
        columns=tuple(ForecastColumn(name=f"night {n}", lead_h=leads_h[n]) for n in ahead),
        rows=tuple(
            Row(
                line=number,
                night=night,
                place=site,
                forecast_c=tuple(row.get(n) for n in ahead),
                observed_c=observed[site, night],
            )
            for number, ((site, night), row) in enumerate(sorted(rows.items(), key=lambda item: item[0]), start=1)
        ),
        unit="c",
        place_columns=("site",),
    )
