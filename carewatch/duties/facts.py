"""What the plan looks at: values gathered from the store and the weather, nothing that reads a clock or a file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from carewatch.duties.duty import Duty
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.bodies import Bodies
from carewatch.logbook.entries import Entry, EntryKind
from carewatch.logbook.state import Fill, MachineState
from carewatch.roster.model import Fleet, Machine, PlaceKind, Roster, Site
from carewatch.weather.forecast import SiteWeather

NIGHT_IS_OVER_AT = time(4)  # chosen: from here on "tonight" means the evening to come, not the night that is ending


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineFacts:
    """One machine: the logbook's view now, its recent entries (voided ones left out), its nights.

    `outlooks` are for what it holds now, `outlooks_if_used` for the case that it sprays today; both in night order.
    `bodies`: its nozzle bodies by position and side.
    """

    fleet: Fleet
    machine: Machine
    site: Site
    state: MachineState
    entries: tuple[Entry, ...]
    outlooks: tuple[Outlook, ...]
    outlooks_if_used: tuple[Outlook, ...]
    bodies: Bodies = field(default_factory=Bodies)

    def outlook(self, night: date) -> Outlook | None:
        """The outlook for one night; None when it is not among those assessed."""
        return next((outlook for outlook in self.outlooks if outlook.night == night), None)

    def outlook_if_used(self, night: date) -> Outlook | None:
        """The outlook for one night if it sprays today."""
        return next((outlook for outlook in self.outlooks_if_used if outlook.night == night), None)

    @property
    def has_only_pockets(self) -> bool:
        """Whether every valve side is blown out: the second best was done, indoors or antifreeze would be better."""
        return all(self.state.contents[part].fill is not Fill.FULL for part in self.machine.valve_parts)

    def is_heated_until(self, at: datetime) -> bool:
        """Whether it stands in a heated shop whose heat is confirmed until then: that needs no forecast."""
        until = self.state.stands.heat_known_until
        return self.state.stands.kind is PlaceKind.HEATED_SHOP and until is not None and until >= at

    def is_frozen_before(self, night: date) -> bool:
        """Whether ice stands in it before that night begins; somebody who thawed it that day knows better."""
        outlook = self.outlook(night)
        return outlook is not None and outlook.is_frozen_already and not self.was_thawed_on(night)

    def new_ice_at(self, night: date) -> datetime | None:
        """When new ice forms in that night, as early as it may; None if none does, or if old ice stands in the way."""
        outlook = self.outlook(night)
        if outlook is None or outlook.is_frozen_already:
            return None
        return outlook.first_ice_early_at or outlook.first_ice_at

    def was_thawed_on(self, day: date) -> bool:
        """Whether somebody reported it thawed on that day (from 4 am on)."""
        return any(
            entry.kind is EntryKind.THAWED and tonight(entry.happened_at, self.site.tz) == day for entry in self.entries
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Everything one run of the plan may know. `duties`: the newest line of the ledger per key."""

    roster: Roster
    machines: tuple[MachineFacts, ...]
    weather: Mapping[str, SiteWeather]
    duties: Mapping[str, Duty]

    def of(self, fleet: Fleet) -> Iterator[MachineFacts]:
        """The machines of one fleet, in roster order."""
        return (facts for facts in self.machines if facts.fleet.id == fleet.id)


def by_machine(duties: Iterable[Duty]) -> dict[str, list[Duty]]:
    """Duties by the id of their machine."""
    found: dict[str, list[Duty]] = {}
    for duty in duties:
        found.setdefault(duty.machine, []).append(duty)
    return found


def at_local(on: date, moment: time, zone: ZoneInfo) -> datetime:
    """The instant of a local time of day; a time skipped by a clock change is taken as if the clock had not moved."""
    return datetime.combine(on, moment, zone).astimezone(UTC)


def tonight(now: datetime, zone: ZoneInfo) -> date:
    """The evening a person means by "tonight": today's, but until 4 am still yesterday's."""
    local = now.astimezone(zone)
    return local.date() if local.time() >= NIGHT_IS_OVER_AT else local.date() - timedelta(days=1)


def local_day(now: datetime, zone: ZoneInfo) -> date:
    """The calendar day of an instant in a zone."""
    return now.astimezone(zone).date()
