"""When it gets dark."""

from __future__ import annotations

from datetime import UTC, date, datetime

from astral import Observer
from astral.sun import sunset

from carewatch.roster.model import Site


def sunset_at(site: Site, on: date) -> datetime | None:
    """Sunset of the local day `on`; None where the sun does not set."""
    try:
        return sunset(Observer(site.lat_deg, site.lon_deg), date=on, tzinfo=site.tz).astimezone(UTC)
    except ValueError:
        return None
