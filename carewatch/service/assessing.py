"""Outlooks of all machines: the heat balance runs only where its inputs changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from carewatch.freeze.assess import Case, assess
from carewatch.freeze.kernel import Kernel
from carewatch.freeze.learning import NOTHING_LEARNED, Learned
from carewatch.freeze.outlook import Outlook
from carewatch.logbook.state import MachineState
from carewatch.roster.model import Fleet
from carewatch.service.folding import MachineNow, used_today
from carewatch.service.workplace import Remembered
from carewatch.weather.forecast import SiteWeather
from carewatch.weather.nights import NOON

OUTLOOKS_KEPT = 20_000
NIGHTS_IF_USED = 2  # the night that is ending and tonight: "if it sprays today" asks no further


def outlooks_as_held(
    remembered: Remembered,
    machines: Sequence[MachineNow],
    weather: Mapping[str, SiteWeather],
    *,
    learned: Mapping[str, Learned],
    now: datetime,
    kernel: Kernel,
) -> dict[str, tuple[Outlook, ...]]:
    """The outlooks for what each machine holds now, by machine id; of several places it may be at, the worst counts."""
    owners = [(one, state) for one in machines for state in _states(one)]
    found = _assess(
        remembered, [case_of(one, state, weather, learned) for one, state in owners], now=now, kernel=kernel
    )
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
    learned: Mapping[str, Learned],
    now: datetime,
    kernel: Kernel,
) -> dict[str, tuple[Outlook, ...]]:
    """The outlooks of tonight if each machine sprays today, for the day mail.

    None in the afternoon, when the evening message takes over, and none for a machine that is as wet as that already.
    """
    soon = {site: replace(one, nights=one.nights[:NIGHTS_IF_USED]) for site, one in weather.items()}
    asked = [one for one in machines if _is_morning(one.fleet, now)]
    drier = [one for one in asked if not one.is_as_wet_as_used and not one.state.is_retired]
    cases = [case_of(one, used_today(remembered.folds, one, now=now), soon, learned) for one in drier]
    found = dict(
        zip((one.machine.id for one in drier), _assess(remembered, cases, now=now, kernel=kernel), strict=True)
    )
    return {one.machine.id: found.get(one.machine.id, ()) for one in machines}


def _is_morning(fleet: Fleet, now: datetime) -> bool:
    return fleet.day_mail_at <= now.astimezone(fleet.tz).time() < max(NOON, fleet.day_mail_at)


def case_of(
    one: MachineNow, state: MachineState, weather: Mapping[str, SiteWeather], learned: Mapping[str, Learned]
) -> Case:
    """A machine in a state, under the weather of the site it stands at and with what that site has taught."""
    site = one.roster.site(state.stands.site)
    return Case(
        machine=one.machine,
        site=site,
        fleet=one.fleet,
        contents=state.contents,
        stays=state.stays,
        weather=weather[site.id],
        learned=learned.get(site.id, NOTHING_LEARNED),
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
    taught = (case.learned, weather.read_until)
    return (case.machine.id, held, case.stays, weather.site, nights, taught, origin)


def fetched_at_of(inputs: tuple[object, ...]) -> datetime:
    """When the newest forecast among the inputs of an outlook came; long ago if there is none."""
    origin = inputs[-1]
    found = [one[2] for one in origin] if isinstance(origin, tuple) else []
    return max(found, default=datetime.min.replace(tzinfo=UTC))
