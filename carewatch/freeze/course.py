"""The course of one night for one part: how warm air and part are hour by hour, how much ice, and the freeze margin."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import cos, isfinite, pi

import numpy as np
import numpy.typing as npt

from carewatch.errors import BadInput
from carewatch.freeze.batch import Batch, Body, Job
from carewatch.freeze.forcing import DEW_BELOW_AIR_C, surroundings
from carewatch.freeze.kernel import Kernel, run_numpy
from carewatch.freeze.night_error import NightError, default_error
from carewatch.freeze.parts import Part
from carewatch.logbook.state import Whereabouts
from carewatch.roster.model import PlaceKind, Site
from carewatch.weather.forecast import Grade, NightWeather, SiteWeather
from carewatch.weather.nights import Night

FloatArray = npt.NDArray[np.float64]

HOUR = timedelta(hours=1)
BEFORE_H = 6  # the day before runs along, so that a tank begins as warm as it would be
NIGHT_H = 24
WARMEST_H, COLDEST_H = 3.0, 18.0  # chosen: after noon; three in the afternoon, six in the morning
SWING_C = 9.0  # chosen: a clear autumn day, where no high is given
COLDEST_BELIEVED_C, WARMEST_BELIEVED_C = -70.0, 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """One part through one night; arrays at the full hours from `from_at` (noon, or when its liquid got in) to noon.

    `air_c` is the air as the part feels it (with the cautions of the service), `part_c` the coldest and `ice_fraction`
    the most of three winds (as given, half, double); `first_ice_h` hours after the start (None: no ice); `margin_c` [K]
    (None: no night that can come would freeze it); `chance` by the error of that night's forecast.
    """

    from_at: datetime
    margin_c: float | None
    chance: float
    freezes_at_c: float
    air_c: FloatArray
    part_c: FloatArray
    ice_fraction: FloatArray
    first_ice_h: float | None

    @property
    def coldest_air_c(self) -> float:
        """The lowest air temperature as felt."""
        return float(self.air_c.min())

    @property
    def coldest_part_c(self) -> float:
        """The lowest temperature of the part."""
        return float(self.part_c.min())


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Hourly weather from noon to noon, arrays [25]; NaN where nothing is known, wind at 10 m."""

    air_c: FloatArray
    dew_c: FloatArray
    wind_mps: FloatArray
    cloud_fraction: FloatArray


def typical_night(
    *, low_c: float, high_c: float | None = None, dew_c: float | None = None, wind_mps: float, cloud_fraction: float
) -> Weather:
    """A night that falls from its high at three in the afternoon to its low at six in the morning, by a half cosine.

    Without a high it is 9 °C above the low; without a dew point the air is dry: 8 °C below the low.
    """
    high_c = low_c + SWING_C if high_c is None else high_c
    for name, value_c in (("low", low_c), ("high", high_c), ("dew point", low_c if dew_c is None else dew_c)):
        if not COLDEST_BELIEVED_C <= value_c <= WARMEST_BELIEVED_C:
            raise BadInput(f"A {name} of {value_c:g} °C is not possible; write {COLDEST_BELIEVED_C:g} to 60.")
    if high_c < low_c:
        raise BadInput(f"The high of {high_c:g} °C is below the low of {low_c:g} °C.")
    if not 0.0 <= wind_mps <= 100.0:
        raise BadInput(f"A wind of {wind_mps:g} m/s is not possible; write 0 to 100.")
    if not 0.0 <= cloud_fraction <= 1.0:
        raise BadInput(f"A cloud share of {cloud_fraction:g} is not possible; write 0 (clear) to 1 (overcast).")
    hour = np.arange(NIGHT_H + 1, dtype=np.float64)
    falling_h = COLDEST_H - WARMEST_H
    share = np.where(
        hour <= COLDEST_H,
        np.clip((hour - WARMEST_H) / falling_h, 0.0, 1.0),
        1.0 - (hour - COLDEST_H) / (NIGHT_H + WARMEST_H - COLDEST_H),
    )
    air_c = low_c + (high_c - low_c) * np.array([0.5 * (1.0 + cos(pi * one)) for one in share])
    same = np.ones_like(air_c)
    return Weather(
        air_c=air_c,
        dew_c=np.minimum(same * (low_c - DEW_BELOW_AIR_C if dew_c is None else dew_c), air_c),
        wind_mps=same * wind_mps,
        cloud_fraction=same * cloud_fraction,
    )


