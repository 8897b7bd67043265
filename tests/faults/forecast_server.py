"""A loopback server that plays recorded answers of three forecast services over real HTTP, with faults on demand.

The recorded weather is moved by whole days so that it is current at `now`; temperatures may be lowered to bring frost.
Run it by hand: `python -m tests.faults.forecast_server --port 8099 --now 2026-10-03T18:00Z --colder-c 15`,
and make a service fail from another terminal: `/_fault?service=nws&kind=500&count=3`.
The ensemble answers are synthetic: made here from the recorded forecast.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import threading
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self
from urllib.parse import parse_qsl, urlsplit

DATA = Path(__file__).parents[1] / "data" / "forecasts"
ISSUED_BEFORE = timedelta(minutes=25)
FRESH_FOR = timedelta(minutes=31)  # recorded: MET Norway's Expires lies 30 to 32 min after Date
KINDS = (
    "500", "503", "429", "403", "404", "203",
    "slow", "drip", "slow_headers", "html", "garbage", "nan", "nulls", "broken_off", "redirect_loop", "big", "bomb",
    "stale",
)  # fmt: skip
BIG = 6 * 1024 * 1024
ALERTS_END_AT = datetime(2025, 12, 16, 14, 0, tzinfo=UTC)  # the recorded messages end then; kept in force at `now`

Tree = dict[str, Any]


@dataclass(frozen=True)
class Request:
    """What a client asked."""

    path: str
    query: dict[str, str]
    headers: dict[str, str]


@dataclass
class Faults:
    """Which service fails how, and how many times more."""

    by_service: dict[str, tuple[str, int]] = field(default_factory=dict)

    def set(self, service: str, kind: str, count: int = 10**9) -> None:
        if kind not in KINDS:
            raise ValueError(f"{kind} is none of {', '.join(KINDS)}")
        self.by_service[service] = (kind, count)

    def clear(self) -> None:
        self.by_service.clear()

    def take(self, service: str) -> str | None:
        kind, count = self.by_service.get(service, (None, 0))
        if kind is None or count <= 0:
            return None
        self.by_service[service] = (kind, count - 1)
        return kind


class _QuietServer(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *_: object) -> None:
        """Clients that give up are part of the play."""


class ForecastServer:
    """Use as a context manager; `url` is the base address of all three services."""

    def __init__(self, *, now: datetime, port: int = 0, colder_c: float = 0.0) -> None:
        self.now = now
        self.colder_c = colder_c
        self.faults = Faults()
        self.requests: list[Request] = []
        self.closing = threading.Event()
        self._server = _QuietServer(("127.0.0.1", port), type("Played", (Handler,), {"played": self}))
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.closing.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def asked(self, service: str) -> list[Request]:
        return [request for request in self.requests if service_of(request.path) == service]


def service_of(path: str) -> str:
    """The service whose address a path belongs to."""
    if path.startswith("/weatherapi"):
        return "met_norway"
    return "open_meteo" if path.startswith("/v1/") else "nws"


# ------------------------------------------------------------------------------------------------ recorded answers


def days_to(recorded_at: datetime, now: datetime) -> timedelta:
    """Whole days that bring a recorded moment to the last day before `now`: the daily course stays in place."""
    return timedelta(days=math.floor((now - recorded_at) / timedelta(days=1)))


_INSTANT = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d)?(Z|[+-]\d\d:\d\d)")


def moved(tree: Any, by: timedelta) -> Any:
    """The same tree with every instant (also at the head of an interval) moved."""
    if isinstance(tree, dict):
        return {key: moved(value, by) for key, value in tree.items()}
    if isinstance(tree, list):
        return [moved(value, by) for value in tree]
    found = _INSTANT.match(tree) if isinstance(tree, str) else None
    if found is None:
        return tree
    moment = datetime.fromisoformat(found[0]) + by
    return (f"{moment:%Y-%m-%dT%H:%M:%SZ}" if found[2] == "Z" else moment.isoformat()) + tree[found.end() :]


def _recorded(name: str) -> Tree:
    tree: Tree = json.loads((DATA / name).read_text(encoding="utf-8"))
    return tree


def nws_points(server: ForecastServer, request: Request) -> tuple[int, Tree]:
    lat, lon = (float(part) for part in request.path.removeprefix("/points/").split(","))
    if not (24.0 <= lat <= 50.0 and -125.5 <= lon <= -66.5):
        return 404, problem("InvalidPoint", 404)
    tree = _recorded("nws/points_nebraska.json")
    column, row = math.floor((lon + 180) * 10), math.floor((lat + 90) * 10)
    properties = tree["properties"]
    properties.update(
        gridX=column, gridY=row, forecastGridData=f"https://api.weather.gov/gridpoints/OAX/{column},{row}"
    )
    tree["geometry"]["coordinates"] = [lon, lat]
    return 200, tree


def nws_grid(server: ForecastServer, request: Request) -> tuple[int, Tree]:
    if request.path.endswith("/stations"):
        return nws_stations(request)
    column, row = (int(part) for part in request.path.removeprefix("/gridpoints/OAX/").split(","))
    west, south = column / 10 - 180, row / 10 - 90
    tree = _recorded("nws/gridpoints_raw_OAX_59_58.json")
    recorded_at = datetime.fromisoformat(tree["properties"]["updateTime"])
    tree = moved(tree, days_to(recorded_at, server.now))
    corners = [(west, south), (west + 0.1, south), (west + 0.1, south + 0.1), (west, south + 0.1), (west, south)]
    tree["geometry"]["coordinates"] = [[list(corner) for corner in corners]]
    properties = tree["properties"]
    properties["updateTime"] = (server.now - ISSUED_BEFORE).astimezone(UTC).isoformat(timespec="seconds")
    for layer in ("temperature", "dewpoint", "minTemperature"):
        for step in properties[layer]["values"]:
            step["value"] -= server.colder_c
    return 200, tree


def nws_stations(request: Request) -> tuple[int, Tree]:
    """The recorded list, its first station moved into the cell that was asked for."""
    column, row = (int(part) for part in request.path.split("/")[3].split(","))
    tree = _recorded("nws/pynws_gridpoints_stations_subset.json")
    tree["features"][0]["geometry"]["coordinates"] = [column / 10 - 179.95, row / 10 - 89.95]
    del tree["features"][0]["properties"]["elevation"]
    return 200, tree


def nws_observed(server: ForecastServer, request: Request) -> tuple[int, Tree]:
    """The recorded observation at every hour asked for, so much colder as told."""
    tree = _recorded("nws/observations_KFLG_2024-02-20.json")
    (recorded,) = tree["features"]
    recorded_at = datetime.fromisoformat(recorded["properties"]["timestamp"])
    since = datetime.fromisoformat(request.query["start"])
    recorded["properties"]["temperature"]["value"] -= server.colder_c
    hours = range(1, max(math.floor((server.now - since) / timedelta(hours=1)), 0) + 1)
    by = [since + hour * timedelta(hours=1) - timedelta(minutes=3) - recorded_at for hour in hours]
    tree["features"] = [moved(recorded, one) for one in reversed(by)]
    return 200, tree


def nws_alerts(server: ForecastServer, request: Request) -> tuple[int, Tree]:
    tree = _recorded("nws/alerts_active_freeze_subset.json")
    by = days_to(ALERTS_END_AT - timedelta(days=1), server.now)

    def recoded(found: re.Match[str]) -> str:
        return f"{datetime.strptime(found[0], '%y%m%dT%H%MZ') + by:%y%m%dT%H%MZ}"

    tree = moved(tree, by)
    for feature in tree["features"]:
        parameters = feature["properties"]["parameters"]
        parameters["VTEC"] = [re.sub(r"\d{6}T\d{4}Z", recoded, code) for code in parameters["VTEC"]]
    return 200, tree


def met_complete(server: ForecastServer, request: Request) -> tuple[int, Tree]:
    asked = request.query
    if any(len(asked[name].partition(".")[2]) > 4 for name in ("lat", "lon")):
        return 403, {}
    tree = _recorded("met_norway/complete_51.5_-0.1_alt25_2020-07-20.json")["data"]
    first_at = datetime.fromisoformat(tree["properties"]["timeseries"][0]["time"])
    tree = moved(tree, days_to(first_at, server.now))
    tree["geometry"]["coordinates"] = [float(asked["lon"]), float(asked["lat"]), float(asked["altitude"])]
    tree["properties"]["meta"]["updated_at"] = f"{server.now - ISSUED_BEFORE:%Y-%m-%dT%H:%M:%SZ}"
    for step in tree["properties"]["timeseries"]:
        for period in step["data"].values():
            for name in ("air_temperature", "dew_point_temperature", "air_temperature_min", "air_temperature_max"):
                if name in period.get("details", {}):
                    period["details"][name] = round(period["details"][name] - server.colder_c, 1)
    return 200, tree


def open_meteo_forecast(server: ForecastServer, request: Request) -> tuple[int, Tree]:
    tree = _recorded("open_meteo/forecast_52.52_13.42_2021-11-24_subset.json")
    hourly = tree["hourly"]
    offset = timedelta(seconds=tree["utc_offset_seconds"])
    first_at = datetime.fromisoformat(hourly["time"][0]).replace(tzinfo=UTC) - offset
    by = days_to(first_at, server.now)
    moments = [datetime.fromisoformat(text).replace(tzinfo=UTC) - offset + by for text in hourly["time"]]
    hourly["time"] = [int(moment.timestamp()) for moment in moments]
    hourly["wind_speed_10m"] = [round(value / 3.6, 2) for value in hourly["wind_speed_10m"]]
    for name in ("temperature_2m", "dew_point_2m"):
        hourly[name] = [round(value - server.colder_c, 1) for value in hourly[name]]
    tree["hourly_units"].update(time="unixtime", wind_speed_10m="m/s")
    tree.update(utc_offset_seconds=0, timezone="GMT", timezone_abbreviation="GMT")
    tree["elevation"] = float(request.query.get("elevation", tree["elevation"]))
    del tree["daily"], tree["daily_units"]
    return 200, tree


def open_meteo_ensemble(server: ForecastServer, request: Request) -> tuple[int, Tree]:
    """Synthetic: the recorded forecast with a spread that grows, or with members around it that end early."""
    _, tree = open_meteo_forecast(server, request)
    air_c = tree["hourly"]["temperature_2m"]
    hourly: Tree = {"time": tree["hourly"]["time"], "temperature_2m": air_c}
    units = {"time": "unixtime", "temperature_2m": "°C"}
    if "spread" in request.query["hourly"]:
        hourly["temperature_2m_spread"] = [round(0.3 + 0.01 * hour, 2) for hour in range(len(air_c))]
        units["temperature_2m_spread"] = "K"
    else:
        for number in range(1, 51):
            name = f"temperature_2m_member{number:02}"
            shift_c = (number - 25.5) / 15
            known = len(air_c) - 6
            hourly[name] = [round(value + shift_c, 1) if i < known else None for i, value in enumerate(air_c)]
            units[name] = "°C"
    return 200, {**tree, "hourly": hourly, "hourly_units": units}


def problem(kind: str, status: int) -> Tree:
    """A problem report in the shape the service's issue threads show."""
    return {
        "type": f"https://api.weather.gov/problems/{kind}",
        "title": kind,
        "status": status,
        "detail": "An unexpected problem has occurred.",
        "correlationId": "abc123",
    }


