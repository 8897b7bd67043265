"""Hours out of files: tables a person keeps and task data a terminal exports become ordinary readings in the logbook.

All of the files count or nothing does. The id of a reading is made of what it says, so that the same file twice, or
one that overlaps an earlier one, adds nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from uuid import UUID, uuid5

from carewatch.duties.facts import at_local
from carewatch.errors import BadInput, Fault, FaultyFiles
from carewatch.logbook.entries import Channel, Entry, EntryKind, HoursRead
from carewatch.logbook.reading import check_entry
from carewatch.notices.words import listed
from carewatch.roster.document import advice
from carewatch.roster.model import Machine, Roster
from carewatch.service.answering import write_entries
from carewatch.service.documents import instant
from carewatch.service.gather import current_roster
from carewatch.service.usecase import Outcome
from carewatch.service.workplace import Workplace
from carewatch.sources.hours_table import HoursRow, read_hours_table
from carewatch.sources.taskdata import Device, DeviceHours, DevicePart, read_taskdata

TABLES = frozenset({".csv", ".txt", ".tsv"})
MOST_FAULTS = 20  # chosen: a file of the wrong kind has a fault in every row
COUNTER_LETTERS = 120
_IDS = UUID("6c2f4f0b-7a58-5a0e-9d53-1c54f7e1b6aa")  # made once: ids of readings that come from programs


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What became of some files: the readings that are new, how many were known, what a person should know."""

    new: tuple[Entry, ...]
    known: int
    remarks: tuple[str, ...]
    outcome: Outcome


def import_hours(
    work: Workplace, paths: Sequence[Path], *, by: str, devices: Mapping[str, str], now: datetime
) -> Imported:
    """Take in files. `devices`: word of a device -> machine id, before what the roster says. FaultyFiles, BadInput."""
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    if roster is None:
        raise BadInput("There is no roster yet. Run `carewatch check`, then start the service once.")
    _refuse_unknown(devices, roster)
    told: list[Entry] = []
    remarks: list[str] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            entries, words = _entries_of(path, roster, by=by, devices=devices, now=now)
        except FaultyFiles as trouble:
            faults += trouble.faults
            continue
        told += entries
        remarks += words
    if faults:
        raise FaultyFiles(faults[:MOST_FAULTS])
    new, outcome = write_entries(work, told, now=now)
    different = len({entry.id for entry in told})
    return Imported(new=new, known=different - len(new), remarks=tuple(remarks), outcome=outcome)


def reading_entry(machine: str, at: datetime, reading: HoursRead, *, by: str, channel: Channel, now: datetime) -> Entry:
    """A reading as an entry whose id is made of what it says."""
    content = {"machine": machine, "at": instant(at), **asdict(reading)}
    return Entry(
        id=f"hours|{uuid5(_IDS, json.dumps(content, sort_keys=True))}",
        machine=machine,
        kind=EntryKind.HOURS_READ,
        happened_at=at.astimezone(UTC).replace(microsecond=0),
        recorded_at=now,
        by=by,
        channel=channel,
        detail=reading,
    )


def _refuse_unknown(devices: Mapping[str, str], roster: Roster) -> None:
    known = [machine.id for machine in roster.machines]
    for machine in devices.values():
        if machine not in known:
            raise BadInput(f"There is no machine {machine} in the roster. {advice(machine, known)}")


def _entries_of(
    path: Path, roster: Roster, *, by: str, devices: Mapping[str, str], now: datetime
) -> tuple[list[Entry], list[str]]:
    if path.suffix.lower() in TABLES:
        return _of_table(path, roster, by=by, now=now), []
    if path.suffix.lower() in (".zip", ".xml") or path.is_dir():
        return _of_taskdata(path, roster, by=by, devices=devices, now=now)
    fix = "Give a .csv, a TASKDATA.XML, its folder or its .zip."
    raise FaultyFiles([_fault(path.as_posix(), None, "(file)", path.suffix, "is no kind of file known here.", fix)])


def _checked(told: Iterable[tuple[Entry, str, int | None]], roster: Roster) -> list[Entry]:
    entries: list[Entry] = []
    faults: list[Fault] = []
    for entry, file, line in told:
        entries.append(entry)
        faults += check_entry(entry, roster, file=file, line=line)
    if faults:
        raise FaultyFiles(faults[:MOST_FAULTS])
    return entries


# ---------------------------------------------------------------- tables


def _of_table(path: Path, roster: Roster, *, by: str, now: datetime) -> list[Entry]:
    file = path.as_posix()
    told: list[tuple[Entry, str, int | None]] = []
    faults: list[Fault] = []
    for row in read_hours_table(file, path.read_bytes()):
        try:
            machine = _machine(file, row, roster)
            at = _when(file, row, machine, roster)
        except FaultyFiles as trouble:
            faults += trouble.faults
            continue
        for side, value in row.hours.items():
            reading = HoursRead(counter_h=value, side=side)
            entry = reading_entry(machine.id, at, reading, by=by, channel=Channel.FILE, now=now)
            told.append((entry, file, row.line))
    if faults:
        raise FaultyFiles(faults[:MOST_FAULTS])
    return _checked(told, roster)


