"""The odds calculator: the chance that a night falls to a temperature that does harm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from carewatch.errors import BadInput
from carewatch.freeze.night_error import SITE_SD_C, default_error, error_from_members
from carewatch.weather.forecast import Grade


@dataclass(frozen=True, slots=True, kw_only=True)
class Odds:
    """Chance [0..1] and the spread it was computed with [°C]."""

    chance: float
    spread_c: float


def odds(
    *,
    low_c: float | None = None,
    night: int = 1,
    grade: Grade = Grade.OFFICIAL,
    site_sd_c: float = SITE_SD_C,
    members_c: Sequence[float] | None = None,
    harm_c: float = 0.0,
) -> Odds:
    """Chance that the lowest air temperature of a night is at or below `harm_c`.

    Parameters
    ----------
    low_c : float, optional
        Forecast minimum [°C]; may be left out when `members_c` is given.
    night : int
        Nights ahead, 1 is the coming one.
    grade : Grade
        `official` (corrected by a weather service) or `raw` model.
    site_sd_c : float
        Spread of the field against the forecast's place [°C].
    members_c : sequence of float, optional
        Minima of the night by the members of an ensemble [°C]; then `low_c` only sets the floor of 1 %.
    harm_c : float
        Temperature from which it does harm [°C].

    Returns
    -------
    Odds

    Raises
    ------
    BadInput
        Without a minimum and members, or with values that are no numbers.
    """
    for value_c in (*(members_c or ()), harm_c, *(() if low_c is None else (low_c,))):
        if not (isfinite(value_c) and -90.0 <= value_c <= 60.0):
            raise BadInput(f"A temperature of {value_c:g} °C is not possible; write -90 to 60.")
    if members_c is not None:
        centre_c = sum(members_c) / len(members_c) if members_c else 0.0
        low_c = centre_c if low_c is None else low_c
        error = error_from_members(
            grade, night=night, forecast_min_c=low_c, members_min_c=members_c, site_sd_c=site_sd_c
        )
    elif low_c is not None:
        error = default_error(grade, night=night, forecast_min_c=low_c, site_sd_c=site_sd_c)
    else:
        raise BadInput("Give the forecast minimum, or the minima of the members.")
    return Odds(chance=error.cdf(harm_c - low_c), spread_c=error.spread_c)
