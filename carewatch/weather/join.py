"""Join the forecasts of one site into one hourly series with its nights. Start here; lows.py judges a night."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from carewatch.roster.model import Site
from carewatch.weather.forecast import Forecast, NightWeather, SiteWeather
from carewatch.weather.height import at_height, colder_by_height_c
from carewatch.weather.history import Series, stitch
from carewatch.weather.intervals import floor_hour
from carewatch.weather.lows import SHOWN_C, STALE_AGE_H, celsius, covers, cut, night_weather
from carewatch.weather.nights import Night, nights_from
from carewatch.weather.readings import Readings, colder_past
from carewatch.weather.series import nothing

OTHER_FIRST_AGE_H = 18.0  # chosen: from this age on a fresher service goes first
HISTORY_H = 48  # chosen: the slowest part (a full tank) has forgotten its start after two days


def join(
    site: Site,
    forecasts: Sequence[Forecast],
    *,
    now: datetime,
    nights: int = 7,
    history: Sequence[Forecast] = (),
    readings: Readings | None = None,
) -> SiteWeather:
    """What is coming to one site: `forecasts` in order of preference, `history` for the hours already past.

    `readings`: what its own thermometer read; past hours are as cold as that, where it was colder than forecast.
    """
    ahead = nights_from(now, site.tz, count=nights)
    # near noon the night that contains now is almost over: the next one must be known as well
    ranked = _ranked(site, forecasts, soon=ahead[:2], now=now)
    if not ranked:
        return _no_weather(site, ahead, now=now)
    primary = ranked[0]
    second = next((other for other in ranked[1:] if _may_object(other, primary, now=now)), None)
    past = [at_height(older, elevation_m=site.elevation_m) for older in history]
    series = forecast_series = stitch(primary, past, now_hour=floor_hour(now), back_h=HISTORY_H)
    if readings is not None:
        series = colder_past(series, readings, until=now)
    weather = [night_weather(night, series, primary, second, now=now) for night in ahead]
    weather[0] = replace(weather[0], because=(*weather[0].because, *_read_colder(ahead[0], series, forecast_series)))
    return SiteWeather(
        site=site.id,
        forecast=primary,
        second=second,
        start_at=series.start_at,
        air_c=series.air_c,
        dew_c=series.dew_c,
        wind_mps=series.wind_mps,
        cloud_fraction=series.cloud_fraction,
        rain_mm=series.rain_mm,
        nights=tuple(weather),
        because=tuple(_about(site, forecasts, primary)),
        read_until=None if readings is None else readings.moments[-1],
    )


def _read_colder(night: Night, series: Series, forecast: Series) -> Iterator[str]:
    """A word on the thermometer, where it read a colder hour in the night than the forecast had."""
    span = {"series_start_at": series.start_at, "start_at": night.start_at, "end_at": night.end_at}
    read_c, said_c = cut(series.air_c, **span), cut(forecast.air_c, **span)
    colder = read_c < said_c - SHOWN_C
    if colder.any():
        yield f"The thermometer at the site read {celsius(float(read_c[colder].min()))}, colder than the forecast."


def _ranked(site: Site, forecasts: Sequence[Forecast], *, soon: Sequence[Night], now: datetime) -> list[Forecast]:
    """Fresh and complete ones first, in order of preference; then ageing, stale and incomplete ones by age."""

    def rank(forecast: Forecast) -> tuple[int, float]:
        age_h = forecast.age_h(now)
        if age_h > STALE_AGE_H:
            return 3, age_h
        if not all(covers(forecast, night, now=now) for night in soon):
            return 2, age_h
        return (1, age_h) if age_h > OTHER_FIRST_AGE_H else (0, 0.0)

    fitted = [at_height(forecast, elevation_m=site.elevation_m) for forecast in forecasts if forecast.hours]
    return sorted(fitted, key=rank)  # stable: equals stay in order of preference


def _may_object(other: Forecast, primary: Forecast, *, now: datetime) -> bool:
    """A stale second opinion is heard only where the first is stale too: fresh data replace old ones."""
    return other.age_h(now) <= STALE_AGE_H or primary.age_h(now) > STALE_AGE_H


def _about(site: Site, forecasts: Sequence[Forecast], primary: Forecast) -> Iterator[str]:
    """What holds for every night of this site."""
    raw = next(forecast for forecast in forecasts if forecast.source == primary.source)
    colder_c = colder_by_height_c(raw, elevation_m=site.elevation_m)
    if raw.elevation_m is not None and colder_c >= SHOWN_C:
        above_m = site.elevation_m - raw.elevation_m
        yield f"The site lies {above_m:.0f} m above the ground of the forecast: {celsius(colder_c)} colder."
    if raw.source != forecasts[0].source:
        yield f"{forecasts[0].name} is old or incomplete; {primary.name} is used instead."
    yield from primary.warnings


def _no_weather(site: Site, ahead: Sequence[Night], *, now: datetime) -> SiteWeather:
    nights = tuple(
        NightWeather(
            night=night,
            is_usable=False,
            min_c=None,
            coldest_at=None,
            colder_c=0.0,
            lead_h=0.0,
            spread_c=None,
            members_min_c=None,
            because=(),
        )
        for night in ahead
    )
    return SiteWeather(
        site=site.id,
        forecast=None,
        second=None,
        start_at=floor_hour(now),
        air_c=nothing(0),
        dew_c=nothing(0),
        wind_mps=nothing(0),
        cloud_fraction=nothing(0),
        rain_mm=nothing(0),
        nights=nights,
        because=("There is no forecast for this place.",),
    )
