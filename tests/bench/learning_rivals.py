"""Other ways to learn from nights, written out for the comparison; each knows only the nights known by then.

Every method takes the nights of one lead and its settings, and gives the chance of 0 °C or less for each of them.
"""

from __future__ import annotations

from collections import defaultdict
from functools import cache

import numpy as np
from scipy.special import expit, ndtr, stdtr

from carewatch.freeze.learning import Lesson, Pair, learn_each
from carewatch.freeze.night_error import FLOOR, FLOOR_BELOW_C, default_spread_c, nights_ahead
from carewatch.freeze.score.chances import last_known, learned_chances
from carewatch.weather.forecast import Grade
from tests.bench.learning_nights import Array, Nights

WEEK = 7  # nights between two fits of a pooled regression; in between, the last fit holds
LEAST_PAIRS = 200  # a pooled regression starts from so many pairs; before that the default speaks
FAR_C = 12.0  # a logistic regression looks at forecasts this near to 0 °C; beyond, the default says 0 or 1


def floored(chance: Array, forecast_c: Array) -> Array:
    """The floor of 1 % that carewatch keeps where less than 5 °C are forecast, for every method alike."""
    return np.where(forecast_c < FLOOR_BELOW_C, np.maximum(chance, FLOOR), chance)


# ------------------------------------------------------------------ (a) and (b): what carewatch does


def static(nights: Nights) -> Array:
    """(a) The default error."""
    return nights.default


def shrinkage(nights: Nights) -> Array:
    """(b) Each site by itself, shrunk to the default: `carewatch score --learn`."""
    return np.array(learned_chances(nights.cases, lead_h=nights.lead_h, freeze_c=0.0))


@cache
def lessons_of(nights: Nights) -> list[Lesson]:
    """What each place had been taught by (b) at each of its nights."""
    at_place: dict[int, list[int]] = defaultdict(list)
    for i, place in enumerate(nights.place):
        at_place[int(place)].append(i)
    lessons = [Lesson()] * len(nights.cases)
    for places in at_place.values():
        cases = [nights.cases[i] for i in places]
        pairs = [
            Pair(
                night=case.night,
                grade=Grade.OFFICIAL,
                lead_h=nights.lead_h,
                forecast_min_c=case.forecast_c,
                observed_min_c=case.observed_c,
            )
            for case in cases
        ]
        moments = [(case.night, last_known(case.night, nights.lead_h)) for case in cases]
        for i, lesson in zip(places, learn_each(pairs, moments=moments), strict=True):
            lessons[i] = lesson
    return lessons


def shrinkage_with(
    nights: Nights,
    *,
    warm_credit: float = 0.5,
    tail: float = 0.0,
    change_pull: float = 0.0,
    change_width: float = 0.0,
    warmer_when_cold: float = 0.0,
) -> Array:
    """(b) with additions, each 0 (warm credit: 0.5) by default.

    `warm_credit`: share of a warm bias that is believed; `tail`: degrees of freedom of Student's t; `change_pull`: of
    the change since the earlier forecast this share is taken back; `change_width`: the spread grows by this share per
    °C of change; `warmer_when_cold`: °C by which a night forecast at -10 °C comes out warmer than one at 0 °C.
    """
    lessons = lessons_of(nights)
    bias_c = np.array([lesson.bias_c for lesson in lessons])
    bias_c = np.where(bias_c > 0.0, bias_c * warm_credit / 0.5, bias_c)
    change_c = nights.known_change_c
    centre_c = bias_c - np.array([lesson.half_step_c for lesson in lessons]) - change_pull * change_c
    centre_c = centre_c + warmer_when_cold * np.clip(-nights.forecast_c / 10.0, 0.0, 2.0)
    lead_sd_c = default_spread_c(Grade.OFFICIAL, night=nights_ahead(nights.lead_h), site_sd_c=0.0)
    own_sd_c = lead_sd_c * np.array([lesson.spread_scale for lesson in lessons])
    own_sd_c = own_sd_c * (1.0 + change_width * np.abs(change_c))
    sd_c = np.sqrt(own_sd_c**2 + np.array([lesson.bias_sd_c for lesson in lessons]) ** 2)
    return floored(below((-nights.forecast_c - centre_c) / sd_c, tail), nights.forecast_c)


