"""Recorded answers, a memory for them and invented sites, shared by the tests of the sources."""

from __future__ import annotations

import json
import ssl
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from carewatch.http import HttpClient
from carewatch.roster.model import Site
from carewatch.sources.port import Source
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import Forecast

DATA = Path(__file__).parents[1] / "data" / "forecasts"
AGENT = "carewatch/0 (office@example.org)"
NWS_NOW = datetime(2024, 12, 3, 2, 45, tzinfo=UTC)
MET_NOW = datetime(2020, 7, 20, 11, 45, tzinfo=UTC)


def body(name: str) -> bytes:
    return (DATA / name).read_bytes()


def tree(name: str) -> dict[str, Any]:
    return json.loads(body(name))


def packed(value: object) -> bytes:
    return json.dumps(value).encode()


def met_tree() -> dict[str, Any]:
    return tree("met_norway/complete_51.5_-0.1_alt25_2020-07-20.json")["data"]


def met_headers() -> dict[str, str]:
    """The headers that really came, without those of the packing."""
    headers = tree("met_norway/complete_51.5_-0.1_alt25_2020-07-20.json")["headers"]
    return {name: headers[name] for name in ("Date", "Content-Type", "Expires", "Last-Modified")}


def grid_tree() -> dict[str, Any]:
    return tree("nws/gridpoints_raw_OAX_59_58.json")


def site(
    *,
    lat_deg: float = 41.212,
    lon_deg: float = -96.623,
    elevation_m: float = 367.0,
    zone: str = "America/Chicago",
    **more,
) -> Site:
    return Site(
        id=more.pop("id", "river-yard"),
        name="River yard",
        lat_deg=lat_deg,
        lon_deg=lon_deg,
        elevation_m=elevation_m,
        zone=zone,
        places=(),
        contacts=(),
        **more,
    )


NEBRASKA = site()
LONDON = site(lat_deg=51.5, lon_deg=-0.1, elevation_m=25, zone="Europe/London", id="marsh-barn")
BERLIN = site(lat_deg=52.52, lon_deg=13.42, elevation_m=45, zone="Europe/Berlin", id="north-field")


NO_ROOTS = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # trusts nobody; spares loading the system's certificates each time


def client(**limits: Any) -> HttpClient:
    return HttpClient(agent=AGENT, verify=NO_ROOTS, **limits)


class Memory:
    """Keeps answers by key, as the store does for one source."""

    def __init__(self, *answers: Answer) -> None:
        self.by_key = {answer.key: answer for answer in answers}

    def recall(self, key: str) -> Answer | None:
        return self.by_key.get(key)

    def keep(self, answers: Iterable[Answer]) -> tuple[Answer, ...]:
        kept = tuple(answers)
        self.by_key.update({answer.key: answer for answer in kept})
        return kept

    def update(self, source: Source, at: Site, now: datetime) -> tuple[Answer, ...]:
        return self.keep(source.update(at, now=now, recall=self.recall))

    def read(self, source: Source, at: Site) -> Forecast | None:
        return source.read(at, recall=self.recall)
