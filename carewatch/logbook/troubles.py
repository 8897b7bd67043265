"""What is open at the nozzle bodies: seen and not surely ended, how often it came back, and where wear shows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from carewatch.logbook.care import Damaged, Inspected, PartReplaced, Symptom
from carewatch.logbook.coverage import Spot, spots_of, spots_of_finding
from carewatch.logbook.entries import Entry, EntryKind, Remark
from carewatch.logbook.findings import CURED_BY, SYMPTOM_CURED_BY, WEARING_PARTS, WEARS, Finding, SymptomKind, may_heal
from carewatch.logbook.order import effective_at, is_surely_after
from carewatch.logbook.renewals import Renewal, renewed
from carewatch.roster.model import Fleet, Machine
from carewatch.roster.parts import PartKind

REPEATS_WITHIN = timedelta(days=365)  # chosen: over a year, so that a whole season and the one before it are seen
SEEN = frozenset({EntryKind.INSPECTED, EntryKind.SYMPTOM, EntryKind.DAMAGED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Something open at a position. `what`: word of a finding, a symptom or a damage; `kind` says which.

    `spots`: the valves it concerns or may concern. `finding`: as it counts now (not slight if it ever was worse).
    `first_at`, `last_at`: when it was seen, by `entries` and `who` (the latest). `times`: on how many days of the year
    before the same was seen there, ended ones included; `renewed_at`: when a part that should have ended it was put in.
    """

    kind: EntryKind
    what: str
    spots: frozenset[Spot]
    finding: Finding | None
    first_at: datetime
    last_at: datetime
    entries: tuple[str, ...]
    who: str
    text: str = ""
    times: int = 1
    renewed_at: datetime | None = None

    @property
    def positions(self) -> tuple[int, ...]:
        """Positions it concerns, from the left."""
        return tuple(sorted({position for position, _ in self.spots}))

    @property
    def position(self) -> int | None:
        """The position, where it is one."""
        return self.positions[0] if len(self.positions) == 1 else None

    @property
    def side(self) -> str | None:
        """The side, where it is one."""
        sides = {side for _, side in self.spots}
        return next(iter(sides)) if len(sides) == 1 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Raised:
    entry: Entry
    what: str
    spots: frozenset[Spot]
    finding: Finding | None
    cured_by: frozenset[PartKind]
    heals: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ending:
    """What may end things at a valve: kinds renewed, or an inspection (`found`: what it found there)."""

    entry: Entry
    kinds: frozenset[PartKind]
    found: frozenset[str] | None


def troubles_of(machine: Machine, fleet: Fleet, sure: Sequence[Entry], every: Sequence[Entry]) -> tuple[Trouble, ...]:
    raised = [one for entry in every if entry.kind in SEEN for one in _raised(entry, machine)]
    if not raised:
        return ()
    endings: dict[Spot, list[_Ending]] = {}
    for spot, ending in _endings(machine, fleet, sure):
        endings.setdefault(spot, []).append(ending)
    opened: dict[tuple[str, frozenset[Spot]], list[_Raised]] = {}
    for one in raised:
        if not all(any(_ends(ending, one) for ending in endings.get(spot, ())) for spot in one.spots):
            opened.setdefault((one.what, one.spots), []).append(one)
    found = [_trouble(same, raised, endings, fleet.tz) for same in opened.values()]
    return tuple(sorted(found, key=lambda one: (one.positions, sorted(one.spots), one.what)))


def _raised(entry: Entry, machine: Machine) -> Iterator[_Raised]:
    match entry.detail:
        case Inspected(findings=findings, text=text):
            for finding in findings:
                spots = spots_of_finding(finding, machine)
                if spots:
                    yield _Raised(
                        entry=entry, what=finding.what.value, spots=spots, finding=finding, text=text,
                        cured_by=CURED_BY[finding.what], heals=may_heal(finding),
                    )  # fmt: skip
        case Symptom(what=what, text=text):
            for spots in _each_place(entry.detail, machine):
                yield _Raised(
                    entry=entry, what=what.value, spots=spots, finding=None, text=text,
                    cured_by=SYMPTOM_CURED_BY[what], heals=True,
                )  # fmt: skip
        case Damaged(what=what, text=text):
            for spots in _each_place(entry.detail, machine):
                yield _Raised(
                    entry=entry, what=what.value, spots=spots, finding=None, text=text,
                    cured_by=frozenset({PartKind.BODY}), heals=True,
                )  # fmt: skip
        case Remark(text=text) if text and entry.kind is not EntryKind.INSPECTED:
            yield _Raised(
                entry=entry, what="other", spots=spots_of(entry.detail, machine), finding=None, text=text,
                cured_by=frozenset({PartKind.BODY}), heals=True,
            )  # fmt: skip
        case _:
            return


