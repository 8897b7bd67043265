"""The outlook of machines: every night, with its margin, chance, times, severity and reasons. Start here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from types import MappingProxyType

from carewatch.fluids.freezing import salts_out_at_c
from carewatch.fluids.liquid import UNKNOWN
from carewatch.freeze.batch import Batch, Body, Job, Trace
from carewatch.freeze.because import reasons
from carewatch.freeze.course import Course, course_of
from carewatch.freeze.forcing import surroundings
from carewatch.freeze.grades import PartNight, certainty, gravest
from carewatch.freeze.kernel import Kernel, run_numpy
from carewatch.freeze.learning import NOTHING_LEARNED, Learned, night_error
from carewatch.freeze.night_error import NightError
from carewatch.freeze.outlook import Certainty, ForecastOrigin, Outlook, PartOutlook, Severity, Urgency
from carewatch.freeze.parts import Part, default_part, holding, with_figures
from carewatch.logbook.state import ASSUMED, Contents, Fill, Whereabouts
from carewatch.roster.model import Fleet, Machine, Site
from carewatch.weather.forecast import Grade, NightWeather, SiteWeather

EARLY_SHARE, MIDDLE_SHARE = 0.1, 0.5  # of the chance: early and middle of the nights in which ice forms
LEAST_CHANCE = 0.02  # below this no time is worth a look (chosen: a fifth of the usual threshold)
VESSELS = frozenset({"tank", "rinse_tank", "hand_wash_tank", "hopper"})  # drained: the puddle left has room to grow
JOBS_AT_ONCE = 32  # bounds the memory of a big fleet; changes no number


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One machine at one site: what it holds, where it stands and stood (oldest first), what the weather will be.

    `learned`: what the site's own minima have taught about the error of its forecasts.
    """

    machine: Machine
    site: Site
    fleet: Fleet
    contents: Mapping[str, Contents]
    stays: tuple[Whereabouts, ...]
    weather: SiteWeather
    learned: Learned = NOTHING_LEARNED


