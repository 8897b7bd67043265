"""Open-Meteo: forecast and ensemble. Its free hosts are for non-commercial use only, so it is off unless allowed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from carewatch.errors import UpstreamTrouble
from carewatch.http import REDIRECTS, HttpClient, Reply
from carewatch.roster.model import Site
from carewatch.sources import open_meteo_reading as reading
from carewatch.sources.coordinates import altitude, latitude, longitude
from carewatch.sources.open_meteo_reading import NAME, SERVICE
from carewatch.sources.port import Recall
from carewatch.sources.terms import ask_again_at, brief, conditional, refusal, renewed, validators
from carewatch.sources.tree import decode_object, dig, text
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import Forecast, Grade

EVERY = timedelta(hours=3)  # models run one to eight times a day
DAYS = 10
HOURLY = "temperature_2m,dew_point_2m,wind_speed_10m,cloud_cover,precipitation"
COMMON = {
    "temperature_unit": "celsius",
    "wind_speed_unit": "ms",
    "precipitation_unit": "mm",
    "timeformat": "unixtime",
    "timezone": "GMT",  # the only zone without traps: others use one offset across a clock change
    "cell_selection": "land",
}


class Ensemble(StrEnum):
    """Which uncertainty is asked for beside the forecast."""

    NONE = "none"
    SPREAD = "spread"
    MEMBERS = "members"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hosts:
    """Where the forecast and the ensemble are asked."""

    forecast: str
    ensemble: str


FREE = Hosts(forecast="https://api.open-meteo.com", ensemble="https://ensemble-api.open-meteo.com")
PAID = Hosts(forecast="https://customer-api.open-meteo.com", ensemble="https://customer-ensemble-api.open-meteo.com")

_ENSEMBLE_QUERY: Mapping[Ensemble, Mapping[str, str]] = {
    Ensemble.SPREAD: {"hourly": "temperature_2m,temperature_2m_spread", "models": "ecmwf_ifs025_ensemble_mean"},
    Ensemble.MEMBERS: {"hourly": "temperature_2m", "models": "ecmwf_ifs025"},
}


class OpenMeteo:
    """Forecasts of Open-Meteo over HTTP, with a key or for a declared non-commercial use."""

    name = NAME

    def __init__(
        self,
        http: HttpClient,
        *,
        api_key: str | None = None,
        is_non_commercial: bool = False,
        ensemble: Ensemble = Ensemble.NONE,
        hosts: Hosts | None = None,
        installation: str = "",
    ) -> None:
        self._http = http
        self._api_key = api_key or None
        self._ensemble = ensemble
        self._hosts = hosts or (PAID if self._api_key else FREE)
        self._installation = installation
        self._is_allowed = bool(self._api_key) or is_non_commercial

    def __repr__(self) -> str:
        """Without the key."""
        return f"OpenMeteo({'with a key' if self._api_key else 'without a key'})"

    def grade(self, site: Site) -> Grade:
        """Global models, corrected for height only."""
        del site
        return Grade.RAW

    def covers(self, site: Site) -> bool:
        """The whole globe, once its use is allowed."""
        del site
        return self._is_allowed

    def update(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """Ask for the forecast and, if wanted, the ensemble."""
        if not self._is_allowed:
            raise UpstreamTrouble(
                f"{SERVICE} is free for non-commercial use only: set a key or declare non-commercial use.",
                is_lasting=True,
            )
        found = list(self._asked(self._hosts.forecast + "/v1/forecast", forecast_key(site), site, now, recall))
        if self._ensemble is Ensemble.NONE:
            return tuple(found)
        try:
            found += self._asked(self._hosts.ensemble + "/v1/ensemble", self._ensemble_key(site), site, now, recall)
        except UpstreamTrouble as trouble:
            if not found or trouble.is_lasting:
                raise
            # the forecast is worth keeping; the trouble comes back at the next tick if it lasts
        return tuple(found)

    def read(self, site: Site, *, recall: Recall) -> Forecast | None:
        """The stored forecast with the stored uncertainty, if there is any."""
        stored = recall(forecast_key(site))
        if stored is None:
            return None
        forecast = reading.read_forecast(stored.body, fetched_at=stored.fetched_at)
        ensemble = None if self._ensemble is Ensemble.NONE else recall(self._ensemble_key(site))
        if ensemble is None:
            return forecast
        read = reading.read_spread if self._ensemble is Ensemble.SPREAD else reading.read_members
        found = read(ensemble.body, start_at=forecast.start_at, hours=forecast.hours)
        return replace(forecast, spread_c=found.spread_c, members_c=found.members_c)

    def _asked(self, url: str, key: str, site: Site, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        stored = recall(key)
        if stored is not None and now < stored.ask_again_at:
            return ()
        reply = self._http.get(
            url,
            query=self._query(key, site),
            headers={**({"X-Api-Key": self._api_key} if self._api_key else {}), **conditional(stored)},
            # a key sent to a free host comes back inside the redirect's address
            follows_redirects=not self._api_key,
        )
        again_at = ask_again_at(reply.headers, now=now, least=EVERY, installation=self._installation, key=key)
        if reply.status == 304 and stored is not None:
            return (renewed(stored, reply, again_at=again_at),)
        if reply.status != 200:
            raise _refusal(reply)
        if key == forecast_key(site):
            reading.read_forecast(reply.body, fetched_at=now)  # a broken answer never takes the place of a good one
        else:
            reading.check(reply.body)
        return (
            Answer(
                source=self.name,
                key=key,
                body=reply.body,
                fetched_at=now,
                issued_at=None,
                ask_again_at=again_at,
                validators=validators(reply.headers),
            ),
        )

    def _query(self, key: str, site: Site) -> dict[str, str]:
        place = {"latitude": latitude(site), "longitude": longitude(site), "elevation": altitude(site)}
        what = {"hourly": HOURLY} if key == forecast_key(site) else _ENSEMBLE_QUERY[self._ensemble]
        return {**place, **what, **COMMON, "forecast_days": str(DAYS)}

    def _ensemble_key(self, site: Site) -> str:
        return f"{self._ensemble}/{latitude(site)},{longitude(site)},{altitude(site)}"


def forecast_key(site: Site) -> str:
    """Key of a site's forecast: sites on the same rounded coordinates and height share it."""
    return f"forecast/{latitude(site)},{longitude(site)},{altitude(site)}"


def _refusal(reply: Reply) -> UpstreamTrouble:
    """Its refusals explain themselves; a throttled one says for how long only by a word."""
    if reply.status in REDIRECTS:
        return UpstreamTrouble(
            f"{SERVICE} sends us to another host: the key in the settings does not fit its plan.", is_lasting=True
        )
    try:
        reason = brief(text(dig(decode_object(reply.body, service=SERVICE), "reason")))
    except UpstreamTrouble:
        reason = ""
    if reply.status == 429:
        wait = next((wait for word, wait in _WAITS.items() if word in reason.lower()), timedelta(minutes=10))
        return UpstreamTrouble(
            f"{SERVICE} asks us to slow down (429). It says: {reason}", retry_after=max(wait, reply.retry_after or wait)
        )
    return refusal(reply, service=SERVICE, detail=reason)


_WAITS: Mapping[str, timedelta] = {
    "minute": timedelta(minutes=1),
    "concurrent": timedelta(minutes=1),
    "hour": timedelta(hours=1),
    "dai": timedelta(days=1),  # daily
    "day": timedelta(days=1),
    "month": timedelta(days=7),
}