def below(z: Array, tail: float) -> Array:
    """Chance below z standard deviations: normal, or Student's t of `tail` degrees of freedom scaled to SD 1."""
    if tail <= 2.0:
        return np.asarray(ndtr(z))
    return np.asarray(stdtr(tail, z * np.sqrt(tail / (tail - 2.0))))


# ------------------------------------------------------------------ (c) logistic regression over all places


def logistic(nights: Nights, *, ridge: float, half_life_days: float, change: bool) -> Array:
    """(c) Logistic regression, fitted again each week on all pairs known then, recent ones weighing more.

    Features: forecast above freezing over the default spread, its square, season, and the change since the earlier
    forecast with its size. The prior is the default chance: its slope in the first feature, nothing of the others.
    """
    slope = 1.702  # expit(1.702 z) is within 0.01 of the normal curve everywhere (computed)
    spread_c = default_spread_c(Grade.OFFICIAL, night=nights_ahead(nights.lead_h))
    z = -nights.forecast_c / spread_c
    columns = [np.ones_like(z), z, z**2 / 10.0, *nights.seasons.T]
    if change:
        columns += [nights.known_change_c, np.abs(nights.known_change_c) * np.tanh(z)]
    X = np.stack(columns, axis=1)
    near = np.abs(nights.forecast_c) < FAR_C
    prior = np.zeros(X.shape[1])
    prior[1] = slope
    beta, chance = prior, nights.default.copy()
    for now, known in nights.by_night(WEEK):
        past = np.flatnonzero((nights.usable & near)[:known])
        if len(past) < LEAST_PAIRS:
            continue
        weight = 0.5 ** ((nights.days[now.start] - nights.days[past]) / half_life_days)
        beta = _logistic_fit(X[past], nights.froze[past], weight, prior=prior, start=beta, ridge=ridge)
        chance[now] = np.where(near[now], expit(X[now] @ beta), nights.default[now])
    return floored(chance, nights.forecast_c)


def _logistic_fit(X: Array, froze: Array, weight: Array, *, prior: Array, start: Array, ridge: float) -> Array:
    beta = start.copy()
    for _ in range(8):
        p = expit(X @ beta)
        gradient = X.T @ (weight * (p - froze)) + ridge * (beta - prior)
        hessian = (X * (weight * p * (1.0 - p))[:, None]).T @ X + ridge * np.eye(len(beta))
        step = np.linalg.solve(hessian, gradient)
        beta = beta - step
        if np.abs(step).max() < 1e-6:
            break
    return beta


# ------------------------------------------------------------------ (e) analog nights


def analogs(nights: Nights, *, width_c: float, own: float, default_worth: float, change_width_c: float) -> Array:
    """(e) The share of freezes among known nights with about the same forecast, the place's own counting `own` times.

    A night counts by its distance in forecast (`width_c`) and in change since the earlier forecast (`change_width_c`,
    0: not asked); the default chance counts as `default_worth` nights.
    """
    chance = nights.default.copy()
    for now, known in nights.by_night():
        past = np.flatnonzero(nights.usable[:known])
        if not len(past):
            continue
        far = ((nights.forecast_c[now, None] - nights.forecast_c[past]) / width_c) ** 2
        if change_width_c:
            change_c = nights.known_change_c
            far += ((change_c[now, None] - change_c[past]) / change_width_c) ** 2
        weight = np.exp(-0.5 * far) * np.where(nights.place[now, None] == nights.place[past], own, 1.0)
        froze, all_nights = weight @ nights.froze[past], weight.sum(axis=1)
        chance[now] = (froze + default_worth * nights.default[now]) / (all_nights + default_worth)
    return floored(chance, nights.forecast_c)