def assess(cases: Sequence[Case], *, now: datetime, kernel: Kernel = run_numpy) -> list[tuple[Outlook, ...]]:
    """One outlook per case and night of its site's weather, in order.

    Parameters
    ----------
    cases : sequence of Case
    now : datetime
        Aware.
    kernel : Kernel
        Engine of the heat balance.

    Returns
    -------
    list of tuple of Outlook

    Notes
    -----
    A night without good enough weather is not assessed, unless what is known already shows freezing: poor data may
    raise an alarm, never lower one. A part the logbook does not mention counts as full of water.
    Times and ice are those of the early and middle nights among those in which ice forms. `first_ice_*` is the earliest
    of all parts at or above the threshold, `ice_fraction` and `severity` are the gravest of them: a tank may have the
    largest margin on a long cold night with a thin skin of ice while the valves are solid.
    """
    shared = _Shared()
    works = [shared.work(case) for case in cases]
    found: list[_Nights] = []
    for at in range(0, len(shared.works), JOBS_AT_ONCE):
        found += _body_nights(shared.works[at : at + JOBS_AT_ONCE], now=now, kernel=kernel)
    return [
        tuple(
            _outlook(work, index, night, _parts_of(work, {} if job is None else found[job].get(index, {})), now=now)
            for index, night in enumerate(work.case.weather.nights)
        )
        for work, job in works
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """One case made ready: its wet parts, which body of the job each is, and which nights the job has."""

    case: Case
    contents: Mapping[str, Contents]
    bodies_of: Mapping[str, int]
    job: Job | None
    night_of: Mapping[int, int]


class _Shared:
    """Cases made ready, with one job for all that feel the same weather with the same bodies: it is worked out once."""

    def __init__(self) -> None:
        self.works: list[_Work] = []
        self._known: dict[tuple[object, ...], int] = {}

    def work(self, case: Case) -> tuple[_Work, int | None]:
        """A case made ready, and the place of its job among `works`; None if nothing in it can freeze."""
        work = _made_ready(case)
        if work.job is None:
            return work, None
        feels = work.job.feels
        key = (
            id(case.weather),
            case.learned,
            feels.kinds,
            feels.air_c.tobytes(),
            feels.moves.tobytes(),
            work.job.bodies,
        )
        place = self._known.setdefault(key, len(self.works))
        if place == len(self.works):
            self.works.append(work)
        return replace(work, job=self.works[place].job), place


def _made_ready(case: Case) -> _Work:
    contents = _contents(case)
    bodies: dict[Body, int] = {}
    bodies_of = {}
    for key, held in contents.items():
        if held.fill is not Fill.DRY and not (held.fill is Fill.POCKETS and key in VESSELS):
            body = Body(part=_part(case, key, held), entered_at=held.entered_at)
            bodies_of[key] = bodies.setdefault(body, len(bodies))  # equal parts share their columns
    feels = surroundings(case.weather, site=case.site, stays=case.stays)
    night_of = {
        index: at
        for at, index in enumerate(i for i, night in enumerate(case.weather.nights) if night.min_c is not None)
    }
    job = None
    if feels is not None and bodies and night_of:
        nights = tuple(case.weather.nights[index].night for index in night_of)
        job = Job(feels=feels, bodies=tuple(bodies), nights=nights)
    return _Work(case=case, contents=contents, bodies_of=bodies_of, job=job, night_of=night_of)


def course_of_night(case: Case, part: str, on: date, *, kernel: Kernel = run_numpy) -> Course | None:
    """The course of one night for one part of a machine; None where it holds nothing or no weather is known."""
    work = _made_ready(case)
    index = next((i for i, night in enumerate(case.weather.nights) if night.night.on == on), None)
    if work.job is None or index is None or index not in work.night_of or part not in work.bodies_of:
        return None
    night, body = case.weather.nights[index], work.job.bodies[work.bodies_of[part]]
    job = replace(work.job, bodies=(body,), nights=(night.night,))
    return course_of(job, error=_night_error(case, night), kernel=kernel)


def _contents(case: Case) -> Mapping[str, Contents]:
    """What each wetted part holds; a part nobody spoke of counts as full of water."""
    held = {key: case.contents.get(key, _assumed(key)) for key in case.machine.wetted_parts}
    return MappingProxyType({**held, **{key: one for key, one in case.contents.items() if key not in held}})


def _assumed(key: str) -> Contents:
    return Contents(
        part=key,
        liquid=UNKNOWN,
        candidates=(UNKNOWN,),
        fill=Fill.FULL,
        freezes_at_c=0.0,
        known_by=ASSUMED,
        who=None,
        since=None,
        entered_at=None,
    )


def _part(case: Case, key: str, held: Contents) -> Part:
    own = with_figures(default_part(key), case.machine.figures.get(key))
    return holding(own, held, pockets_harm_c=case.fleet.pockets_harm_c)


@dataclass(frozen=True, slots=True, kw_only=True)
class _BodyNight:
    """One body in one night: margin, chance, what the forecast itself says, and the early and middle freezing night."""

    margin_c: float
    chance: float
    main: Trace
    early: Trace | None
    middle: Trace | None
    frozen_since: datetime | None


_Nights = dict[int, dict[int, _BodyNight]]
"""By night of the weather, by body."""


def _body_nights(works: Sequence[_Work], *, now: datetime, kernel: Kernel) -> list[_Nights]:
    """What the heat balance says of the nights of some jobs, in their order."""
    batch = Batch([work.job for work in works if work.job is not None], kernel=kernel)
    weather_night = [{at: index for index, at in work.night_of.items()} for work in works]
    errors = {
        (j, index): _night_error(work.case, work.case.weather.nights[index])
        for j, work in enumerate(works)
        for index in work.night_of
    }
    margins_c = [float(margin_c) for margin_c in batch.margins_c()]
    places = [(key.job, weather_night[key.job][key.night]) for key in batch.keys]
    chances = [errors[place].cdf(margin_c) for place, margin_c in zip(places, margins_c, strict=True)]
    tried = [i for i, chance in enumerate(chances) if chance >= LEAST_CHANCE]
    shifts_c = [errors[places[i]].quantile(chances[i] * share) for share in (EARLY_SHARE, MIDDLE_SHARE) for i in tried]
    traces = batch.under_shift([*tried, *tried], shifts_c)
    early, middle = dict(zip(tried, traces, strict=False)), dict(zip(tried, traces[len(tried) :], strict=True))
    found: list[_Nights] = [{index: {} for index in work.night_of} for work in works]
    for i, key in enumerate(batch.keys):
        job, index = places[i]
        night = works[job].case.weather.nights[index].night
        found[job][index][key.body] = _BodyNight(
            margin_c=margins_c[i],
            chance=chances[i],
            main=batch.main_trace(i),
            early=early.get(i),
            middle=middle.get(i),
            frozen_since=batch.ice_since(i, max(night.start_at, min(now, night.end_at))),
        )
    return found


def _night_error(case: Case, night: NightWeather) -> NightError:
    forecast = case.weather.forecast
    return night_error(
        Grade.RAW if forecast is None else forecast.grade,
        lead_h=night.lead_h,
        forecast_min_c=night.min_c,
        spread_c=night.spread_c,
        members_min_c=night.members_min_c,
        learned=case.learned,
    )


def _parts_of(work: _Work, bodies: Mapping[int, _BodyNight]) -> tuple[PartNight, ...]:
    return tuple(
        _part_night(work.contents[key], bodies[body]) for key, body in work.bodies_of.items() if body in bodies
    )


def _part_night(contents: Contents, body: _BodyNight) -> PartNight:
    onset_at = None if body.middle is None else body.middle.onset_at
    early_at = None if body.early is None else body.early.onset_at
    if body.frozen_since is not None:
        onset_at = early_at = body.frozen_since
    ice = 0.0 if body.middle is None else float(body.middle.ice_fraction.max())
    return PartNight(
        contents=contents,
        outlook=PartOutlook(
            part=contents.part,
            margin_c=body.margin_c,
            chance=body.chance,
            coldest_part_c=float(body.main.part_c.min()),
            ice_fraction=ice,
            first_ice_at=onset_at,
            first_ice_early_at=early_at if onset_at is None or early_at is None else min(early_at, onset_at),
        ),
        middle=body.middle,
        frozen_since=body.frozen_since,
    )


def _outlook(work: _Work, index: int, night: NightWeather, parts: tuple[PartNight, ...], *, now: datetime) -> Outlook:
    case = work.case
    threshold = case.fleet.threshold_tonight if index == 0 else case.fleet.threshold_ahead
    shows_freezing = any(part.outlook.chance >= threshold or part.frozen_since is not None for part in parts)
    is_dry = not work.bodies_of
    if not (is_dry or (parts and (night.is_usable or shows_freezing))):
        return _not_assessed(work, night, now=now)
    worst = max(parts, key=lambda part: part.outlook.margin_c, default=None)
    flagged = [part for part in parts if part.outlook.chance >= threshold] or ([] if worst is None else [worst])
    severity, ice_fraction = gravest(flagged, midnight_at=_midnight_at(case, night))
    chance = max((part.outlook.chance for part in parts), default=0.0)
    is_frozen_already = any(part.frozen_since is not None for part in parts)
    is_expected = chance >= threshold or is_frozen_already
    return Outlook(
        machine=case.machine.id,
        site=case.site.id,
        night=night.night.on,
        is_assessed=True,
        urgency=(Urgency.EXPECTED if index == 0 else Urgency.FUTURE) if is_expected else Urgency.NONE,
        severity=severity,
        certainty=certainty(chance, threshold),
        chance=chance,
        margin_c=float("-inf") if worst is None else worst.outlook.margin_c,
        coldest_air_c=night.min_c,
        coldest_part_c=min((part.outlook.coldest_part_c for part in parts), default=None),
        worst_part=None if worst is None else worst.outlook.part,
        ice_fraction=ice_fraction,
        first_ice_at=_earliest(part.outlook.first_ice_at for part in flagged),
        first_ice_early_at=_earliest(part.outlook.first_ice_early_at for part in flagged),
        is_frozen_already=is_frozen_already,
        salts_out_c=_salts_out_c(case, night, parts, threshold),
        contents=work.contents,
        parts=tuple(part.outlook for part in parts),
        because=reasons(
            weather=case.weather,
            night=night,
            site=case.site,
            feels=None if work.job is None else work.job.feels,
            stays=case.stays,
            held=None if worst is None else worst.contents,
            margin_c=None if worst is None else worst.outlook.margin_c,
            all_contents=tuple(work.contents.values()),
            coldest_part_c=min((part.outlook.coldest_part_c for part in parts), default=None),
            is_frozen_already=is_frozen_already,
            pockets_harm_c=case.fleet.pockets_harm_c,
            lesson=case.learned.at(night.lead_h),
        ),
        forecast=_origin(case.weather, now=now),
    )


def _not_assessed(work: _Work, night: NightWeather, *, now: datetime) -> Outlook:
    weather = work.case.weather
    return Outlook(
        machine=work.case.machine.id,
        site=work.case.site.id,
        night=night.night.on,
        is_assessed=False,
        urgency=Urgency.UNKNOWN,
        severity=Severity.UNKNOWN,
        certainty=Certainty.UNKNOWN,
        chance=None,
        margin_c=None,
        coldest_air_c=None,
        coldest_part_c=None,
        worst_part=None,
        ice_fraction=None,
        first_ice_at=None,
        first_ice_early_at=None,
        is_frozen_already=False,
        salts_out_c=None,
        contents=work.contents,
        parts=(),
        because=("The weather data are not good enough to call this night safe.", *night.because, *weather.because),
        forecast=_origin(weather, now=now),
    )


def _midnight_at(case: Case, night: NightWeather) -> datetime:
    return datetime.combine(night.night.on + timedelta(days=1), time(0), case.site.tz).astimezone(UTC)


def _salts_out_c(case: Case, night: NightWeather, parts: Sequence[PartNight], threshold: float) -> float | None:
    """Warmest temperature [°C] at which something in it may block, if the night gets there with enough chance."""
    error = _night_error(case, night)
    reached = [
        salts_c
        for part in parts
        for liquid in {part.contents.liquid, *part.contents.candidates}
        if (salts_c := salts_out_at_c(liquid)) is not None
        and error.cdf(salts_c - part.outlook.coldest_part_c) >= threshold
    ]
    return max(reached, default=None)


def _earliest(moments: Iterator[datetime | None]) -> datetime | None:
    return min((moment for moment in moments if moment is not None), default=None)


def _origin(weather: SiteWeather, *, now: datetime) -> ForecastOrigin | None:
    forecast = weather.forecast
    if forecast is None:
        return None
    return ForecastOrigin(
        source=forecast.source,
        issued_at=forecast.issued_at,
        fetched_at=forecast.fetched_at,
        age_h=forecast.age_h(now),
        licence=forecast.licence,
    )
