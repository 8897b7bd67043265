"""The US National Weather Service: which grid cell a site lies in, and that cell's raw forecast.

Reading the answers: nws_grid.py, nws_alerts.py, nws_stations.py. Facts: weather.gov/documentation/services-web-api,
the general FAQs of weather-gov.github.io/api and the threads of weather-gov/api on GitHub.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from carewatch.errors import UpstreamTrouble
from carewatch.http import HttpClient, Reply
from carewatch.roster.model import Site
from carewatch.sources import nws_alerts, nws_grid, nws_stations
from carewatch.sources.coordinates import latitude, longitude
from carewatch.sources.nws_grid import NAME, SERVICE, TITLE
from carewatch.sources.port import Recall
from carewatch.sources.terms import ask_again_at, brief, conditional, keep_newest, refusal, renewed, validators
from carewatch.sources.tree import decode_object, dig, text
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import Forecast, Grade
from carewatch.weather.intervals import floor_hour
from carewatch.weather.readings import Readings

BASE_URL = "https://api.weather.gov"
HEADERS = {"Accept": "application/geo+json"}  # without it the cache has served days-old forecasts
POINTS_EVERY = timedelta(days=1)  # grids are renumbered without notice
GRID_EVERY = timedelta(hours=1)
ALERTS_EVERY = timedelta(minutes=15)
ALERTS_GRACE = timedelta(hours=1)  # chosen: silence this long after the time to ask again is told
STATIONS_EVERY = timedelta(days=7)  # stations are rarely built or closed
MEASURED_EVERY = timedelta(hours=6)
MEASURED_BACK = timedelta(hours=30)  # chosen: a whole night, wherever in the six hours after it one asks
NOT_COVERED_FOR = timedelta(days=7)  # chosen: a place outside the area stays outside

# Coarse boxes (south, north, west, east) around the states and territories; the service itself says who is inside.
_BOXES = (
    (24.3, 49.6, -125.2, -66.8),  # contiguous states
    (51.0, 71.6, -180.0, -129.5),  # Alaska
    (51.0, 53.5, 172.0, 180.0),  # western Aleutians
    (18.5, 22.6, -160.7, -154.5),  # Hawaii
    (17.5, 18.7, -67.6, -64.4),  # Puerto Rico, US Virgin Islands
    (13.1, 20.7, 144.4, 146.3),  # Guam, Northern Marianas
    (-14.8, -10.8, -171.3, -168.0),  # American Samoa
)


class NationalWeatherService:
    """Forecasts of the US National Weather Service over HTTP."""

    name = NAME

    def __init__(self, http: HttpClient, *, base_url: str = BASE_URL, installation: str = "") -> None:
        self._http = http
        self._base_url = base_url.rstrip("/")
        self._installation = installation

    def grade(self, site: Site) -> Grade:
        """Adjusted by local forecasters everywhere."""
        del site
        return Grade.OFFICIAL

    def covers(self, site: Site) -> bool:
        """Whether the site lies in a coarse box around US territory."""
        return any(
            south <= site.lat_deg <= north and west <= site.lon_deg <= east for south, north, west, east in _BOXES
        )

    def update(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """Find the site's grid cell when it is not known or old, then ask for the cell's forecast."""
        found: list[Answer] = []
        troubles: list[UpstreamTrouble] = []
        points = recall(points_key(site))
        if points is None or now >= points.ask_again_at:
            try:
                points = self._points(site, stored=points, now=now)
                found.append(points)
            except UpstreamTrouble as trouble:
                if points is None or trouble.is_lasting:
                    raise
                troubles.append(trouble)  # the cell known so far is good enough for one more forecast
        cell = nws_grid.read_cell(points.body)
        if cell is not None:
            try:
                found += self._cell(site, cell, may_move=not found, now=now, recall=recall)
            except UpstreamTrouble as trouble:
                if trouble.is_lasting:
                    raise
                troubles.append(trouble)
        if troubles and not found:
            raise troubles[-1]
        # what was found is worth keeping; a trouble beside it comes back at the next tick if it lasts
        return tuple(found)

    def read(self, site: Site, *, recall: Recall) -> Forecast | None:
        """The forecast of the site's grid cell."""
        cell = _known_cell(site, recall)
        answer = None if cell is None else recall(cell.key)
        if answer is None:
            return None
        if not nws_grid.holds(answer.body, site):
            raise UpstreamTrouble(f"{SERVICE} has renumbered its grid: the stored cell is another place.")
        return nws_grid.read_grid(answer.body, fetched_at=answer.fetched_at)

    def update_alerts(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """Ask for official messages in force at the site; kept apart because they never lower or delay anything."""
        key = alerts_key(site)
        stored = recall(key)
        if stored is not None and now < stored.ask_again_at:
            return ()
        query = {"point": f"{latitude(site)},{longitude(site)}"}
        reply = self._get("/alerts/active", stored=stored, query=query)
        return (self._answer(reply, key=key, stored=stored, every=ALERTS_EVERY, now=now),)

    def alerts(self, site: Site, *, now: datetime, recall: Recall) -> tuple[str, ...]:
        """Official freeze and frost messages in force at the site, or a word that they are unknown."""
        stored = recall(alerts_key(site))
        if stored is None:
            return ()
        told = nws_alerts.read_alerts(stored.body, zone=site.tz, now=now)
        if now <= stored.ask_again_at + ALERTS_GRACE:
            return told
        since = stored.ask_again_at.astimezone(site.tz)
        return (*told, f"{TITLE}: official messages unknown since {since:%a %H:%M}.")

    def update_measured(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """Ask for the stations around the site's cell when they are not known, then what the nearest measured."""
        cell = _known_cell(site, recall)
        if cell is None:
            return ()
        found: list[Answer] = []
        stations = recall(cell.stations_key)
        if stations is None or now >= stations.ask_again_at:
            reply = self._get(f"{cell.path}/stations", stored=stations)
            stations = self._answer(reply, key=cell.stations_key, stored=stations, every=STATIONS_EVERY, now=now)
            nws_stations.check_list(stations.body)
            found.append(stations)
        station = nws_stations.nearest_station(stations.body, site)
        stored = None if station is None else recall(station.key)
        if station is not None and (stored is None or now >= stored.ask_again_at):
            query = {"start": f"{floor_hour(now) - MEASURED_BACK:%Y-%m-%dT%H:%M:%SZ}"}
            reply = self._get(f"/stations/{station.id}/observations", stored=None, query=query)
            answer = self._answer(reply, key=station.key, stored=None, every=MEASURED_EVERY, now=now)
            nws_stations.check_list(answer.body)
            found.append(answer)
        return tuple(found)

    def measured(self, site: Site, *, recall: Recall) -> Readings | None:
        """What the nearest station measured lately."""
        cell = _known_cell(site, recall)
        stations = None if cell is None else recall(cell.stations_key)
        station = None if stations is None else nws_stations.nearest_station(stations.body, site)
        answer = None if station is None else recall(station.key)
        return None if station is None or answer is None else nws_stations.read_observed(answer.body, station)

    def _points(self, site: Site, *, stored: Answer | None, now: datetime) -> Answer:
        reply = self._get(f"/{points_key(site)}", stored=stored)
        if reply.status == 404 and _problem(reply) == "InvalidPoint":
            answer = self._answer(replace(reply, status=200), key=points_key(site), stored=None, now=now)
            return replace(answer, ask_again_at=now + NOT_COVERED_FOR)
        return self._answer(reply, key=points_key(site), stored=stored, every=POINTS_EVERY, now=now)

    def _cell(
        self, site: Site, cell: nws_grid.Cell, *, may_move: bool, now: datetime, recall: Recall
    ) -> tuple[Answer, ...]:
        """The forecast of a cell; when the cell is gone or another place, the cell is looked up again, once."""
        stored = recall(cell.key)
        if stored is not None and now < stored.ask_again_at and nws_grid.holds(stored.body, site):
            return ()
        reply = self._get(cell.path, stored=stored)
        is_gone = reply.status == 404
        answer = None if is_gone else self._answer(reply, key=cell.key, stored=stored, every=GRID_EVERY, now=now)
        if answer is not None and nws_grid.holds(answer.body, site):
            nws_grid.read_grid(answer.body, fetched_at=now)  # a broken answer never takes the place of a good one
            return (keep_newest(stored, answer),)
        if not may_move:
            raise refusal(reply, service=SERVICE) if is_gone else UpstreamTrouble(f"{SERVICE} names a cell elsewhere.")
        points = self._points(site, stored=None, now=now)
        moved = nws_grid.read_cell(points.body)
        if moved is None or moved == cell:
            raise refusal(reply, service=SERVICE) if is_gone else UpstreamTrouble(f"{SERVICE} names a cell elsewhere.")
        return (points, *self._cell(site, moved, may_move=False, now=now, recall=recall))

    def _get(self, path: str, *, stored: Answer | None, query: dict[str, str] | None = None) -> Reply:
        return self._http.get(self._base_url + path, query=query, headers={**HEADERS, **conditional(stored)})

    def _answer(
        self, reply: Reply, *, key: str, stored: Answer | None, now: datetime, every: timedelta = POINTS_EVERY
    ) -> Answer:
        again_at = ask_again_at(reply.headers, now=now, least=every, installation=self._installation, key=key)
        if reply.status == 304 and stored is not None:
            return renewed(stored, reply, again_at=again_at)
        if reply.status != 200:
            raise refusal(reply, service=SERVICE, detail=_explained(reply))
        return Answer(
            source=self.name,
            key=key,
            body=reply.body,
            fetched_at=now,
            issued_at=nws_grid.issued_at(reply.body),
            ask_again_at=again_at,
            validators=validators(reply.headers),
        )


def _known_cell(site: Site, recall: Recall) -> nws_grid.Cell | None:
    points = recall(points_key(site))
    return None if points is None else nws_grid.read_cell(points.body)


def points_key(site: Site) -> str:
    """Key of the answer that names the site's grid cell."""
    return f"points/{latitude(site)},{longitude(site)}"


def alerts_key(site: Site) -> str:
    """Key of the official messages for the site."""
    return f"alerts/{latitude(site)},{longitude(site)}"


def _problem(reply: Reply) -> str:
    """The last word of the problem's type, such as InvalidPoint; empty if the body is no problem report."""
    try:
        kind = text(dig(decode_object(reply.body, service=SERVICE), "type"))
    except UpstreamTrouble:
        return ""
    return (kind or "").rpartition("/")[2]


def _explained(reply: Reply) -> str:
    """What the service says about a refusal, with the number its operators ask for."""
    kind = _problem(reply)
    number = reply.headers.get("x-correlation-id", "")
    return brief(f"{kind} {f'(correlation id {number})' if number else ''}")
