"""Which sources a site is told by, best first, and what was read there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

from carewatch.errors import BadInput
from carewatch.roster.model import Site
from carewatch.sources import met_norway, nws_grid, open_meteo_reading
from carewatch.sources.made import Made
from carewatch.sources.port import Source
from carewatch.sources.recorded import READERS, Recorded
from carewatch.sources.records import read_weather, readings_of_record
from carewatch.sources.thermometer import ThermometerFiles
from carewatch.weather.readings import Readings

# local forecasters first, then the service that allows commercial use everywhere, then what must be allowed
PREFERRED = (nws_grid.NAME, met_norway.NAME, open_meteo_reading.NAME)


def choose(site: Site, available: Mapping[str, Source]) -> tuple[Source, ...]:
    """The site's own list if it has one, else every available source that covers it; the first is the primary."""
    if site.sources:
        unknown = [name for name in site.sources if name not in available]
        if unknown:
            raise BadInput(
                f"Site {site.id}: there is no forecast source {unknown[0]!r} here; "
                f"use {', '.join(sorted(available)) or 'none: none is set up'}."
            )
        return tuple(available[name] for name in site.sources)
    return covering(site, available)


def covering(site: Site, available: Mapping[str, Source]) -> tuple[Source, ...]:
    """Every available source that covers the site, whatever the site's own list says (a replay has other sources)."""
    others = [name for name in available if name not in PREFERRED]
    ordered = [name for name in (*others, *PREFERRED) if name in available]
    return tuple(available[name] for name in ordered if available[name].covers(site))


def of_scenario(folder: Path, *, made: str | None = None, seed: int = 0) -> Mapping[str, Source]:
    """The sources of a scenario folder: made from its weather, or else its recorded answers by service."""
    if made is not None:
        source = Made(folder, kind=made, seed=seed)
        return {source.name: source}
    return {service: Recorded(folder, service=service) for service in READERS}


def readings_of_scenario(folder: Path) -> Callable[[Site], Readings | None]:
    """What was read at a site of a scenario: its file in thermometers/, or else what its weather really was."""
    thermometers = ThermometerFiles(folder / "thermometers")

    @cache
    def really(site_id: str) -> Readings | None:
        path = folder / "weather" / f"{site_id}.csv"
        return readings_of_record(read_weather(path)) if path.is_file() else None

    return lambda site: thermometers.readings(site) or really(site.id)
