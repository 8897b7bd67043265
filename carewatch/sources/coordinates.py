"""Coordinates as services want them in an address: at most four decimals, so that sites close together share one."""

from __future__ import annotations

from carewatch.roster.model import Site

DECIMALS = 4  # MET Norway refuses more; NWS redirects; 0.0001° is about 11 m


def coordinate(degrees: float) -> str:
    """Up to four decimals without trailing zeros."""
    digits = f"{degrees:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if digits == "-0" else digits


def latitude(site: Site) -> str:
    """The site's latitude for an address."""
    return coordinate(site.lat_deg)


def longitude(site: Site) -> str:
    """The site's longitude for an address."""
    return coordinate(site.lon_deg)


def altitude(site: Site) -> str:
    """The site's elevation in whole metres."""
    return f"{round(site.elevation_m)}"