ROUTES: tuple[tuple[str, Callable[[ForecastServer, Request], tuple[int, Tree]]], ...] = (
    ("/points/", nws_points),
    ("/gridpoints/", nws_grid),
    ("/stations/", nws_observed),
    ("/alerts/active", nws_alerts),
    ("/weatherapi/locationforecast/2.0/complete", met_complete),
    ("/v1/forecast", open_meteo_forecast),
    ("/v1/ensemble", open_meteo_ensemble),
)


# ------------------------------------------------------------------------------------------------ over HTTP


class Handler(BaseHTTPRequestHandler):
    """Answers one connection for the server in `played`."""

    played: ForecastServer
    protocol_version = "HTTP/1.1"

    def log_message(self, *_: object) -> None:
        """Silent; what was asked is kept in `requests`."""

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        headers = {name.lower(): value for name, value in self.headers.items()}
        request = Request(path=parts.path, query=dict(parse_qsl(parts.query)), headers=headers)
        if request.path == "/_fault":
            self._set_fault(request.query)
            return
        self.played.requests.append(request)
        try:
            self._answer(request)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True

    def _set_fault(self, query: dict[str, str]) -> None:
        if query.get("kind") == "none":
            self.played.faults.clear()
        else:
            self.played.faults.set(query["service"], query["kind"], int(query.get("count", 10**9)))
        self._send(200, b"ok\n", kind="text/plain")

    def _answer(self, request: Request) -> None:
        agent = request.headers.get("user-agent", "")
        if not agent or agent.startswith("python-"):
            self._send(403, b"<html>no or generic user agent</html>", kind="text/html")
            return
        fault = self.played.faults.take(service_of(request.path))
        if fault is not None and self._fails(fault, request):
            return
        if fault is None and not request.path.startswith("/v1/") and self._is_unchanged(request):
            self._send(304, b"", extra=self._freshness())
            return
        status, tree = self._tree(request)
        if fault == "stale":
            tree = _aged(tree)
        if fault == "nulls":
            tree = _emptied(tree)
        kind = "application/problem+json" if status >= 400 else _kind(request)
        extra = {} if request.path.startswith("/v1/") or status >= 400 else self._freshness()
        self._send(203 if fault == "203" else status, json.dumps(tree).encode(), kind=kind, extra=extra)

    def _tree(self, request: Request) -> tuple[int, Tree]:
        for prefix, route in ROUTES:
            if request.path.startswith(prefix):
                return route(self.played, request)
        return 404, problem("NotFound", 404)

    def _freshness(self) -> dict[str, str]:
        """A strange but real habit of caches: Last-Modified may lie in the future."""
        return {
            "Expires": format_datetime(self.played.now.astimezone(UTC) + FRESH_FOR, usegmt=True),
            "Last-Modified": self._last_modified(),
        }

    def _last_modified(self) -> str:
        half_hour = self.played.now.astimezone(UTC).replace(
            minute=self.played.now.minute // 30 * 30, second=7, microsecond=0
        )
        return format_datetime(half_hour + timedelta(hours=1), usegmt=True)

    def _is_unchanged(self, request: Request) -> bool:
        return request.headers.get("if-modified-since") == self._last_modified()

    def _fails(self, fault: str, request: Request) -> bool:
        """Send the fault; False if the answer is to be sent after all."""
        match fault:
            case "500" | "503" | "429" | "403" | "404":
                self._refuse(int(fault), request)
            case "slow":
                self.played.closing.wait(60)
            case "slow_headers":
                self._drip(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n" + b"X-Pad: 0123456789\r\n" * 500)
            case "drip":
                self._start(200, "application/json", {"Content-Length": str(10**6)})
                self._drip(b'{"a": "' + b"x" * 10**5)
            case "html":
                self._send(200, b"<html><body>We are down for maintenance</body></html>", kind="text/html")
            case "garbage":
                self._send(200, b'{"type": "Feature", "properties": {', kind="application/json")
            case "nan":
                self._send(200, b'{"latitude":nan,"hourly":nan}', kind="application/json")
            case "broken_off":
                self._start(200, "application/json", {"Content-Length": "5000"})
                self.wfile.write(b'{"half": ')
                self.close_connection = True
            case "redirect_loop":
                self._send(302, b"", extra={"Location": self.path})
            case "big":
                self._send(200, b" " * BIG, kind="application/json")
            case "bomb":
                self._send(200, _bomb(), kind="application/json", extra={"Content-Encoding": "gzip"})
            case _:
                return False
        return True

    def _refuse(self, status: int, request: Request) -> None:
        if service_of(request.path) == "nws":
            kind = {500: "UnexpectedProblem", 503: "ForecastGridExpired"}.get(status, "Refused")
            body = json.dumps(problem(kind, status)).encode()
            self._send(status, body, kind="application/problem+json", extra={"X-Correlation-Id": "abc123"})
        elif service_of(request.path) == "open_meteo":
            reason = "Minutely API request limit exceeded. Please try again in one minute."
            self._send(status, json.dumps({"error": True, "reason": reason}).encode())
        else:
            self._send(status, b"<html><body>no</body></html>", kind="text/html")

    def _drip(self, body: bytes) -> None:
        """A byte every now and then: each read is quick, the whole takes for ever."""
        for byte in body:
            if self.played.closing.wait(0.05):
                return
            self.wfile.write(bytes([byte]))
            self.wfile.flush()

    def _start(self, status: int, kind: str, extra: dict[str, str]) -> None:
        self.send_response_only(status)
        self.send_header("Date", format_datetime(self.played.now.astimezone(UTC), usegmt=True))
        self.send_header("Content-Type", kind)
        for name, value in extra.items():
            self.send_header(name, value)
        self.end_headers()

    def _send(
        self, status: int, body: bytes, *, kind: str = "application/json", extra: dict[str, str] | None = None
    ) -> None:
        self._start(status, kind, {"Content-Length": str(len(body)), **(extra or {})})
        self.wfile.write(body)


def _kind(request: Request) -> str:
    return "application/geo+json" if service_of(request.path) == "nws" else "application/json"


def _bomb() -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    return packer.compress(b" " * (BIG * 8)) + packer.flush()


def _aged(tree: Tree) -> Tree:
    """The same, issued 30 h earlier."""
    properties = tree.get("properties", {})
    for holder, key in ((properties, "updateTime"), (properties.get("meta", {}), "updated_at")):
        if key in holder:
            holder[key] = moved(holder[key], timedelta(hours=-30))
    return tree


def _emptied(tree: Tree) -> Tree:
    """The same, all temperatures null."""
    properties = tree.get("properties", {})
    for step in properties.get("temperature", {}).get("values", []):
        step["value"] = None
    for step in properties.get("timeseries", []):
        step["data"]["instant"]["details"]["air_temperature"] = None
    if "hourly" in tree:
        tree["hourly"]["temperature_2m"] = [None] * len(tree["hourly"]["time"])
    return tree


def main() -> None:
    """Serve until interrupted."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--port", type=int, default=8099)
    parser.add_argument("--now", type=datetime.fromisoformat, default=datetime.now(UTC), help="default: the real time")
    parser.add_argument("--colder-c", type=float, default=0.0, help="lower all temperatures by this much")
    chosen = parser.parse_args()
    now = chosen.now if chosen.now.tzinfo else chosen.now.replace(tzinfo=UTC)
    with ForecastServer(now=now, port=chosen.port, colder_c=chosen.colder_c) as server:
        print(f"{server.url} plays recorded forecasts as of {now:%Y-%m-%dT%H:%MZ}", flush=True)
        try:
            threading.Event().wait()
        except KeyboardInterrupt:
            print("closed")


if __name__ == "__main__":
    main()