def _each_place(detail: Symptom | Damaged, machine: Machine) -> Iterator[frozenset[Spot]]:
    """Positions one by one; a section or the whole boom as one place, somewhere in which it is."""
    for position in detail.positions or ():
        yield spots_of(replace(detail, positions=(position,), sections=None), machine)
    for section in detail.sections or ():
        yield spots_of(replace(detail, positions=None, sections=(section,)), machine)
    if detail.positions is None and detail.sections is None:
        yield spots_of(detail, machine)


def _endings(machine: Machine, fleet: Fleet, sure: Sequence[Entry]) -> Iterator[tuple[Spot, _Ending]]:
    for entry in sure:
        if isinstance(entry.detail, PartReplaced):
            kinds, spots = renewed(entry.detail, machine, fleet)
            for spot in spots:
                yield spot, _Ending(entry=entry, kinds=kinds, found=None)
        elif entry.kind is EntryKind.INSPECTED and isinstance(entry.detail, Inspected | Remark):
            at_spots = _found_at(entry.detail, machine)
            for spot in spots_of(entry.detail, machine):
                found = at_spots.get(spot, frozenset())
                yield spot, _Ending(entry=entry, kinds=frozenset(), found=found)


def _found_at(detail: Inspected | Remark, machine: Machine) -> dict[Spot, frozenset[str]]:
    found: dict[Spot, frozenset[str]] = {}
    for finding in detail.findings if isinstance(detail, Inspected) else ():
        for spot in spots_of_finding(finding, machine):
            found[spot] = found.get(spot, frozenset()) | {finding.what.value}
    return found


def _ends(ending: _Ending, one: _Raised) -> bool:
    if not is_surely_after(ending.entry, one.entry):
        return False
    if ending.found is None:
        return bool(ending.kinds & one.cured_by)
    is_later = effective_at(ending.entry) > effective_at(one.entry)
    return one.heals and is_later and one.what not in ending.found


def _trouble(
    same: Sequence[_Raised], raised: Sequence[_Raised], endings: Mapping[Spot, list[_Ending]], zone: ZoneInfo
) -> Trouble:
    """One trouble out of all times it was written down; the latest words, the worst degree."""
    first, last = same[0], same[-1]
    alike = [one for one in raised if one.what == last.what and one.spots & last.spots]
    renewed = [
        effective_at(ending.entry)
        for spot in last.spots
        for ending in endings.get(spot, ())
        if ending.kinds & last.cured_by and effective_at(ending.entry) <= effective_at(last.entry)
    ]
    findings = [one.finding for one in same if one.finding is not None]
    worst = replace(findings[-1], is_slight=all(one.is_slight for one in findings)) if findings else None
    return Trouble(
        kind=last.entry.kind,
        what=last.what,
        spots=last.spots,
        finding=worst,
        first_at=effective_at(first.entry),
        last_at=effective_at(last.entry),
        entries=tuple(dict.fromkeys(one.entry.id for one in same)),
        who=last.entry.on_behalf_of or last.entry.by,
        text=last.text,
        times=len(_days([one.entry for one in alike], until=effective_at(last.entry), zone=zone)),
        renewed_at=max(renewed, default=None),
    )


def _days(entries: Iterable[Entry], *, until: datetime, zone: ZoneInfo) -> set[date]:
    """Local days of the year before; two people who write down the same on one day saw it once."""
    moments = [effective_at(entry) for entry in entries]
    return {at.astimezone(zone).date() for at in moments if until - REPEATS_WITHIN <= at <= until}


# ---------------------------------------------------------------- wear


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One inspection of one valve: when, and whether wear was found."""

    at: datetime
    is_worn: bool


def looks_of(machine: Machine, sure: Sequence[Entry]) -> dict[Spot, tuple[Look, ...]]:
    """The last two inspections of each valve, the older first; a valve not in there was never looked at."""
    found: dict[Spot, tuple[Look, ...]] = {}
    for entry in sure:
        if entry.kind is EntryKind.INSPECTED and isinstance(entry.detail, Inspected | Remark):
            at_spots = _found_at(entry.detail, machine)
            for spot in spots_of(entry.detail, machine):
                is_worn = bool(at_spots.get(spot, frozenset()) & WEARS)
                found[spot] = (*found.get(spot, ())[-1:], Look(at=effective_at(entry), is_worn=is_worn))
    return found


def worn_on(
    machine: Machine, renewals: Sequence[Renewal], every: Sequence[Entry], zone: ZoneInfo
) -> dict[Spot, frozenset[date]]:
    """Local days on which wear showed at a valve: a finding, a drip from outside, a wearing part renewed."""
    found: dict[Spot, set[date]] = {}
    for entry in every:
        for one in _raised(entry, machine) if entry.kind in SEEN else ():
            if one.what in WEARS or one.what == SymptomKind.DRIP:
                for spot in one.spots if len({position for position, _ in one.spots}) == 1 else ():
                    found.setdefault(spot, set()).add(effective_at(entry).astimezone(zone).date())
    for renewal in renewals:
        for spot in renewal.spots if renewal.kinds & WEARING_PARTS else ():
            found.setdefault(spot, set()).add(renewal.at.astimezone(zone).date())
    return {spot: frozenset(days) for spot, days in found.items()}
