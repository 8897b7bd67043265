"""The outlook: one machine, one night. Margin, chance, when the first ice forms, where, how much, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from carewatch.logbook.state import Contents


class Urgency(StrEnum):
    """How soon somebody must act."""

    NONE = "none"
    FUTURE = "future"
    EXPECTED = "expected"
    IMMEDIATE = "immediate"
    UNKNOWN = "unknown"


class Severity(StrEnum):
    """How bad it would be (words of CAP 1.2)."""

    NONE = "none"
    MINOR = "minor"
    MODERATE = "moderate"
    SEVERE = "severe"
    EXTREME = "extreme"
    UNKNOWN = "unknown"


class Certainty(StrEnum):
    """How sure we are (words of CAP 1.2)."""

    UNLIKELY = "unlikely"
    POSSIBLE = "possible"
    LIKELY = "likely"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastOrigin:
    """Where the weather of an outlook comes from."""

    source: str
    issued_at: datetime
    fetched_at: datetime
    age_h: float
    licence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartOutlook:
    """One wetted part in one night. `margin_c` is -inf when no shift the kernel tries makes ice."""

    part: str
    margin_c: float
    chance: float
    coldest_part_c: float
    ice_fraction: float
    first_ice_at: datetime | None
    first_ice_early_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """One machine, one night. With `is_assessed` False every figure is None and nothing may be read as safe.

    `urgency` is none, future, expected or unknown here; the plan raises it to immediate.
    `is_frozen_already`: ice was there when the window began, so the duty is to thaw.
    `salts_out_c`: warmest temperature at which the contents may block by crystals, if the night reaches it.
    """

    machine: str
    site: str
    night: date
    is_assessed: bool
    urgency: Urgency
    severity: Severity
    certainty: Certainty
    chance: float | None
    margin_c: float | None
    coldest_air_c: float | None
    coldest_part_c: float | None
    worst_part: str | None
    ice_fraction: float | None
    first_ice_at: datetime | None
    first_ice_early_at: datetime | None
    is_frozen_already: bool
    salts_out_c: float | None
    contents: Mapping[str, Contents]
    parts: tuple[PartOutlook, ...]
    because: tuple[str, ...]
    forecast: ForecastOrigin | None
