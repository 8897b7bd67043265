"""What services ask of those who use them: when to ask again, what a refusal means, how to renew an answer."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from types import MappingProxyType

from carewatch.errors import UpstreamTrouble
from carewatch.http import Reply, parse_http_date
from carewatch.weather.answer import Answer

LEAST_WAIT = timedelta(minutes=10)  # chosen: forecasts change a few times a day
LONGEST_WAIT = timedelta(hours=6)  # chosen: no Expires may keep us from a new forecast for longer
THROTTLED_WAIT = timedelta(minutes=10)  # MET Norway, status codes page: slow down at once on 429
MOST_SPREAD_MIN = 9
LASTING = frozenset({400, 401, 403, 404, 405, 410, 422})


def conditional(stored: Answer | None) -> dict[str, str]:
    """Headers that let a service say "unchanged"; its own strings go back as they came."""
    if stored is None:
        return {}
    asks = {"last-modified": "If-Modified-Since", "etag": "If-None-Match"}
    return {asks[name]: value for name, value in stored.validators.items() if name in asks}


def validators(headers: Mapping[str, str]) -> Mapping[str, str]:
    """The strings to give back next time; never computed with, some services date them in the future."""
    return MappingProxyType({name: headers[name] for name in ("last-modified", "etag") if headers.get(name)})


def ask_again_at(
    headers: Mapping[str, str], *, now: datetime, least: timedelta, installation: str, key: str
) -> datetime:
    """The later of the service's Expires and our own pace, moved by some minutes and never on the full hour.

    The minutes are fixed by installation, address and hour: installations spread out, and a replay stays the same.
    """
    earliest = now + max(least, LEAST_WAIT)
    expires_at, sent_at = parse_http_date(headers.get("expires", "")), parse_http_date(headers.get("date", ""))
    if expires_at is not None:
        # counted from the server's own clock, so that a wrong clock here neither hammers nor stalls
        fresh_for = expires_at - (sent_at or now)
        earliest = max(earliest, now + min(fresh_for, LONGEST_WAIT))
    seed = zlib.crc32(f"{installation} {key} {earliest:%Y%m%d%H}".encode())
    moment = earliest + timedelta(minutes=1 + seed % MOST_SPREAD_MIN, seconds=seed // MOST_SPREAD_MIN % 60)
    return moment + timedelta(minutes=1) if moment.minute == 0 else moment


def renewed(stored: Answer, reply: Reply, *, again_at: datetime) -> Answer:
    """The stored answer after "unchanged": same body and time of retrieval, newer time to ask again."""
    return replace(stored, ask_again_at=again_at, validators=validators(reply.headers) or stored.validators)


def refusal(reply: Reply, *, service: str, detail: str = "") -> UpstreamTrouble:
    """What a status other than success means for us."""
    said = f" It says: {detail}" if detail else ""
    match reply.status:
        case 429:
            wait = max(reply.retry_after or THROTTLED_WAIT, THROTTLED_WAIT)
            return UpstreamTrouble(f"{service} asks us to slow down (429).{said}", retry_after=wait)
        case 401 | 403:
            return UpstreamTrouble(
                f"{service} refuses us ({reply.status}): check the contact address and the key in the settings.{said}",
                is_lasting=True,
            )
        case status if status in LASTING:
            return UpstreamTrouble(
                f"{service} does not accept our question ({status}): check the site's coordinates.{said}",
                is_lasting=True,
            )
        case status:
            return UpstreamTrouble(f"{service} is in trouble ({status}).{said}", retry_after=reply.retry_after)


def brief(text: str | None) -> str:
    """A foreign sentence fit for our own message: one line, printable, not long."""
    words = " ".join("".join(c if c.isprintable() else " " for c in text or "").split())
    return words[:160]


def keep_newest(stored: Answer | None, fresh: Answer) -> Answer:
    """The fresh answer, unless a cache on the way gave us one made before the one we have."""
    if stored is None or stored.issued_at is None or fresh.issued_at is None or stored.issued_at <= fresh.issued_at:
        return fresh
    return replace(stored, ask_again_at=fresh.ask_again_at)
