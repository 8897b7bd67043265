"""A thermometer's file: read as loggers write it; bad rows are named and lose nothing else."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from carewatch.sources.thermometer import TAIL_BYTES, ThermometerFiles, read_record
from tests.sources.recordings import NEBRASKA


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "river-yard.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_celsius_with_an_instant_that_names_its_zone(tmp_path):
    path = written(tmp_path, "time_utc,air_c\n2026-10-03T22:00Z,1.8\n2026-10-03T19:00-04:00,1.2\n")
    record = read_record(path)
    assert record.faults == ()
    assert record.readings.moments == tuple(datetime(2026, 10, 3, hour, tzinfo=UTC) for hour in (22, 23))
    assert list(record.readings.air_c) == [1.8, 1.2]
    assert record.readings.is_at_site


def test_fahrenheit_and_a_time_without_zone_which_is_utc(tmp_path):
    path = written(tmp_path, "station,Time_UTC,air_f\nyard,2026-10-03 22:00:00,28.4\n")
    record = read_record(path)
    assert record.readings.air_c[0] == pytest.approx(-2.0)  # (28.4 - 32) / 1.8
    assert record.readings.moments[0] == datetime(2026, 10, 3, 22, tzinfo=UTC)


def test_a_line_still_being_written_waits(tmp_path):
    path = written(tmp_path, "time_utc,air_c\n2026-10-03T22:00Z,1.8\n2026-10-03T23:00Z,-1")
    record = read_record(path)
    assert len(record.readings.moments) == 1
    assert record.faults == ()


def test_every_bad_row_is_named_with_its_line_and_the_rest_counts(tmp_path):
    rows = (
        "2026-10-03T22:00Z,1.8\nyesterday,2\n2026-10-03T23:00Z,warm\n2026-10-03T23:10Z,99\n2026-10-04T00:00Z,0.5,7\n\n"
    )
    record = read_record(written(tmp_path, f"time_utc,air_c\n{rows}2026-10-04T01:00Z,0.1\n"))
    assert [fault.line for fault in record.faults] == [3, 4, 5, 6]
    assert all(fault.is_warning and fault.fix for fault in record.faults)
    assert "no time" in record.faults[0].problem
    assert list(record.readings.air_c) == [1.8, 0.1]


def test_a_reading_without_air_says_nothing(tmp_path):
    record = read_record(written(tmp_path, "time_utc,air_c,dew_c\n2026-10-03T22:00Z,,1\n"))
    assert record.readings is None


def test_a_file_of_another_kind_is_refused_in_one_word(tmp_path):
    record = read_record(written(tmp_path, "when;how warm\n1;2\n"))
    assert record.readings is None
    (fault,) = record.faults
    assert "time_utc,air_c" in fault.fix


def test_of_a_long_file_only_the_newest_part_is_read(tmp_path):
    begin = datetime(2020, 1, 1, tzinfo=UTC)
    rows = [f"{begin + n * timedelta(minutes=5):%Y-%m-%dT%H:%MZ},{n % 10}" for n in range(60_000)]
    path = written(tmp_path, "time_utc,air_c\n" + "\n".join(rows) + "\n")
    assert path.stat().st_size > TAIL_BYTES
    record = read_record(path)
    assert record.faults == ()
    assert record.readings.moments[-1] == begin + 59_999 * timedelta(minutes=5)
    assert len(record.readings.moments) < 60_000


def test_a_file_is_read_again_when_it_grows_and_its_absence_is_no_fault(tmp_path):
    files = ThermometerFiles(tmp_path)
    assert files.record(NEBRASKA) is None
    assert files.readings(NEBRASKA) is None
    path = written(tmp_path, "time_utc,air_c\n2026-10-03T22:00Z,1.8\n")
    assert len(files.readings(NEBRASKA).moments) == 1
    with path.open("a") as file:
        file.write("2026-10-03T23:00Z,1.0\n")
    assert len(files.readings(NEBRASKA).moments) == 2


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_a_fault(tmp_path):
    path = written(tmp_path, "time_utc,air_c\n")
    path.chmod(0)
    (fault,) = ThermometerFiles(tmp_path).record(NEBRASKA).faults
    assert "rights" in fault.fix


def test_a_folder_in_its_place_is_a_fault(tmp_path):
    (tmp_path / "river-yard.csv").mkdir()
    (fault,) = ThermometerFiles(tmp_path).record(NEBRASKA).faults
    assert "cannot be read" in fault.problem
