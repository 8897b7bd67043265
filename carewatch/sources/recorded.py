"""Recorded answers in a folder, each read by the reader of the service it came from.

`forecasts/SITE/20261003T1200Z.SOURCE.json` was fetched at 12:00 UTC from SOURCE (nws, met_norway, open_meteo, plain).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from carewatch.errors import BadInput, UpstreamTrouble
from carewatch.roster.model import Site
from carewatch.sources import met_norway, nws_grid, open_meteo_reading, plain
from carewatch.sources.port import Recall
from carewatch.sources.records import read_outages
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import Forecast, Grade

LOOK_EVERY = timedelta(minutes=10)  # chosen: somebody may put a new file there
LARGEST_FILE = 5 * 1024 * 1024
_NAME = re.compile(r"(\d{8}T\d{4})Z\.([a-z_]+)\.json", re.ASCII)

Reader = Callable[[bytes, Site, datetime], Forecast]
READERS: Mapping[str, Reader] = {
    nws_grid.NAME: lambda body, _site, fetched_at: nws_grid.read_grid(body, fetched_at=fetched_at),
    met_norway.NAME: lambda body, site, fetched_at: met_norway.read_complete(body, site=site, fetched_at=fetched_at),
    open_meteo_reading.NAME: lambda body, _site, fetched_at: open_meteo_reading.read_forecast(
        body, fetched_at=fetched_at
    ),
    plain.NAME: lambda body, _site, fetched_at: plain.read_plain(body, fetched_at=fetched_at),
}


class Recorded:
    """The recorded answers of one service; `now` decides which is the newest."""

    def __init__(self, folder: Path, *, service: str) -> None:
        if service not in READERS:
            raise BadInput(f"There is no reader for recorded answers of {service!r}; use one of {', '.join(READERS)}.")
        self.name = service
        self._folder = folder / "forecasts"
        self._outages = read_outages(self._folder / "outages.csv")

    def grade(self, site: Site) -> Grade:
        """That of the service."""
        if self.name == met_norway.NAME:
            return met_norway.grade_of(site)
        return Grade.OFFICIAL if self.name == nws_grid.NAME else Grade.RAW

    def covers(self, site: Site) -> bool:
        """Whether there is any file of this service for the site."""
        return bool(self._files(site))

    def update(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """The newest file not later than `now`, unless it is known already or the site is cut off."""
        files = self._files(site)
        past = [fetched_at for fetched_at in files if fetched_at <= now]
        if not past or any(outage.holds(site.id, now) for outage in self._outages):
            return ()
        newest_at = max(past)
        stored = recall(site.id)
        if stored is not None and stored.fetched_at >= newest_at:
            return ()
        body = _read(files[newest_at])
        forecast = self._forecast(body, site, newest_at, file=files[newest_at])
        again_at = min((at for at in files if at > now), default=now + LOOK_EVERY)
        return (
            Answer(
                source=self.name,
                key=site.id,
                body=body,
                fetched_at=newest_at,
                issued_at=forecast.issued_at,
                ask_again_at=again_at,
                validators={},
            ),
        )

    def read(self, site: Site, *, recall: Recall) -> Forecast | None:
        """The stored file."""
        stored = recall(site.id)
        return None if stored is None else READERS[self.name](stored.body, site, stored.fetched_at)

    def _forecast(self, body: bytes, site: Site, fetched_at: datetime, *, file: Path) -> Forecast:
        try:
            return READERS[self.name](body, site, fetched_at)
        except UpstreamTrouble as trouble:
            raise UpstreamTrouble(f"{file}: {trouble}") from trouble

    def _files(self, site: Site) -> dict[datetime, Path]:
        return {at: path for at, service, path in recorded_files(self._folder / site.id) if service == self.name}


def recorded_files(folder: Path) -> tuple[tuple[datetime, str, Path], ...]:
    """When fetched, from whom, and the path of every recorded answer in a site's folder."""
    return tuple(_described(path) for path in sorted(folder.glob("*.json")))


def _described(path: Path) -> tuple[datetime, str, Path]:
    found = _NAME.fullmatch(path.name)
    if found is None or found[2] not in READERS:
        raise BadInput(f"{path}: name it like 20261003T1200Z.SOURCE.json, SOURCE being one of {', '.join(READERS)}.")
    try:
        fetched_at = datetime.strptime(found[1], "%Y%m%dT%H%M").replace(tzinfo=UTC)
    except ValueError as error:
        raise BadInput(f"{path}: {found[1]} is no date and time.") from error
    return fetched_at, found[2], path


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise UpstreamTrouble(f"{path} is larger than {LARGEST_FILE // 1024} kB; not read.")
        return path.read_bytes()
    except OSError as error:
        raise UpstreamTrouble(f"{path} cannot be read.") from error
