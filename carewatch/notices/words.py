"""How figures are written for one reader: °F or °C, gallons or litres, 7:30 pm or 19:30, plain hours."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from carewatch.roster.model import PlaceKind, UnitSystem
from carewatch.units import c_to_f, c_to_f_difference, kpa_to_psi, l_to_gallons

DEGREES_IN_REASONS = re.compile(
    r"(?P<number>[-+]?\d+(?:\.\d+)?) °C(?P<step> (?:colder|warmer|below|above|lower|higher|apart|more)\b)?"
)
BIG_LITRES = 40.0
NAMED_HOURS = {(0, 0): "midnight", (12, 0): "noon"}
PLACE_WORDS = {
    PlaceKind.OUTDOORS: "outdoors",
    PlaceKind.OPEN_ROOF: "under an open roof",
    PlaceKind.UNHEATED_SHED: "unheated shed",
    PlaceKind.HEATED_SHOP: "heated shop",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """Writes figures as one person reads them, times in one zone; `names_zone` adds the zone where several meet."""

    units: UnitSystem
    zone: ZoneInfo
    names_zone: bool = False

    @property
    def is_us(self) -> bool:
        """Whether the reader uses US units and a 12-hour clock."""
        return self.units is UnitSystem.US

    def temperature(self, temperature_c: float) -> str:
        """A temperature in whole degrees."""
        value = round(c_to_f(temperature_c)) if self.is_us else round(temperature_c)
        return f"{value or 0} °{'F' if self.is_us else 'C'}".replace("-", "−")

    def difference(self, difference_c: float) -> str:
        """A temperature difference in whole degrees, at least 1, without sign."""
        value = abs(c_to_f_difference(difference_c)) if self.is_us else abs(difference_c)
        return f"{max(round(value), 1)} °{'F' if self.is_us else 'C'}"

    def reason(self, text: str) -> str:
        """A reason of the outlook or the forecast with its temperatures rewritten for the reader."""

        def rewrite(found: re.Match[str]) -> str:
            number, step = float(found["number"]), found["step"]
            return self.difference(number) + step if step else self.temperature(number)

        return DEGREES_IN_REASONS.sub(rewrite, text)

    def volume(self, litres: float) -> str:
        """A volume; whole numbers where a person would not measure finer."""
        value, unit = (l_to_gallons(litres), "gal") if self.is_us else (litres, "L")
        return f"{value:.0f} {unit}" if value >= BIG_LITRES / 4 else f"{value:.1f} {unit}"

    def pressure(self, kpa: float) -> str:
        """A pressure."""
        return f"{kpa_to_psi(kpa):.0f} psi" if self.is_us else f"{kpa / 100:.1f} bar"

    def clock(self, moment: datetime) -> str:
        """A time of day to the minute; nobody knows for sure what 12:00 pm is."""
        local = moment.astimezone(self.zone)
        text = NAMED_HOURS.get((local.hour, local.minute), "") if self.is_us else ""
        text = text or (
            f"{local.hour % 12 or 12}:{local:%M} {'am' if local.hour < 12 else 'pm'}"
            if self.is_us
            else f"{local:%H:%M}"
        )
        return f"{text} {local:%Z}" if self.names_zone else text

    def about(self, moment: datetime) -> str:
        """A computed time in plain hours: forecasts do not know minutes."""
        local = (moment + timedelta(minutes=30)).astimezone(self.zone)
        hour = f"{local.hour % 12 or 12} {'am' if local.hour < 12 else 'pm'}" if self.is_us else f"{local:%H}:00"
        hour = NAMED_HOURS.get((local.hour, 0), hour)
        return f"about {hour} {local:%Z}" if self.names_zone else f"about {hour}"

    def day_and_clock(self, moment: datetime) -> str:
        """A weekday and a time of day."""
        return f"{moment.astimezone(self.zone):%A} {self.clock(moment)}"

    def day_of(self, moment: datetime) -> str:
        """A date people write: Oct 19 or 19 Oct."""
        local = moment.astimezone(self.zone)
        return f"{local:%b} {local.day}" if self.is_us else f"{local.day} {local:%b}"

    def when(self, moment: datetime, now: datetime) -> str:
        """A past moment, as near as a reader needs it."""
        if now - moment < timedelta(days=6):
            return self.day_and_clock(moment)
        return self.day_of(moment)


def night_words(night: date) -> str:
    """A night by its two days: Tuesday to Wednesday."""
    return f"{night:%A} to {night + timedelta(days=1):%A}"


def listed(names: Iterable[str]) -> str:
    """Names as a person lists them: A, B and C."""
    known = list(names)
    return known[0] if len(known) == 1 else f"{', '.join(known[:-1])} and {known[-1]}" if known else ""


def odds_words(chance: float) -> str:
    """A chance in words a farmer uses: about 1 in 5."""
    if chance >= 0.95:
        return "almost certain"
    if chance > 0.5:
        return f"about {round(chance * 10)} in 10"
    return f"about 1 in {max(2, round(1 / max(chance, 0.01)))}"
