"""Hours in task data (ISO 11783-10): what each device of an export says it worked, element by element.

For each task and device the best that is there: work states of the binary log (liquid was flowing), else the task's
effective time (value 119 of the data dictionary), else the spans of its effective time elements (type 4); the last two
count time in working position and are marked as estimates. Where no work state is logged, the lifetime counter (274,
else 215) is a reading of its own. Planned, ineffective, repair, clearing and powered-down spans (1, 5, 6, 7, 8) are
no spray hours; clearing is no proof of a rinse.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from xml.etree.ElementTree import Element

from carewatch.sources.task_files import TASKDATA, TaskFiles, task_files, trouble
from carewatch.sources.time_logs import Record, dictionary_number, has_work_state, read_log, stops

EFFECTIVE = "4"  # type of a time element; 1 planned, 2 preliminary, 5 ineffective, 6 repair, 7 clearing, 8 powered down
TASK_TIME = 0x0077  # 119 Effective Total Time [s], restarts with each task
LIFETIME_TIME = 0x0112  # 274 Lifetime Effective Total Time [s]
LIFETIME_HOURS = 0x00D7  # 215 Lifetime Working Hours [0.05 h]
HOURS_OF = {TASK_TIME: 1 / 3600, LIFETIME_TIME: 1 / 3600, LIFETIME_HOURS: 0.05}
LIFETIME = (LIFETIME_TIME, LIFETIME_HOURS)
WANTED = ("DVC", "TSK")  # files of devices and tasks; fields, customers and the like are not looked at


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePart:
    """One element of a device; `number` and `designator` are what people can recognise it by."""

    id: str
    number: str
    designator: str
    object_id: str
    parent: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device of an export, with the words it may be recognised by."""

    id: str
    designator: str
    serial: str
    working_set: str
    parts: tuple[DevicePart, ...]

    @property
    def words(self) -> tuple[str, ...]:
        """Serial number, name and designator, as far as they are there."""
        return tuple(word for word in (self.serial, self.working_set, self.designator) if word.strip("0"))

    def chain(self, part: str) -> tuple[DevicePart, ...]:
        """An element and those it belongs to, from the inside."""
        by_object = {one.object_id: one for one in self.parts if one.object_id}
        found: list[DevicePart] = []
        one = next((each for each in self.parts if each.id == part), None)
        while one is not None and one not in found:
            found.append(one)
            one = by_object.get(one.parent)
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceHours:
    """One reading [h]. `at`: aware, or naive on the clock of the task controller. `counter`: which counter it is of.

    `where`: the file and element it came from. `from_zero`, `is_estimate`: as in `logbook.entries.HoursRead`.
    """

    device: Device
    side: str | None
    at: datetime
    hours: float
    counter: str
    from_zero: bool
    is_estimate: bool
    where: tuple[str, str]


SideOf = Callable[[Device, tuple[DevicePart, ...]], str | None]
"""Which valve side an element of a device belongs to; None: all of them."""


@dataclass(slots=True, kw_only=True)
class _Export:
    """One export while it is read."""

    files: TaskFiles
    devices: tuple[Device, ...]
    side_of: SideOf
    sides: dict[tuple[str, str], str | None] = field(default_factory=dict)

    def device_of(self, part: str) -> Device | None:
        return next((device for device in self.devices if any(one.id == part for one in device.parts)), None)

    def side(self, device: Device, part: str) -> str | None:
        key = (device.id, part)
        if key not in self.sides:
            self.sides[key] = self.side_of(device, device.chain(part))
        return self.sides[key]

    def groups(self, device: Device) -> Mapping[str | None, frozenset[str]]:
        """The elements of a device by side."""
        found: dict[str | None, set[str]] = {}
        for one in device.parts:
            found.setdefault(self.side(device, one.id), set()).add(one.id)
        return {side: frozenset(ids) for side, ids in found.items()}


