"""Hours out of task data: the sample made to the standard, and files that are not what they should be."""

from __future__ import annotations

import struct
import zipfile
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from carewatch.errors import FaultyFiles
from carewatch.sources.task_files import TaskFiles, task_files
from carewatch.sources.taskdata import DeviceHours, read_taskdata
from carewatch.sources.time_logs import read_log, stops
from tests.sources import task_data
from tests.sources.task_data import ALL_OFF, ALL_ON, BEGAN, FRONT, REAR, WORK, files, record, zipped


def side_of(device, chain) -> str | None:
    sides = {"1": "front", "2": "rear"}
    return next((sides[part.number] for part in chain if part.number in sides), None)


def hours_in(tmp_path: Path, changed: dict[str, bytes | None] | None = None, side=side_of) -> list[DeviceHours]:
    told = {name: content for name, content in (files() | (changed or {})).items() if content is not None}
    (tmp_path / "export.zip").write_bytes(zipped(told))
    return read_taskdata(tmp_path / "export.zip", side_of=side)[1]


def fault_in(tmp_path: Path, changed: dict[str, bytes | None]):
    with pytest.raises(FaultyFiles) as caught:
        hours_in(tmp_path, changed)
    (fault,) = caught.value.faults
    return fault


def told(found: list[DeviceHours]) -> list[tuple[str | None, str, float, bool, bool]]:
    return [(one.side, f"{one.at:%d %H:%M}", round(one.hours, 4), one.from_zero, one.is_estimate) for one in found]


def with_xml(old: str, new: str) -> dict[str, bytes | None]:
    assert old in task_data.TASKDATA
    return {"TASKDATA.XML": task_data.TASKDATA.replace(old, new, 1).encode()}


# Worked out by hand from the times and states written in tests/sources/task_data.py.
SAMPLE = [
    ("front", "11 09:30", 2.0, True, False),
    ("rear", "11 11:00", 3.0, True, False),
    (None, "12 10:00", 600.0, False, True),
    (None, "12 12:40", 601.5, False, True),
    (None, "12 10:00", 1.5, True, True),
    (None, "12 12:40", 3.0, True, True),
    (None, "13 08:20", 2.0, True, True),
]


def test_the_committed_sample_is_the_one_its_script_makes():
    assert {one.name: one.read_bytes() for one in task_data.FOLDER.iterdir() if one.suffix != ".md"} == files()


def test_a_folder_a_file_and_a_zip_give_the_same_hours(tmp_path):
    from_zip = told(hours_in(tmp_path))
    assert from_zip == SAMPLE
    for path in (task_data.FOLDER, task_data.FOLDER / "TASKDATA.XML"):
        assert told(read_taskdata(path, side_of=side_of)[1]) == SAMPLE


def test_without_sides_any_boom_that_works_counts(tmp_path):
    found = hours_in(tmp_path, side=lambda device, chain: None)
    assert told(found)[0] == (None, "11 11:00", 3.0, True, False)


def test_only_effective_time_counts_and_running_spans_wait(tmp_path):
    # Type 2 (preliminary), 5 (ineffective), 7 (clearing) and an effective span without an end are in the sample.
    assert {one.where[1] for one in hours_in(tmp_path)} == {
        "TSK TSK-1/TLG TLG00001", "TSK TSK-2/TIM[1]", "TSK TSK-2/TIM[3]", "TSK TSK-3/TIM[2]"
    }  # fmt: skip


def test_a_work_state_that_was_never_on_is_no_hours_and_nothing_is_guessed_instead(tmp_path):
    log = b"".join(record(BEGAN + timedelta(minutes=n), *([(WORK, 0)] if n == 0 else [])) for n in range(100))
    assert [one for one in hours_in(tmp_path, {"TLG00001.BIN": log}) if "TSK-1" in one.where[1]] == []


@pytest.mark.parametrize("state", [2, 3])
def test_error_and_undefined_are_not_on(state):
    records = log_of(record(BEGAN, (WORK, state)), record(BEGAN + timedelta(minutes=5)))
    assert stops(records, {"DET-1"}) == []


