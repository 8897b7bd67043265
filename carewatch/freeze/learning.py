"""What a site has taught: how its own minima differ from what is forecast for it. A pure fold over stored pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import isfinite, sqrt

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

SPREAD_WORTH_NIGHTS = 20.0  # chosen: the default spread weighs as much as this many nights of the site's own
WARMEST_BIAS_C = 1.0  # chosen: a site that stays warmer than forecast is believed up to here, a colder one in full
NARROWEST_SCALE = 0.6  # chosen: city to city the spread goes down to 1.1 of 1.8 °C; no site is believed to do better
TYPING_ERROR_C = 10.0  # chosen: a few pairs of the official record differ by more; they are slips, not weather


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One night that was forecast and measured at a site [°C]; `lead_h` hours from issue to the coldest hour."""

    night: date
    grade: Grade
    lead_h: float
    forecast_min_c: float
    observed_min_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What some nights say of a site.

    `bias_c`: observed minus forecast beyond the default bias [°C]; `bias_sd_c`: how uncertain that still is [°C];
    `spread_scale`: the site's own spread over the default one [-].
    """

    nights: int = 0
    bias_c: float = 0.0
    bias_sd_c: float = SITE_SD_C
    spread_scale: float = 1.0


NOTHING_LEARNED = Learned()


def learn(pairs: Sequence[Pair]) -> Learned:
    """Bias and spread of a site, shrunk towards the default.

    Notes
    -----
    The bias of the field is normal around 0 with the default site spread of 1.0 °C; each night measures it with the
    default spread of its lead. The variance of what is left is a mean of the default, worth 20 nights, and the site's
    own. Without nights the default comes back unchanged. Order does not matter. A bias to the warm side counts up to
    1.0 °C only.
    """
    usable = [pair for pair in pairs if _is_plausible(pair)]
    if not usable:
        return NOTHING_LEARNED
    spreads_c = [default_spread_c(pair.grade, night=nights_ahead(pair.lead_h), site_sd_c=0.0) for pair in usable]
    errors_c = [pair.observed_min_c - pair.forecast_min_c - default_bias_c(pair.grade) for pair in usable]
    certainty = sum(spread_c**-2 for spread_c in spreads_c)
    mean_c = sum(error_c / spread_c**2 for error_c, spread_c in zip(errors_c, spreads_c, strict=True)) / certainty
    weight = SITE_SD_C**2 / (SITE_SD_C**2 + 1.0 / certainty)
    left = sum(((error_c - mean_c) / spread_c) ** 2 for error_c, spread_c in zip(errors_c, spreads_c, strict=True))
    return Learned(
        nights=len(usable),
        bias_c=min(weight * mean_c, WARMEST_BIAS_C),
        bias_sd_c=SITE_SD_C * sqrt(1.0 - weight),
        spread_scale=max(sqrt((SPREAD_WORTH_NIGHTS + left) / (SPREAD_WORTH_NIGHTS + len(usable) - 1)), NARROWEST_SCALE),
    )


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
    night, site_sd_c = nights_ahead(lead_h), learned.bias_sd_c
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
        lead_sd_c = default_spread_c(grade, night=night, site_sd_c=0.0) * learned.spread_scale
        error = replace(error, kernel_sd_c=sqrt(lead_sd_c**2 + site_sd_c**2))
    return replace(error, centres_c=tuple(centre_c + learned.bias_c for centre_c in error.centres_c))


def _is_plausible(pair: Pair) -> bool:
    difference_c = pair.observed_min_c - pair.forecast_min_c
    return isfinite(difference_c) and isfinite(pair.lead_h) and abs(difference_c) <= TYPING_ERROR_C