def read_taskdata(path: Path, *, side_of: SideOf) -> tuple[tuple[Device, ...], list[DeviceHours]]:
    """Devices and hours of an export; FaultyFiles names file, element, value and what to do."""
    files = task_files(path)
    main = files.xml(TASKDATA)
    if main.tag != "ISO11783_TaskData":
        fix = "Give the TASKDATA.XML a task controller exports, or its .zip."
        raise trouble(files.called(TASKDATA), main.tag[:60], "is no task data (ISO 11783-10).", fix)
    members = [(TASKDATA, main)]
    outside = (f"{one.get('A', '')}.XML".upper() for one in main.iter("XFR"))
    members += [(name, files.xml(name)) for name in outside if name.startswith(WANTED)]
    devices = tuple(_device(one) for _, root in members for one in root.findall("DVC"))
    export = _Export(files=files, devices=devices, side_of=side_of)
    found: list[DeviceHours] = []
    for member, root in members:
        for task in root.findall("TSK"):
            found += _task(export, task, files.called(member))
    return devices, found


def _device(one: Element) -> Device:
    parts = tuple(
        DevicePart(
            id=part.get("A", ""),
            object_id=part.get("B", ""),
            designator=part.get("D", ""),
            number=part.get("E", ""),
            parent=part.get("F", ""),
        )
        for part in one.findall("DET")
    )
    return Device(
        id=one.get("A", ""),
        designator=one.get("B", "").strip(),
        working_set=one.get("D", "").strip(),
        serial=one.get("E", "").strip(),
        parts=parts,
    )


# ---------------------------------------------------------------- one task


@dataclass(frozen=True, slots=True, kw_only=True)
class _Span:
    """An effective time element: its ends on the controller's clock, its values by meaning and element."""

    start_at: datetime
    end_at: datetime
    hours: float
    values: dict[tuple[int, str], int]
    where: tuple[str, str]


def _task(export: _Export, task: Element, file: str) -> Iterator[DeviceHours]:
    name = f"TSK {task.get('A', '')}".strip()
    spans = list(_spans(task, file, name))
    logs = [
        (log.get("A", ""), read_log(export.files, log.get("A", ""))) for log in task.findall("TLG") if log.get("A")
    ]  # fmt: skip
    for device in export.devices:
        parts = {one.id for one in device.parts}
        if any(has_work_state(records, parts) for _, records in logs):
            yield from _measured(export, device, logs, (file, name))
            continue
        yield from _lifetime(export, device, spans, logs, (file, name))
        estimated = list(_task_time(export, device, name, spans))
        yield from estimated or _time_spans(export, device, task, name, spans)


def _spans(task: Element, file: str, name: str) -> Iterator[_Span]:
    for number, one in enumerate(task.findall("TIM"), start=1):
        where = f"{name}/TIM[{number}]"
        if one.get("D") != EFFECTIVE:
            continue
        start_at, end_at = _moment(one, "A", file, where), _moment(one, "B", file, where)
        seconds = _seconds(one, file, where)
        if start_at is None or (end_at is None and seconds is None):
            continue  # it was still running when this was exported
        if end_at is None:
            end_at = start_at + timedelta(seconds=seconds or 0)
        if (start_at.tzinfo is None) != (end_at.tzinfo is None):
            raise trouble(file, where, "has a time zone at one end only.", "Export it again.")
        span = end_at - start_at
        if span < timedelta():
            raise trouble(
                file, f"{where}.B", "lies before the start.", "Export it again.", value=one.get("B", "")[:60]
            )  # fmt: skip
        hours = (span if seconds is None else min(span, timedelta(seconds=seconds))) / timedelta(hours=1)
        values = {
            (ddi, value.get("C", "")): _whole(value, "B", file, where)
            for value in one.findall("DLV")
            if (ddi := dictionary_number(value, f"{where}/DLV.A", file)) in HOURS_OF
        }
        yield _Span(start_at=start_at, end_at=end_at, hours=hours, values=values, where=(file, where))


def _moment(one: Element, key: str, file: str, where: str) -> datetime | None:
    text = one.get(key)
    if not text:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        fix = "A time is written like 2026-05-11T07:30:00."
        raise trouble(file, f"{where}.{key}", "is no time.", fix, value=text[:60]) from None
    if not 2000 <= moment.year < 2100:
        raise trouble(
            file, f"{where}.{key}", "lies outside 2000 to 2100.", "Set the terminal's clock.", value=text[:60]
        )
    return moment


def _seconds(one: Element, file: str, where: str) -> int | None:
    return _whole(one, "C", file, where) if one.get("C") else None