def log_of(*records: bytes, heading: str = task_data.HEADING):
    made = TaskFiles(name="x", contents={"TLG00001.XML": heading.encode(), "TLG00001.BIN": b"".join(records)})
    return read_log(made, "TLG00001")


def test_hours_of_a_log_that_spans_two_shifts_stop_twice():
    day = timedelta(days=1)
    on, off = [(WORK, 1)], [(WORK, 0)]
    times = [
        (BEGAN, on),
        (BEGAN + timedelta(minutes=6), off),
        (BEGAN + day, on),
        (BEGAN + day + timedelta(minutes=3), off),
    ]
    found = stops(log_of(*(record(at, *values) for at, values in times)), {"DET-1"})
    assert [(one.at, round(one.hours, 3)) for one in found] == [
        (BEGAN + timedelta(minutes=6), 0.1), (BEGAN + day + timedelta(minutes=3), 0.15)
    ]  # fmt: skip


def test_nobody_knows_what_happened_while_nothing_was_logged():
    # Power was cut with work on: of the four hours until the next record ten minutes are believed.
    records = log_of(record(BEGAN, (WORK, 1)), record(BEGAN + timedelta(hours=3, minutes=59)))
    (only, *_) = stops(records, {"DET-1"})
    assert only.hours == pytest.approx(20 / 60, abs=10 / 60)
    assert only.hours <= 10 / 60 + 1e-9


def test_a_section_counts_whichever_of_the_sixteen_it_is():
    heading = task_data.HEADING.replace("00A1", "00B0")
    records = log_of(record(BEGAN, (FRONT, 1 << 30)), record(BEGAN + timedelta(minutes=6)), heading=heading)
    assert [round(one.hours, 2) for one in stops(records, {"DET-4"})] == [0.1]


def test_a_record_cut_off_by_a_power_cut_is_left_out():
    whole = record(BEGAN, (WORK, 1)) + record(BEGAN + timedelta(minutes=6), (WORK, 0))
    assert len(log_of(whole + record(BEGAN + timedelta(minutes=7), (WORK, 1))[:-3])) == 2


def test_records_before_the_clock_was_set_are_left_out():
    assert log_of(record(datetime(1980, 1, 1), (WORK, 1)), record(BEGAN, (WORK, 1)))[0].at == BEGAN


def test_utc_of_the_receiver_beats_the_clock_of_the_terminal():
    heading = task_data.HEADING.replace('D=""/>', 'D="" H="" I=""/>')
    utc = BEGAN + timedelta(hours=5, seconds=20)
    days = (utc - datetime(1980, 1, 1)).days
    clock = round((utc - datetime(utc.year, utc.month, utc.day)) / timedelta(milliseconds=1))
    where = struct.pack("<iiiBIH", 1, 1, 1, 1, clock, days)
    without = struct.pack("<iiiBIH", 0, 0, 0, 0, 0, 0)
    later = BEGAN + timedelta(minutes=1)
    records = log_of(record(BEGAN, position=without), record(later, position=where), heading=heading)
    assert [one.at for one in records] == [
        datetime(2026, 5, 11, 12, 30, tzinfo=UTC), datetime(2026, 5, 11, 12, 31, tzinfo=UTC)
    ]  # fmt: skip


def test_tasks_may_lie_in_files_of_their_own(tmp_path):
    head, tasks = task_data.TASKDATA.split("  <TSK", 1)
    tasks = "<TSK" + tasks.replace("</ISO11783_TaskData>", "")
    changed = {
        "TASKDATA.XML": (head + '<XFR A="TSK00000" B="1"/></ISO11783_TaskData>').encode(),
        "TSK00000.XML": f"<XFC>{tasks}</XFC>".encode(),
    }
    assert told(hours_in(tmp_path, changed)) == SAMPLE
    assert fault_in(tmp_path, {**changed, "TSK00000.XML": None}).field == "TSK00000.XML"


def test_files_of_fields_and_customers_are_not_looked_at(tmp_path):
    assert told(hours_in(tmp_path, with_xml("  <DVC ", '  <XFR A="PFD00000" B="1"/>\n  <DVC '))) == SAMPLE


