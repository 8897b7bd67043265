"""How far the lowest temperature of a night may fall from what was forecast.

`NightError` is the one seam between physics and people: a part's freeze margin and a night's error give the chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

from carewatch.errors import BadInput
from carewatch.weather.forecast import Grade

# SD of observed minus forecast minimum by night ahead, 1 to 7 [°C]. Official: computed on 58,000 pairs per lead of US
# National Weather Service city forecasts 2021-2022 (nights 1 and 2) and grown with the lead found in the Data Expo
# 2018 table of 113 cities (nights 3 to 7). Raw: about 22 % more (chosen).
LEAD_SD_C = {
    Grade.OFFICIAL: (1.8, 2.0, 2.2, 2.4, 2.6, 2.9, 3.1),
    Grade.RAW: (2.2, 2.4, 2.7, 2.9, 3.2, 3.5, 3.8),
}
GROWTH_PER_NIGHT_C = 0.25  # chosen: growth beyond night 7, as between nights 5 and 7
RAW_BIAS_C = -0.5  # chosen: raw models forecast minima too warm; no credit for the cold bias of official ones
SITE_SD_C = 1.0  # chosen: the field against the forecast's place, until a thermometer there says better
WITHIN_NIGHT_SD_C = 1.5  # chosen: what a service's own spread leaves out (the field, the hour, the model's floor)
BELOW_DEFAULT_C = 0.3  # chosen: a service's own spread may be this much below the default, no more
FLOOR = 0.01  # tails are fatter than normal: 1 % of official errors were below -4.4 to -5.0 °C
FLOOR_BELOW_C = 5.0  # the floor holds for nights whose forecast minimum is below this
FLOOR_REACH_C = 10.0  # chosen: no error of this size was seen, so the floor ends here (antifreeze stays safe)
NIGHT_H = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NightError:
    """Distribution of (observed minus forecast) minimum of a night [°C].

    A mixture of equal normals of width `kernel_sd_c` around `centres_c`; `floor` is the least probability given to
    errors down to -10 °C.
    """

    centres_c: tuple[float, ...]
    kernel_sd_c: float
    floor: float = 0.0

    @property
    def mean_c(self) -> float:
        """Mean error [°C]."""
        return sum(self.centres_c) / len(self.centres_c)

    @property
    def spread_c(self) -> float:
        """Standard deviation [°C]."""
        return sqrt(self.kernel_sd_c**2 + _variance(self.centres_c))

    def cdf(self, error_c: float) -> float:
        """Chance that the night turns out `error_c` or more below the forecast (negative: colder) [0..1]."""
        normal = NormalDist(0.0, self.kernel_sd_c)
        chance = sum(normal.cdf(error_c - centre_c) for centre_c in self.centres_c) / len(self.centres_c)
        return max(chance, self.floor) if error_c >= -FLOOR_REACH_C else chance

    def quantile(self, probability: float) -> float:
        """The error [°C] below which a share `probability` (0..1, both excluded) of nights falls; without the floor."""
        if not 0.0 < probability < 1.0:
            raise BadInput(f"A probability of {probability:g} is not possible; write one between 0 and 1.")
        normal = NormalDist(0.0, self.kernel_sd_c)
        if len(self.centres_c) == 1:
            return self.centres_c[0] + normal.inv_cdf(probability)
        bare = NightError(centres_c=self.centres_c, kernel_sd_c=self.kernel_sd_c)
        reach_c = normal.inv_cdf(probability)
        low_c, high_c = min(self.centres_c) + reach_c, max(self.centres_c) + reach_c
        for _ in range(50):
            middle_c = 0.5 * (low_c + high_c)
            low_c, high_c = (middle_c, high_c) if bare.cdf(middle_c) < probability else (low_c, middle_c)
        return 0.5 * (low_c + high_c)


def default_spread_c(grade: Grade, *, night: float, site_sd_c: float = SITE_SD_C) -> float:
    """Default standard deviation [°C] for `night` nights ahead (1: the coming one), between the table's rows too."""
    if not 1.0 <= night < 1000.0:
        raise BadInput(f"Night {night:g} is not possible; the coming night is 1.")
    if not 0.0 <= site_sd_c < 100.0:
        raise BadInput(f"A site spread of {site_sd_c:g} °C is not possible; write 0 or more.")
    table_c = LEAD_SD_C[grade]
    row = min(int(night), len(table_c) - 1)
    here_c, next_c = table_c[row - 1], table_c[row]
    beyond = max(night - len(table_c), 0.0)
    lead_sd_c = here_c + (next_c - here_c) * min(night - row, 1.0) + GROWTH_PER_NIGHT_C * beyond
    return sqrt(lead_sd_c**2 + site_sd_c**2)


def nights_ahead(lead_h: float) -> float:
    """Row of the default table for a lead from issue to the coldest hour [h]: 24 h is night 1, 48 h night 2."""
    return max(lead_h / NIGHT_H, 1.0)


def default_error(
    grade: Grade, *, night: float, forecast_min_c: float | None, site_sd_c: float = SITE_SD_C
) -> NightError:
    """The error without any local knowledge."""
    return NightError(
        centres_c=(default_bias_c(grade),),
        kernel_sd_c=default_spread_c(grade, night=night, site_sd_c=site_sd_c),
        floor=_floor(forecast_min_c),
    )


def error_from_spread(
    grade: Grade, *, night: float, forecast_min_c: float | None, spread_c: float, site_sd_c: float = SITE_SD_C
) -> NightError:
    """The error from the service's own spread: sqrt(spread^2 + 1.5^2), never below the default less 0.3 °C."""
    least_c = default_spread_c(grade, night=night, site_sd_c=site_sd_c) - BELOW_DEFAULT_C
    return NightError(
        centres_c=(default_bias_c(grade),),
        kernel_sd_c=max(sqrt(spread_c**2 + WITHIN_NIGHT_SD_C**2), least_c),
        floor=_floor(forecast_min_c),
    )


def error_from_members(
    grade: Grade,
    *,
    night: float,
    forecast_min_c: float,
    members_min_c: Sequence[float],
    site_sd_c: float = SITE_SD_C,
) -> NightError:
    """The error from members' minima of the night: each is a centre, widened so that the whole is not too sure.

    The bias of a raw model is taken for its members too: they share its physics.
    """
    if not members_min_c:
        raise BadInput("There are no members; give at least one minimum.")
    least_c = default_spread_c(grade, night=night, site_sd_c=site_sd_c) - BELOW_DEFAULT_C
    missing = least_c**2 - _variance(members_min_c)
    bias_c = default_bias_c(grade)
    return NightError(
        centres_c=tuple(member_c - forecast_min_c + bias_c for member_c in members_min_c),
        kernel_sd_c=sqrt(max(WITHIN_NIGHT_SD_C**2, missing)),
        floor=_floor(forecast_min_c),
    )


def default_bias_c(grade: Grade) -> float:
    """Mean error [°C] to expect of a grade before a site's own record says better."""
    return RAW_BIAS_C if grade is Grade.RAW else 0.0


def _floor(forecast_min_c: float | None) -> float:
    return FLOOR if forecast_min_c is None or forecast_min_c < FLOOR_BELOW_C else 0.0


def _variance(values: Sequence[float]) -> float:
    mean = sum(values) / len(values)
    return sum((value - mean) ** 2 for value in values) / len(values)