def _whole(one: Element, key: str, file: str, where: str) -> int:
    text = one.get(key, "")
    field_name = f"{where}.{key}" if one.tag == "TIM" else f"{where}/{one.tag}.{key}"
    try:
        value = int(text)
    except ValueError:
        raise trouble(file, field_name, "is no whole number.", "Export it again.", value=text[:60]) from None
    if one.tag == "TIM" and value < 0:
        raise trouble(file, field_name, "is below zero.", "Export it again.", value=text[:60])
    return value


# ---------------------------------------------------------------- from the best to the worst that is there


Logs = Sequence[tuple[str, list[Record]]]


def _measured(export: _Export, device: Device, logs: Logs, where: tuple[str, str]) -> Iterator[DeviceHours]:
    """Hours by work state: for each side that has one, else for the device as a whole."""
    for log, records in logs:
        groups = {side: ids for side, ids in export.groups(device).items() if has_work_state(records, ids)}
        named: list[str | None] = [side for side in groups if side is not None]
        for side in named or list(groups):
            above = {part.id for one in groups[side] for part in device.chain(one)} - groups[side]
            for stop in stops(records, groups[side], above):
                yield DeviceHours(
                    device=device,
                    side=side,
                    at=stop.at,
                    hours=stop.hours,
                    counter=f"{log} of {_stamp(records[0].at)}",
                    from_zero=True,
                    is_estimate=False,
                    where=(where[0], f"{where[1]}/TLG {log}"),
                )


def _lifetime(
    export: _Export, device: Device, spans: Sequence[_Span], logs: Logs, where: tuple[str, str]
) -> Iterator[DeviceHours]:
    told = [(span.end_at, ddi, part, value, span.where) for span in spans for (ddi, part), value in span.values.items()]
    for log, records in logs:
        last = {column: (record.at, value) for record in records for column, value in record.values.items()}
        place = (where[0], f"{where[1]}/TLG {log}")
        told += [(at, ddi, part, value, place) for (ddi, part), (at, value) in last.items()]
    mine = [one for one in told if export.device_of(one[2]) is device]
    for wanted in LIFETIME:
        found = [one for one in mine if one[1] == wanted]
        for at, ddi, part, value, place in found:
            yield _reading(export, device, part, at, ddi, value, counter=f"device, value {ddi}", where=place)
        if found:
            return


def _task_time(export: _Export, device: Device, name: str, spans: Sequence[_Span]) -> Iterator[DeviceHours]:
    for span in spans:
        for (ddi, part), value in span.values.items():
            if ddi == TASK_TIME and export.device_of(part) is device:
                counter = f"{name} of {_stamp(spans[0].start_at)}"
                yield _reading(export, device, part, span.end_at, ddi, value, counter=counter, where=span.where)


def _reading(
    export: _Export,
    device: Device,
    part: str,
    at: datetime,
    ddi: int,
    value: int,
    *,
    counter: str,
    where: tuple[str, str],
) -> DeviceHours:
    if value < 0:
        raise trouble(where[0], f"{where[1]}/DLV {ddi:04X}", "is below zero.", "Export it again.", value=str(value))
    return DeviceHours(
        device=device,
        side=export.side(device, part),
        at=at,
        hours=value * HOURS_OF[ddi],
        counter=counter,
        from_zero=ddi == TASK_TIME,
        is_estimate=True,
        where=where,
    )


def _time_spans(
    export: _Export, device: Device, task: Element, name: str, spans: Iterable[_Span]
) -> Iterator[DeviceHours]:
    """The spans say nothing of a device: they count for those the task names, or for the only one there is."""
    named = {one.get("C", "") for one in task.findall("DAN")} - {""}
    if device.id not in named and (named or len(export.devices) > 1):
        return
    for span in spans:
        if span.hours > 0.0:
            yield DeviceHours(
                device=device,
                side=None,
                at=span.end_at,
                hours=span.hours,
                counter=f"{name}, time of {_stamp(span.start_at)}",
                from_zero=True,
                is_estimate=True,
                where=span.where,
            )


def _stamp(moment: datetime) -> str:
    return moment.replace(microsecond=0).isoformat()