def test_a_time_with_a_zone_keeps_it_and_other_values_are_left_alone(tmp_path):
    changed = with_xml('<TIM A="2026-05-13T06:20:00" C="7200" D="4"/>', (
        '<TIM A="2026-05-13T06:20:00.000Z" C="7200" D="4"><DLV A="00D4" B="" C="DET-1"/></TIM>'
    ))  # fmt: skip
    assert hours_in(tmp_path, changed)[-1].at == datetime(2026, 5, 13, 8, 20, tzinfo=UTC)


def test_a_serial_number_of_noughts_is_none(tmp_path):
    changed = with_xml('D="A00084000DE0A1B2" E="SP-2044"', 'D="0000000000000000"')
    assert hours_in(tmp_path, changed)[0].device.words == ("Example Sprayer",)


def test_lifetime_hours_count_a_twentieth_each_where_there_is_nothing_better(tmp_path):
    text = task_data.TASKDATA.replace('"0112" B="2160000"', '"00D7" B="12000"').replace('"0112"', '"0113"')
    found = [one for one in hours_in(tmp_path, {"TASKDATA.XML": text.encode()}) if not one.from_zero]
    assert [one.hours for one in found] == [600.0]


def test_time_spans_that_name_no_device_count_only_where_there_is_one(tmp_path):
    changed = with_xml('    <DAN A="A00084000DE0A1B2" C="DVC-1"/>\n', "")
    assert not [one for one in hours_in(tmp_path, changed) if "TSK-3" in one.where[1]]


# ---------------------------------------------------------------- what is not what it should be


BILLION_LAUGHS = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]><ISO11783_TaskData>&b;</ISO11783_TaskData>'
FOREIGN_FILE = b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]><ISO11783_TaskData A="&a;"/>'


@pytest.mark.parametrize(
    ("changed", "field", "says"),
    [
        ({"TASKDATA.XML": BILLION_LAUGHS}, "(file)", "declares entities"),
        ({"TASKDATA.XML": FOREIGN_FILE}, "(file)", "declares entities"),
        ({"TASKDATA.XML": b"<ISO11783_TaskData>"}, "(file)", "is not readable XML"),
        ({"TASKDATA.XML": b"<kml/>"}, "kml", "is no task data"),
        ({"TLG00001.BIN": None}, "TLG00001.BIN", "is not there"),
        ({"TLG00001.XML": None}, "TLG00001.XML", "is not there"),
        ({"TLG00001.XML": b'<TIM A="2026" D="4"/>'}, "TIM", "is no heading of a time log"),
        ({"TLG00001.BIN": record(BEGAN, (9, 1))}, "record 1", "names value 9, but the heading has 3"),
        ({"TLG00001.XML": task_data.HEADING.replace("008D", "zz").encode()}, "DLV[1].A", "is no entry"),
        (with_xml('B="2026-05-11T11:00:00"', 'B="noon"'), "TSK TSK-1/TIM[1].B", "is no time"),
        (with_xml('A="2026-05-11T07:30:00"', 'A="1980-01-06T00:00:00"'), "TSK TSK-1/TIM[1].A", "lies outside"),
        (with_xml('B="2026-05-11T11:00:00"', 'B="2026-05-11T07:00:00"'), "TSK TSK-1/TIM[1].B", "before the start"),
        (with_xml('B="2026-05-11T11:00:00"', 'B="2026-05-11T11:00:00Z"'), "TSK TSK-1/TIM[1]", "at one end only"),
        (with_xml('C="7200"', 'C="two hours"'), "TSK TSK-3/TIM[2].C", "is no whole number"),
        (with_xml('C="7200"', 'C="-1"'), "TSK TSK-3/TIM[2].C", "is below zero"),
        (with_xml('B="5400"', 'B="1.5"'), "TSK TSK-2/TIM[1]/DLV.B", "is no whole number"),
        (with_xml('B="2160000"', 'B="-1"'), "TSK TSK-2/TIM[1]/DLV 0112", "is below zero"),
    ],
)  # fmt: skip
def test_bad_task_data_names_file_and_element_with_a_remedy(tmp_path, changed, field, says):
    fault = fault_in(tmp_path, changed)
    assert (fault.field, says in fault.problem) == (field, True)
    assert "export.zip" in fault.file
    assert fault.fix


