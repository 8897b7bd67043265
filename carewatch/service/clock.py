"""The only clock. Everything else takes `now` as an argument."""

from __future__ import annotations

import time
from datetime import UTC, datetime


def now() -> datetime:
    """The present instant, aware, UTC."""
    return datetime.now(UTC)


def monotonic_s() -> float:
    """Seconds that never go back, for watching that the service is alive."""
    return time.monotonic()
