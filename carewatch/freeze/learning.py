"""What a site has taught: how its own minima differ from what is forecast for it. A pure fold over stored pairs."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import isfinite, sqrt

import numpy as np
import numpy.typing as npt

from carewatch.freeze.night_error import (
    SITE_SD_C,
    NightError,
    default_bias_c,
    default_error,
    default_spread_c,
    error_from_members,
    error_from_spread,
    nights_ahead,
)
from carewatch.weather.forecast import Grade

# The figures marked "tried" were chosen on half of the cities in February to May 2021 of the US National Weather
# Service city forecasts (compiled in the repository speegled/weather_forecasts) and then held on the other cities and
# on October 2021 to January 2022. Other ways were held against this one there (tests/bench/learning_methods.py):
# logistic and distributional regression, EMOS and analog nights over all places, EMOS of each place, fatter tails,
# width by change, warm bias believed in full. None was better at every lead outside of what it was chosen on; this is
# the simplest, and one site is enough for it. Drawing the centre to the forecast of 12 hours before gains at most 0.9
# % in Brier score, and nothing at 48 h: not worth a second forecast.
HALF_LIFE_DAYS = 30.0  # tried: 20 to 60 differ by less than 0.5 % in Brier score; follows the season
OLD_WEIGHT = 0.2  # chosen: a night of last season keeps this much, so that a cold hollow is not forgotten over summer
WARM_CREDIT = 0.5  # tried: of a bias to the warm side half is believed, of one to the cold side all
WARMEST_BIAS_C = 1.0  # chosen: a site that stays warmer than forecast is believed up to here
SPREAD_WORTH_NIGHTS = 20.0  # chosen: the default spread weighs as much as this many nights of the site's own
NARROWEST_SCALE = 0.6  # chosen: city to city the spread goes down to 1.1 of 1.8 °C; no site is believed to do better
STRETCH = 3.0  # tried: an error counts up to this many default spreads, so that one wild night does not rule
SLIP_C = (
    15.0 / 1.8
)  # 15 °F: a few pairs of the official record differ by more; slips of typing or decoding, not weather
BAND_H = 12.0  # chosen: leads that round to the same half day are learned together
STEPS_C = (0.5, 1.0 / 1.8, 1.0)  # what thermometers and bulletins round to: half °C, whole °F, whole °C
STEP_SLACK_C = 0.006  # chosen: a whole °F written with two decimals of °C is still a whole °F

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One night that was forecast and measured at a site [°C]; `lead_h` hours from issue to the coldest hour."""

    night: date
    grade: Grade
    lead_h: float
    forecast_min_c: float
    observed_min_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """What the nights of about one lead say of a site.

    `bias_c`: observed minus forecast beyond the default bias [°C], as far as it is believed; `bias_sd_c`: how uncertain
    that still is [°C]; `half_step_c`: a reading of 0 may stand for up to this much more, where a site reads in whole
    degrees [°C]; `spread_scale`: the site's own spread over the default one [-].
    """

    lead_h: float = 24.0
    nights: int = 0
    bias_c: float = 0.0
    bias_sd_c: float = SITE_SD_C
    half_step_c: float = 0.0
    spread_scale: float = 1.0


