"""One raw answer of a forecast service, kept as it came: sources make it, the store keeps it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a service sent for one address.

    `key` names the address within the source (`points/41.212,-96.623`, `grid/OAX/59,58`): sites that share a key share
    the request. `body` is the raw answer; `issued_at` when the service made it (None: not known for this kind of
    answer); `ask_again_at` the earliest time its terms allow asking again; `validators` are header strings to give
    back unchanged (`Last-Modified`, `ETag`).
    """

    source: str
    key: str
    body: bytes
    fetched_at: datetime
    issued_at: datetime | None
    ask_again_at: datetime
    validators: Mapping[str, str]
