"""The only clock. Everything else takes `now` as an argument."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime


def now() -> datetime:
    """The present instant, aware, UTC."""
    return datetime.now(UTC)


def runs_for(seconds: float) -> Callable[[], bool]:
    """Something that says yes for so long, whatever happens to the wall clock."""
    ends_at_s = monotonic_s() + seconds
    return lambda: monotonic_s() < ends_at_s


def monotonic_s() -> float:
    """Seconds that never go back, for watching that the service is alive."""
    return time.monotonic()