def _machine(file: str, row: HoursRow, roster: Roster) -> Machine:
    """The machine a row means, by id or by name."""
    word = row.machine.casefold()
    found = [one for one in roster.machines if word in (one.id.casefold(), one.name.casefold())]
    if len(found) == 1:
        return found[0]
    names = [one.id for one in roster.machines]
    problem = "is no machine of the roster." if not found else f"may be {listed(one.id for one in found)}."
    fix = advice(row.machine, names) if not found else "Write its id."
    raise FaultyFiles([_fault(file, row.line, "machine", row.machine, problem, fix)])


def _when(file: str, row: HoursRow, machine: Machine, roster: Roster) -> datetime:
    """The instant of a row: on the clock of the home site; a day alone means when its work ends."""
    zone = roster.site(machine.home_site).tz
    try:
        moment = datetime.fromisoformat(row.time)
    except ValueError:
        fix = "Write 2026-10-19 19:10, or 2026-10-19T19:10Z."
        raise FaultyFiles([_fault(file, row.line, "time", row.time[:60], "is no time.", fix)]) from None
    if len(row.time) <= len("2026-10-19") and moment.time() == time(0):
        return at_local(date.fromisoformat(row.time), roster.fleet(machine.fleet).work_ends_at, zone)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)


# ---------------------------------------------------------------- task data


def _of_taskdata(
    path: Path, roster: Roster, *, by: str, devices: Mapping[str, str], now: datetime
) -> tuple[list[Entry], list[str]]:
    machine_of = _Machines(roster, devices)
    known, found = read_taskdata(path, side_of=machine_of.side)
    told: list[tuple[Entry, str, int | None]] = []
    for one in _largest(found, machine_of):
        machine = machine_of(one.device)
        if machine is None:
            continue
        zone = roster.site(machine.home_site).tz
        at = one.at if one.at.tzinfo is not None else one.at.replace(tzinfo=zone)
        reading = HoursRead(
            counter_h=round(one.hours, 4),
            side=one.side,
            counter=one.counter[:COUNTER_LETTERS],
            from_zero=one.from_zero,
            is_estimate=one.is_estimate,
        )
        entry = reading_entry(machine.id, at, reading, by=by, channel=Channel.FILE, now=now)
        told.append((entry, ", ".join(one.where), None))
    return _checked(told, roster), list(_remarks(path, known, found, machine_of))


class _Machines:
    """Which machine a device belongs to: as it was said now, else by the roster; and which side its elements are."""

    def __init__(self, roster: Roster, devices: Mapping[str, str]) -> None:
        by_roster = {one.iso_device.casefold(): one for one in roster.machines if one.iso_device}
        said = {word.casefold(): roster.machine(machine) for word, machine in devices.items()}
        self._by_word = {**by_roster, **said}

    def __call__(self, device: Device) -> Machine | None:
        return next((found for word in device.words if (found := self._by_word.get(word.casefold()))), None)

    def side(self, device: Device, chain: tuple[DevicePart, ...]) -> str | None:
        machine = self(device)
        named = {word.casefold(): side for side, word in machine.iso_sides.items()} if machine else {}
        words = (word.casefold() for part in chain for word in (part.number, part.designator, part.id) if word)
        return next((named[word] for word in words if word in named), None)


def _largest(found: Sequence[DeviceHours], machine_of: _Machines) -> list[DeviceHours]:
    """Several elements of one machine may tell of the same counter at the same moment: the largest counts."""
    kept: dict[tuple[object, ...], DeviceHours] = {}
    for one in found:
        machine = machine_of(one.device)
        key = (machine.id if machine else one.device.id, one.side, one.counter, one.at)
        if key not in kept or kept[key].hours < one.hours:
            kept[key] = one
    return list(kept.values())


def _remarks(path: Path, known: Sequence[Device], found: Sequence[DeviceHours], machine_of: _Machines) -> Iterable[str]:
    with_hours = {one.device.id for one in found}
    for device in known:
        if machine_of(device) is None and device.id in with_hours:
            words = " or ".join(f'"{word}"' for word in device.words) or device.id
            yield (
                f"{path}: hours of the device {words} were left out: it belongs to no machine. "
                f"Write one of its words as iso_device in the roster, or say --device {words.split(' or ')[0]}=MACHINE."
            )
    if not found:
        yield f"{path}: no spray hours are in it."
    elif any(one.is_estimate and machine_of(one.device) for one in found):
        yield f"{path}: no work state was logged for some of it: time in working position counts, an estimate."


def _fault(file: str, line: int | None, field: str, value: str, problem: str, fix: str) -> Fault:
    return Fault(file=file, line=line, field=field, value=value, problem=problem, fix=fix)
