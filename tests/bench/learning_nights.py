"""The nights of one forecast column as arrays, for the comparison of ways to learn."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from carewatch.freeze.learning import is_slip
from carewatch.freeze.score.chances import Case, cases_of, default_chances, last_known
from carewatch.freeze.score.scorecard import SLACK_C
from carewatch.freeze.score.table import PairsTable

Array = npt.NDArray[np.float64]
Method = Callable[..., Array]  # (nights, settings) -> chance of each night

YEAR_DAYS = 365.25
HALF_STEP_C = 0.5 / 1.8  # the record is in whole °F: 32 °F stands for all up to 32.5 °F


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nights:
    """One forecast column in date order, every array of shape (nights x places,).

    `changed_c`: this forecast minus the one issued 12 hours earlier for the same night [°C], NaN where there is none;
    `default`: the chance without any knowledge; `usable`: not a slip, may teach; `days`: ordinal of the night;
    `known`: how many of the first pairs were known when the forecast was issued.
    """

    lead_h: float
    cases: tuple[Case, ...]
    days: npt.NDArray[np.int64]
    place: npt.NDArray[np.int64]
    places: int
    forecast_c: Array
    changed_c: Array
    observed_c: Array
    froze: npt.NDArray[np.bool_]
    usable: npt.NDArray[np.bool_]
    default: Array
    known: npt.NDArray[np.int64]

    @property
    def error_c(self) -> Array:
        """Observed minus forecast [°C]."""
        return self.observed_c - self.forecast_c

    @property
    def seasons(self) -> Array:
        """Shape (n, 2): sine and cosine of the day of the year."""
        turn = 2.0 * np.pi * self.days / YEAR_DAYS
        return np.stack([np.sin(turn), np.cos(turn)], axis=1)

    @property
    def known_change_c(self) -> Array:
        """`changed_c`, 0 where there is no earlier forecast [°C]."""
        return np.nan_to_num(self.changed_c)

    def by_night(self, every: int = 1) -> Iterator[tuple[slice, int]]:
        """Runs of `every` successive nights with the pairs known on the first of them."""
        starts = np.flatnonzero(np.diff(self.days, prepend=self.days[0] - 1))[::every]
        for start, end in zip(starts, [*starts[1:], len(self.days)], strict=True):
            yield slice(int(start), int(end)), int(self.known[start])


def nights_of(table: PairsTable, at: int) -> Nights:
    """The nights of one forecast column."""
    cases, lead_h = cases_of(table, at), table.columns[at].lead_h
    earlier = {row.line: row.forecast_c[at + 1] for row in table.rows} if at + 1 < len(table.columns) else {}
    days = np.array([case.night.toordinal() for case in cases])
    names = sorted({row.place for row in table.rows})
    until = [last_known(date.fromordinal(int(day)), lead_h).toordinal() for day in days]
    return Nights(
        lead_h=lead_h,
        cases=tuple(cases),
        days=days,
        place=np.array([names.index(case.place) for case in cases]),
        places=len(names),
        forecast_c=np.array([case.forecast_c for case in cases]),
        changed_c=np.array([_changed_c(case, earlier.get(case.line)) for case in cases]),
        observed_c=np.array([case.observed_c for case in cases]),
        froze=np.array([case.observed_c <= SLACK_C for case in cases]),
        usable=np.array([not is_slip(case.observed_c - case.forecast_c) for case in cases]),
        default=np.array(default_chances(cases, lead_h=lead_h, freeze_c=0.0)),
        known=np.searchsorted(days, until, side="right"),
    )


def _changed_c(case: Case, earlier_c: float | None) -> float:
    return np.nan if earlier_c is None else case.forecast_c - earlier_c