def course(
    part: Part,
    weather: Weather,
    *,
    place: PlaceKind = PlaceKind.OUTDOORS,
    colder_c: float = 0.0,
    grade: Grade = Grade.OFFICIAL,
    kernel: Kernel = run_numpy,
) -> Course:
    """Run one part through one night with everything the service adds: winds, inversion, cold ground, shelter.

    Parameters
    ----------
    part : Part
    weather : Weather
        Noon to noon; at least one air temperature must be known.
    place : PlaceKind
        Where it stands; a heated shop is held at 10 °C all night.
    colder_c : float
        How much colder the spot is than its surroundings [K].
    grade : Grade
        Of the forecast the weather comes from: decides the chance.
    """
    if np.isnan(weather.air_c).all():
        raise BadInput("There is no air temperature in this night.")
    noon = datetime(2000, 1, 1, 12, tzinfo=UTC)  # any day: nothing in a night depends on the date
    error = default_error(grade, night=1.0, forecast_min_c=float(np.nanmin(weather.air_c)))
    return course_of(_job(part, weather, place=place, colder_c=colder_c, noon=noon), error=error, kernel=kernel)


def course_of(job: Job, *, error: NightError, kernel: Kernel = run_numpy) -> Course:
    """The course of a job's one night for its one body, and the chance under that error of the night's low."""
    (body,) = job.bodies
    batch = Batch([job], kernel=kernel)
    margin_c = float(batch.margins_c()[0])
    trace = batch.under_shift([0], [0.0])[0]
    first = job.feels.mark_at_or_before(trace.from_at)
    last = first + trace.part_c.shape[0]
    return Course(
        from_at=trace.from_at,
        margin_c=margin_c if isfinite(margin_c) else None,
        chance=error.cdf(margin_c),
        freezes_at_c=body.part.freezes_at_c,
        air_c=job.feels.air_c[first:last],
        part_c=trace.part_c,
        ice_fraction=trace.ice_fraction,
        first_ice_h=None if trace.onset_at is None else (trace.onset_at - trace.from_at) / HOUR,
    )


def _job(part: Part, weather: Weather, *, place: PlaceKind, colder_c: float, noon: datetime) -> Job:
    night = Night(on=noon.date(), start_at=noon, end_at=noon + NIGHT_H * HOUR)
    known = NightWeather(
        night=night,
        is_usable=True,
        min_c=float(np.nanmin(weather.air_c)),
        coldest_at=noon + int(np.nanargmin(weather.air_c)) * HOUR,
        colder_c=0.0,
        lead_h=NIGHT_H,
        spread_c=None,
        members_min_c=None,
        because=(),
    )
    start_at = noon - BEFORE_H * HOUR

    def held(values: FloatArray) -> FloatArray:
        return np.concatenate([np.full(BEFORE_H, values[0]), values])

    site_weather = SiteWeather(
        site="here",
        forecast=None,
        second=None,
        start_at=start_at,
        air_c=held(weather.air_c),
        dew_c=held(weather.dew_c),
        wind_mps=held(weather.wind_mps),
        cloud_fraction=held(weather.cloud_fraction),
        rain_mm=np.zeros(BEFORE_H + NIGHT_H + 1),
        nights=(known,),
    )
    stay = Whereabouts(
        site="here",
        place=None,
        kind=place,
        colder_c=colder_c,
        since=start_at - HOUR,
        known_by="calculator",
        is_assumed=False,
        heat_known_until=night.end_at + HOUR if place is PlaceKind.HEATED_SHOP else None,
    )
    feels = surroundings(site_weather, site=_here(), stays=(stay,))
    if feels is None:
        raise BadInput("There is no air temperature in this night.")
    return Job(feels=feels, bodies=(Body(part=part, entered_at=None),), nights=(night,))


def _here() -> Site:
    return Site(id="here", name="here", lat_deg=0.0, lon_deg=0.0, elevation_m=0.0, zone="UTC", places=(), contacts=())
