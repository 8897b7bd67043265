"""How long to wait before the next try."""

from __future__ import annotations

from datetime import timedelta

WAITS = tuple(timedelta(seconds=seconds) for seconds in (10, 30, 60, 120, 300, 600, 900))
"""Wait after the first, second, ... try; the last one repeats. Chosen: a blip costs seconds, an outage 15 min."""

LONGEST_WAIT = WAITS[-1]

SPREAD_FRACTION = 0.2
"""Each wait is up to this share shorter or longer, so that a crowd does not come back at once; chosen."""


def next_wait(attempts: int, *, jitter: float) -> timedelta:
    """Give the wait after so many tries; `jitter` in 0..1 takes it from 20 % shorter to 20 % longer, 15 min at most."""
    wait = WAITS[min(max(attempts, 1), len(WAITS)) - 1]
    return min(wait * (1 + SPREAD_FRACTION * (2 * jitter - 1)), LONGEST_WAIT)