NO_LESSON = Lesson()


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What a site has taught, one lesson for each lead of which nights are known."""

    lessons: tuple[Lesson, ...] = ()

    def at(self, lead_h: float) -> Lesson:
        """The lesson nearest to a lead [h]: most of a site's bias is the site's own and holds at every lead."""
        return min(self.lessons, key=lambda lesson: (abs(lesson.lead_h - lead_h), lesson.lead_h), default=NO_LESSON)


NOTHING_LEARNED = Learned()


def learn(pairs: Sequence[Pair], *, on: date | None = None) -> Learned:
    """Bias and spread of a site by lead, shrunk towards the default.

    Parameters
    ----------
    pairs : sequence of Pair
        What is known, in any order.
    on : date, optional
        The night from which the age of the pairs is counted; without it, the last night of the pairs.

    Returns
    -------
    Learned

    Notes
    -----
    The bias of the field is normal around 0 with the default site spread of 1.0 °C; each night measures it with the
    default spread of its lead, recent nights weigh more (half after 30 days, never below a fifth). The variance of what
    is left is a mean of the default, worth 20 nights, and the site's own. Without nights the default comes back
    unchanged. Of a warm bias half is believed, up to 1.0 °C. Several forecasts of one night count as one. A record in
    whole degrees shows 0 for nights up to half a degree warmer; chances are for what the record would show.
    """
    bands: dict[int, list[Pair]] = defaultdict(list)
    for pair in pairs:
        if is_plausible(pair):
            bands[round(pair.lead_h / BAND_H)].append(pair)
    return Learned(
        lessons=tuple(
            lesson
            for _, band in sorted(bands.items())
            for lesson in learn_each(band, moments=[(on or max(pair.night for pair in band), date.max)])
        )
    )


def learn_each(pairs: Sequence[Pair], *, moments: Sequence[tuple[date, date]]) -> list[Lesson]:
    """What the pairs of about one lead had taught at each of many moments (night asked for, last night known then).

    The same arithmetic as `learn`, all moments at once: a pair later than the last known night has no weight.
    """
    usable = [pair for pair in pairs if is_plausible(pair)]
    if not usable:
        return [NO_LESSON] * len(moments)
    spread_c = np.array([_lead_spread_c(pair) for pair in usable])
    raw_c = np.array([pair.observed_min_c - pair.forecast_min_c - default_bias_c(pair.grade) for pair in usable])
    error_c = np.clip(raw_c, -STRETCH * spread_c, STRETCH * spread_c)
    known = _known(usable, moments)
    weight = known * _recency(usable, moments)
    certainty = weight @ spread_c**-2
    mean_c = np.divide(weight @ (error_c / spread_c**2), certainty, out=np.zeros(len(moments)), where=certainty > 0)
    share = SITE_SD_C**2 * certainty / (SITE_SD_C**2 * certainty + 1.0)
    left = (weight * ((error_c - mean_c[:, None]) / spread_c) ** 2).sum(axis=1)
    freedom = np.maximum(weight.sum(axis=1) - 1.0, 0.0)
    scale = np.maximum(np.sqrt((SPREAD_WORTH_NIGHTS + left) / (SPREAD_WORTH_NIGHTS + freedom)), NARROWEST_SCALE)
    half_step_c = share * _half_step_c([pair.observed_min_c for pair in usable], known)
    nights = _nights_known(usable, known)
    lead_h = sum(pair.lead_h for pair in usable) / len(usable)
    return [
        Lesson(
            lead_h=lead_h,
            nights=int(nights[i]),
            bias_c=_believed_c(float(share[i] * mean_c[i])),
            bias_sd_c=SITE_SD_C * sqrt(1.0 - float(share[i])),
            half_step_c=float(half_step_c[i]),
            spread_scale=float(scale[i]),
        )
        for i in range(len(moments))
    ]


def night_error(
    grade: Grade,
    *,
    lead_h: float,
    forecast_min_c: float | None,
    spread_c: float | None = None,
    members_min_c: Sequence[float] | None = None,
    learned: Learned = NOTHING_LEARNED,
) -> NightError:
    """The error of one night's minimum from the best that is known: members, else a spread, else the default.

    What the site has learned moves each of them; it narrows or widens the default only, as a service's own spread
    speaks of that very night.
    """
    lesson = learned.at(lead_h)
    night, site_sd_c = nights_ahead(lead_h), lesson.bias_sd_c
    if members_min_c and forecast_min_c is not None:
        error = error_from_members(
            grade, night=night, forecast_min_c=forecast_min_c, members_min_c=members_min_c, site_sd_c=site_sd_c
        )
    elif spread_c is not None:
        error = error_from_spread(
            grade, night=night, forecast_min_c=forecast_min_c, spread_c=spread_c, site_sd_c=site_sd_c
        )
    else:
        error = default_error(grade, night=night, forecast_min_c=forecast_min_c, site_sd_c=site_sd_c)
        lead_sd_c = default_spread_c(grade, night=night, site_sd_c=0.0) * lesson.spread_scale
        error = replace(error, kernel_sd_c=sqrt(lead_sd_c**2 + site_sd_c**2))
    moved_c = lesson.bias_c - lesson.half_step_c
    return replace(error, centres_c=tuple(centre_c + moved_c for centre_c in error.centres_c))


def is_plausible(pair: Pair) -> bool:
    """Whether a pair can be weather: numbers, and no more than 15 °F apart."""
    difference_c = pair.observed_min_c - pair.forecast_min_c
    return isfinite(difference_c) and isfinite(pair.lead_h) and not is_slip(difference_c)


def is_slip(difference_c: float) -> bool:
    """Whether forecast and reading are more than 15 °F apart."""
    return abs(difference_c) > SLIP_C + STEP_SLACK_C


def _lead_spread_c(pair: Pair) -> float:
    return default_spread_c(pair.grade, night=nights_ahead(pair.lead_h), site_sd_c=0.0)


def _believed_c(bias_c: float) -> float:
    return min(WARM_CREDIT * bias_c, WARMEST_BIAS_C) if bias_c > 0.0 else bias_c


def _known(pairs: Sequence[Pair], moments: Sequence[tuple[date, date]]) -> npt.NDArray[np.bool_]:
    """Shape (moments, pairs): was the pair known at the moment?"""
    night = np.array([pair.night.toordinal() for pair in pairs])
    until = np.array([last.toordinal() for _, last in moments])
    return night <= until[:, None]


def _recency(pairs: Sequence[Pair], moments: Sequence[tuple[date, date]]) -> Array:
    """Shape (moments, pairs): weight by age, shared out among several pairs of one night."""
    night = np.array([pair.night.toordinal() for pair in pairs])
    on = np.array([asked.toordinal() for asked, _ in moments])
    age_days = np.maximum(on[:, None] - night, 0)
    often = Counter(pair.night for pair in pairs)
    shared: Array = np.maximum(0.5 ** (age_days / HALF_LIFE_DAYS), OLD_WEIGHT) / [often[pair.night] for pair in pairs]
    return shared


def _half_step_c(observed_c: Sequence[float], known: npt.NDArray[np.bool_]) -> Array:
    """Half of the coarsest step that fits all readings known at each moment; 0 where none does."""
    value_c = np.array(observed_c)
    half_c = np.zeros(len(known))
    for step_c in sorted(STEPS_C):
        off_c = np.abs(value_c - step_c * np.round(value_c / step_c))
        half_c[~(known & (off_c > STEP_SLACK_C)).any(axis=1)] = step_c / 2.0
    return half_c


def _nights_known(pairs: Sequence[Pair], known: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    _, first = np.unique([pair.night.toordinal() for pair in pairs], return_index=True)
    nights: npt.NDArray[np.int64] = known[:, first].sum(axis=1)
    return nights
