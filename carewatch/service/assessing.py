"""Outlooks of all machines: the heat balance runs only where its inputs changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from carewatch.duties.facts import at_local, local_day
from carewatch.freeze.assess import Case, assess
from carewatch.freeze.kernel import Kernel
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.entries import Entry
from carewatch.logbook.fold import wet_if_used
from carewatch.logbook.state import Fill, MachineState
from carewatch.roster.model import Fleet, Machine, PlaceKind, Roster, Site
from carewatch.service.workplace import Remembered
from carewatch.weather.forecast import SiteWeather

OUTLOOKS_KEPT = 20_000
NIGHTS_IF_USED = 2  # the night that is ending and tonight: "if it sprays today" asks no further


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineNow:
    """A machine with its logbook as far as it is known, and what that says."""

    machine: Machine
    roster: Roster
    book: tuple[Entry, ...]
    state: MachineState

    @property
    def fleet(self) -> Fleet:
        """The fleet it belongs to."""
        return self.roster.fleet(self.machine.fleet)

    @property
    def site(self) -> Site:
        """The site it stands at."""
        return self.roster.site(self.state.stands.site)

    @property
    def is_as_wet_as_used(self) -> bool:
        """Full of something that freezes at 0 °C, and outdoors: spraying today could not make it any worse."""
        is_outdoors = self.state.stands.kind is PlaceKind.OUTDOORS
        contents = self.state.contents.values()
        return is_outdoors and all(one.fill is Fill.FULL and one.freezes_at_c >= 0.0 for one in contents)


def outlooks_as_held(
    remembered: Remembered,
    machines: Sequence[MachineNow],
    weather: Mapping[str, SiteWeather],
    *,
    now: datetime,
    kernel: Kernel,
) -> dict[str, tuple[Outlook, ...]]:
    """The outlooks for what each machine holds now, by machine id; of several places it may be at, the worst counts."""
    owners = [(one, state) for one in machines for state in _states(one)]
    found = _assess(remembered, [_case(one, state, weather) for one, state in owners], now=now, kernel=kernel)
    held: dict[str, tuple[Outlook, ...]] = {}
    for (one, _), outlooks in zip(owners, found, strict=True):
        known = held.get(one.machine.id)
        held[one.machine.id] = outlooks if known is None else _worse(known, outlooks)
    return held


def _states(one: MachineNow) -> tuple[MachineState, ...]:
    """The state, and the same at every other site the machine may as well be at."""
    others = (replace(one.state.stands, site=site) for site in one.state.stands.or_at)
    return (one.state, *(replace(one.state, stays=(*one.state.stays[:-1], stay)) for stay in others))


def _worse(known: tuple[Outlook, ...], other: tuple[Outlook, ...]) -> tuple[Outlook, ...]:
    """Night by night the one that warns more; nights differ by a day at most between zones, so they are matched."""
    by_night = {outlook.night: outlook for outlook in other}
    return tuple(max(one, by_night.get(one.night, one), key=_alarm) for one in known)


def _alarm(outlook: Outlook) -> tuple[bool, float]:
    return (not outlook.is_assessed, outlook.chance if outlook.chance is not None else 1.0)


def outlooks_if_used(
    remembered: Remembered,
    machines: Sequence[MachineNow],
    weather: Mapping[str, SiteWeather],
    *,
    now: datetime,
    kernel: Kernel,
) -> dict[str, tuple[Outlook, ...]]:
    """The outlooks of tonight if each machine sprays today; for one as wet as that already, none are needed."""
    soon = {site: replace(one, nights=one.nights[:NIGHTS_IF_USED]) for site, one in weather.items()}
    drier = [one for one in machines if not one.is_as_wet_as_used and not one.state.is_retired]
    cases = [_case(one, _used_today(one, now=now), soon) for one in drier]
    found = dict(
        zip((one.machine.id for one in drier), _assess(remembered, cases, now=now, kernel=kernel), strict=True)
    )
    return {one.machine.id: found.get(one.machine.id, ()) for one in machines}


def _used_today(one: MachineNow, *, now: datetime) -> MachineState:
    """As if it sprayed until work ends next: the same answer all day long."""
    today = local_day(now, one.fleet.tz)
    used_at = at_local(today, one.fleet.work_ends_at, one.fleet.tz)
    if used_at <= now:
        used_at = at_local(today + timedelta(days=1), one.fleet.work_ends_at, one.fleet.tz)
    return wet_if_used(one.machine, one.roster, one.book, at=used_at, used_at=used_at)


def _case(one: MachineNow, state: MachineState, weather: Mapping[str, SiteWeather]) -> Case:
    site = one.roster.site(state.stands.site)
    return Case(
        machine=one.machine,
        site=site,
        fleet=one.fleet,
        contents=state.contents,
        stays=state.stays,
        weather=weather[site.id],
    )


def _assess(
    remembered: Remembered, cases: Sequence[Case], *, now: datetime, kernel: Kernel
) -> list[tuple[Outlook, ...]]:
    keys = [_inputs(case) for case in cases]
    fresh = {key: case for key, case in zip(keys, cases, strict=True) if key not in remembered.outlooks}
    assessed = assess(list(fresh.values()), now=now, kernel=kernel) if fresh else []
    for key, outlooks in zip(fresh, assessed, strict=True):
        remembered.outlooks[key] = outlooks
    found = [remembered.outlooks[key] for key in keys]
    while len(remembered.outlooks) > OUTLOOKS_KEPT:
        remembered.outlooks.pop(next(iter(remembered.outlooks)))
    return found


def _inputs(case: Case) -> tuple[object, ...]:
    """What an outlook depends on; the same inputs give the same outlook, whatever the clock says in between."""
    weather = case.weather
    origin = tuple(
        (forecast.source, forecast.issued_at, forecast.fetched_at)
        for forecast in (weather.forecast, weather.second)
        if forecast is not None
    )
    nights = tuple((night.night.on, night.is_usable) for night in weather.nights)
    held = tuple(sorted(case.contents.items()))
    return (case.machine.id, held, case.stays, weather.site, nights, origin)


def fetched_at_of(inputs: tuple[object, ...]) -> datetime:
    """When the newest forecast among the inputs of an outlook came; long ago if there is none."""
    origin = inputs[-1]
    found = [one[2] for one in origin] if isinstance(origin, tuple) else []
    return max(found, default=datetime.min.replace(tzinfo=UTC))
