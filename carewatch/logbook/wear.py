"""How much an hour with a product wears: abrasive products weigh more than clean ones. Practice, not standard."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from types import MappingProxyType

from carewatch.logbook.pieces import Piece

# Common practice, no published source: powders, suspensions and slurries of lime, calcium or micronutrients wear more
# than clean herbicides. That abrasive hours are not equal hours is measured (accelerated nozzle wear tests); 1.5 is
# chosen. A fleet's own words under [fleet.wear] go first.
ABRASIVE = 1.5
ABRASIVE_WORDS: Mapping[str, float] = MappingProxyType(
    dict.fromkeys(
        ("wettable powder", "suspension", "flowable", "slurry", "lime", "calcium", "kaolin", "clay", "micronutrient"),
        ABRASIVE,
    )
)
PLAIN = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A spraying somebody wrote down: its end, hours [h] (None: not said), and how much its product wears."""

    at: datetime
    hours: float | None
    factor: float


def wear_factor(product: str, own: Mapping[str, float]) -> float:
    """Weight of an hour with a product (1.0: plain); the largest of the words found in its name."""
    return _factor(product.casefold(), tuple(own.items()))


@lru_cache(maxsize=4096)
def _factor(product: str, own: tuple[tuple[str, float], ...]) -> float:
    for words in (dict(own), ABRASIVE_WORDS):
        found = [factor for word, factor in words.items() if _has_word(word.casefold(), product)]
        if found:
            return max(found)
    return PLAIN


def _has_word(word: str, text: str) -> bool:
    return re.search(rf"(?<!\w){re.escape(word)}s?(?!\w)", text) is not None


def weight_of(piece: Piece, jobs: Sequence[Job]) -> float:
    """Mean weight of the hours of a piece of evidence.

    Jobs with hours weigh by them; jobs without share what is left of the piece; what no job speaks of is plain.
    `jobs`: those that ended within the piece.
    """
    if piece.hours <= 0.0 or all(job.factor == PLAIN for job in jobs):
        return PLAIN
    said_h = sum(job.hours or 0.0 for job in jobs)
    left_h = max(0.0, piece.hours - said_h)
    silent = [job.factor for job in jobs if job.hours is None]
    rest = sum(silent) / len(silent) if silent else PLAIN
    weighted = sum((job.hours or 0.0) * job.factor for job in jobs) + left_h * rest
    return weighted / (said_h + left_h)