def test_what_is_no_zip_and_a_zip_without_task_data_are_refused(tmp_path):
    for content, says in ((b"no archive", "is no .zip"), (zipped({"A.XML": b""}), "holds no TASKDATA.XML")):
        (tmp_path / "x.zip").write_bytes(content)
        with pytest.raises(FaultyFiles, match=says):
            read_taskdata(tmp_path / "x.zip", side_of=side_of)


def test_a_zip_made_to_flood_is_refused_by_what_it_says_of_itself(tmp_path):
    with pytest.raises(FaultyFiles, match="unpacks to far more"):
        hours_in(tmp_path, {"TLG00001.BIN": bytes(5_000_000)})


def test_a_zip_that_lies_about_its_size_is_stopped_while_it_is_read(tmp_path):
    whole = zipped(files())
    size = struct.pack("<I", len(files()["TLG00001.BIN"]))
    (tmp_path / "x.zip").write_bytes(whole.replace(size, struct.pack("<I", 100)))
    with pytest.raises(FaultyFiles):
        read_taskdata(tmp_path / "x.zip", side_of=side_of)


def test_a_locked_zip_and_a_folder_without_task_data_are_refused(tmp_path):
    whole = bytearray(zipped({"TASKDATA.XML": task_data.TASKDATA.encode()}))
    whole[whole.index(b"PK\x01\x02") + 8] |= 1  # the flag of a password in the directory
    (tmp_path / "x.zip").write_bytes(whole)
    with pytest.raises(FaultyFiles, match="locked with a password"):
        read_taskdata(tmp_path / "x.zip", side_of=side_of)
    (tmp_path / "empty").mkdir()
    with pytest.raises(FaultyFiles, match=r"holds no TASKDATA\.XML"):
        read_taskdata(tmp_path / "empty", side_of=side_of)


def test_xml_larger_than_any_task_file_is_not_even_parsed():
    made = TaskFiles(name="x.zip", contents={"TASKDATA.XML": b" " * 20_000_001})
    with pytest.raises(FaultyFiles, match="more than 20,000,000"):
        made.xml("TASKDATA.XML")


@pytest.mark.parametrize("path", [task_data.FOLDER, None], ids=["folder", "zip"])
def test_no_file_may_be_larger_than_the_limit(tmp_path, path):
    (tmp_path / "x.zip").write_bytes(zipped(files()))
    with pytest.raises(FaultyFiles, match="more than 1,000"):
        task_files(path or tmp_path / "x.zip", most_bytes=1000)


def test_a_zip_of_very_many_files_and_two_exports_in_one_are_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as archive:
        archive.writestr("a/TASKDATA.XML", b"<x/>")
        archive.writestr("b/taskdata.xml", b"<x/>")
    with pytest.raises(FaultyFiles, match=r"holds 2 TASKDATA.XML"):
        read_taskdata(tmp_path / "x.zip", side_of=side_of)
    many = {f"{number}.XML": b"" for number in range(5_001)}
    (tmp_path / "y.zip").write_bytes(zipped(many))
    with pytest.raises(FaultyFiles, match="holds 5,001 files"):
        read_taskdata(tmp_path / "y.zip", side_of=side_of)


@pytest.mark.parametrize("cut", range(0, 4000, 97))
def test_no_cut_or_flipped_file_ends_in_anything_but_a_clear_word(tmp_path, cut):
    whole = bytearray(zipped(files()))
    at = cut % len(whole)
    for broken in (bytes(whole[:at]), bytes(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])):
        (tmp_path / "x.zip").write_bytes(broken)
        with suppress(FaultyFiles):
            read_taskdata(tmp_path / "x.zip", side_of=side_of)


def test_both_booms_are_off_when_the_machine_is(tmp_path):
    on = [(WORK, 1), (FRONT, ALL_ON), (REAR, ALL_OFF)]
    log = record(BEGAN, *on) + record(BEGAN + timedelta(minutes=6), (WORK, 0)) + record(BEGAN + timedelta(minutes=9))
    found = [one for one in hours_in(tmp_path, {"TLG00001.BIN": log}) if "TSK-1" in one.where[1]]
    assert told(found) == [("front", "11 07:36", 0.1, True, False)]
