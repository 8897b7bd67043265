"""`carewatch hours`: the list, and hours taken in from files, as people call it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from carewatch.cli import main as cli
from carewatch.cli.hours import hours
from tests.cli.test_commands import SETTINGS
from tests.service.farm import ROSTER
from tests.sources import task_data


@pytest.fixture
def config(tmp_path) -> Path:
    (tmp_path / "fleet.toml").write_text(ROSTER)
    (tmp_path / "carewatch.toml").write_text(SETTINGS)
    return tmp_path / "carewatch.toml"


@pytest.fixture
def call(capsys, monkeypatch, config):
    """Exit code, output and complaints of `carewatch hours`."""

    def called(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["carewatch", "hours", *arguments, "--config", str(config)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        told = capsys.readouterr()
        assert "Traceback" not in told.err
        return int(ended.value.code or 0), told.out, told.err

    return called


@pytest.fixture
def table(tmp_path):
    def written(*rows: str) -> str:
        path = tmp_path / "h.csv"
        path.write_text("\n".join(["machine,time,hours", *rows, ""]))
        return str(path)

    return written


def test_without_a_file_it_lists_every_machine_with_what_is_known(call):
    code, out, _ = call()
    assert code == 0
    assert out.count("No spray hours are known yet.") == 2


def test_hours_before_and_after_a_file(call, table):
    before = json.loads(call("--json")[1])
    assert [line["sides"]["front"]["hours"] for line in before] == [0.0, 0.0]
    code, out, _ = call(table("sprayer-1,2026-05-01 18:00,700", "sprayer-1,2026-06-01 18:00,756"), "--by", "noah")
    assert (code, out.splitlines()[0]) == (0, "2 readings are new, 0 were there already.")
    first = json.loads(call("--json", "--machine", "sprayer-1")[1])[0]
    assert first["sides"]["rear"] == {"hours": 756.0, "weighted": 756.0, "since_inspection": 756.0}
    assert (first["state"], first["left_h"], first["inspected_at"]) == ("due", -6.0, None)
    assert "INSPECTION DUE" in call()[1]


def test_the_same_file_again_is_done_and_adds_nothing(call, table):
    path = table("sprayer-1,2026-05-01 18:00,700")
    call(path, "--by", "noah")
    assert call(path, "--by", "mia")[:2] == (0, "0 readings are new, 1 were there already.\n")


def test_a_counter_that_went_back_is_told_in_words(call, table):
    call(table("sprayer-1,2026-05-01 18:00,700", "sprayer-1,2026-05-02 18:00,3"), "--by", "noah")
    (line,) = json.loads(call("--json", "--machine", "sprayer-1")[1])
    assert "went back from 700.0 to 3.0 h (2 May, read by Noah Birk)" in line["flags"][0]
    assert line["sides"]["front"]["hours"] == 700.0
    assert len(line["counter_restarts"]) == 1


def test_task_data_needs_to_know_whose_device_it_is(call):
    code, _, err = call(str(task_data.FOLDER), "--by", "noah")
    assert code == 1
    assert "it belongs to no machine" in err
    code, out, err = call(str(task_data.FOLDER), "--by", "noah", "--device", "Example Sprayer=sprayer-2", "--json")
    assert code == 0
    assert {entry["machine"] for entry in json.loads(out)["new"]} == {"sprayer-2"}


def test_a_fault_names_file_line_value_and_remedy_and_nothing_is_taken(call, table):
    path = table("sprayer-1,2026-05-01 18:00,700", "sprayer-1,soon,5")
    code, _, err = call(path, "--by", "noah")
    assert (code, err) == (1, f"{path}:3: time = soon: is no time. Write 2026-10-19 19:10, or 2026-10-19T19:10Z.\n")
    assert "700" not in call()[1]


@pytest.mark.parametrize(
    "arguments",
    [["--by", "noah"], ["FILE"], ["FILE", "--by", "noah", "--device", "x"], ["--machine", "sprayer-9"]],
    ids=["by without a file", "a file without by", "device of nobody", "unknown machine"],
)
def test_wrong_usage_is_code_2(call, table, arguments):
    path = table("sprayer-1,2026-05-01 18:00,700")
    assert call(*[path if word == "FILE" else word for word in arguments])[0] == 2


def test_somebody_unknown_may_bring_no_file(call, table):
    code, _, err = call(table("sprayer-1,2026-05-01 18:00,700"), "--by", "nobody")
    assert code == 1
    assert "is nobody in the roster" in err


def test_help_says_what_the_table_looks_like():
    assert "machine, time, hours" in (hours.help or "")
