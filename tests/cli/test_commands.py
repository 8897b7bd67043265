"""Every command: help with an example, quick and light; exit codes 0, 1, 2; and never a traceback."""

from __future__ import annotations

import json
import logging
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from carewatch.cli import main as cli
from carewatch.cli.log import NOT_FIELDS
from carewatch.logbook.entries import EntryKind
from carewatch.logbook.line_models import Line
from tests.service.farm import ROSTER
from tests.service.scenario import write_scenario
from tests.service.test_usecase import OUTLOOK_KEYS

ROOT = Path(__file__).parents[2]
SETTINGS = """
[roster]
fleets = ["fleet.toml"]
[mail]
files = "mails"
[weather]
contact = "office@larch-hollow.example"
nws_url = "http://127.0.0.1:9"
met_norway_url = "http://127.0.0.1:9"
[service]
public_url = "https://watch.larch-hollow.example"

[web]
port = 8710
"""
HEAVY = ("numpy", "sqlalchemy", "rich", "httpx", "jinja2", "pydantic", "apscheduler", "numba", "alembic")


@pytest.fixture(autouse=True)
def _own_logs() -> Iterator[None]:
    """A command that sets up logs does so for its process; here many commands share one."""
    root = logging.getLogger()
    handlers, level = list(root.handlers), root.level
    yield
    root.handlers, root.level = handlers, level


@pytest.fixture
def config(tmp_path) -> Path:
    (tmp_path / "fleet.toml").write_text(ROSTER)
    (tmp_path / "carewatch.toml").write_text(SETTINGS)
    return tmp_path / "carewatch.toml"


def run(capsys, monkeypatch, *arguments: str) -> tuple[int, str, str]:
    """Exit code, output and complaints of the program as it is called from a terminal."""
    monkeypatch.setattr(sys, "argv", ["carewatch", *arguments])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    told = capsys.readouterr()
    assert "Traceback" not in told.err
    code = ended.value.code
    return (code if isinstance(code, int) else 0), told.out, told.err


@pytest.fixture
def call(capsys, monkeypatch, config):
    """Call a command on the installation."""
    return lambda *arguments: run(capsys, monkeypatch, *arguments, "--config", str(config))


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_command_has_help_with_an_example(name):
    result = CliRunner().invoke(cli.carewatch, [name, "--help"])
    assert result.exit_code == 0
    if name != "calc":  # its own commands have theirs
        assert f"Example: carewatch {name}" in " ".join(result.output.split())


def test_help_imports_nothing_heavy():
    words = (
        "import sys; sys.argv = ['carewatch', '--help']\n"
        "from carewatch.cli.main import main\n"
        f"try: main()\nfinally: print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stderr.strip() == "[]"
    assert all(name in done.stdout for name in cli.COMMANDS)


@pytest.mark.parametrize("arguments", [["nonsense"], ["outlook", "--nights", "99"], ["log"], ["link"], ["replay", "x"]])
def test_wrong_usage_is_code_2(capsys, monkeypatch, arguments):
    assert run(capsys, monkeypatch, *arguments)[0] == 2


WAYS: dict[str, list[str]] = {
    "sprayed": ["product=mix", "sides=front,rear", "hours=2.5"],
    "filled": ["liquid=water"],
    "rinsed": ["sides=front,rear", "litres=380", "passes=3"],
    "blown_out": ["sides=front"],
    "drained": ["where=pump,hoses"],
    "antifreeze_run": ["fluid=propylene_glycol", "sides=front,rear", "litres=60"],
    "strength_measured": ["section=1", "side=front", "first_ice_c=-30", "scale=propylene_glycol"],
    "moved": ["site=yard", "place=shop"],
    "heat_changed": ["is_on=true"],
    "hours_read": ["counter_h=812.5"],
    "opened": ["position=7"],
    "connectors_checked": ["positions=7"],
    "damaged": ["what=struck", "positions=7,8"],
    "symptom": ["what=drip", "positions=7", "sides=rear"],
    "inspected": ["sections=1", "findings=7 front seat_worn,9 turret broken"],
    "part_replaced": ["part=seal", "positions=7-9", "sides=front", "cost=12.5"],
    "revision_fitted": ["text=second make of seals, section 1"],
    "restocked": ["text=two boxes"],
    "thawed": ["found_ice=false"],
    "air_measured": ["air_c=-2.5"],
    "assigned": ["duty=protect|sprayer-1|2026-10-19", "to=noah"],
    "promised": ["duty=protect|sprayer-1|2026-10-19", "by_at=2026-10-19T22:00:00Z"],
    "risk_accepted": ["duty=protect|sprayer-1|2026-10-19"],
    "declined": ["duty=protect|sprayer-1|2026-10-19"],
    "voided": ["entry=some-entry"],
}


@pytest.mark.parametrize("kind", [kind.value for kind in EntryKind])
def test_log_takes_every_kind(call, kind):
    code, out, err = call("log", "sprayer-1", kind, *WAYS.get(kind, []), "--by", "noah", "--json")
    assert code == 0, err
    assert json.loads(out)["kind"] == kind


BAD_ENTRIES = {
    "unknown machine": ["sprayer-11", "note", "text=x"],
    "unknown kind": ["sprayer-1", "rinse", "sides=front"],
    "unknown field": ["sprayer-1", "rinsed", "side=front"],
    "unknown side": ["sprayer-1", "rinsed", "sides=middle"],
    "wrong type": ["sprayer-1", "rinsed", "sides=front", "litres=many"],
    "not finite": ["sprayer-1", "rinsed", "sides=front", "litres=1e999"],
    "deep": ["sprayer-1", "rinsed", "sides=front", "litres=" + "[" * 50_000],
    "in the future": ["sprayer-1", "rinsed", "sides=front", "--at", "2099-01-01T10:00"],
    "long ago": ["sprayer-1", "rinsed", "sides=front", "--at", "1999-01-01T10:00"],
    "before every calendar": ["sprayer-1", "rinsed", "sides=front", "--at", "0001-01-01T00:00"],
    "after every calendar": ["sprayer-1", "promised", "duty=d", "by_at=9999-12-31T23:59"],
    "duty of another machine": ["sprayer-2", "declined", "duty=protect|sprayer-1|2026-10-19"],
    "empty list": ["sprayer-1", "rinsed", "sides=,"],
}


@pytest.mark.parametrize("arguments", BAD_ENTRIES.values(), ids=BAD_ENTRIES)
def test_log_refuses_what_does_not_fit_with_a_clear_message(call, arguments):
    code, out, err = call("log", *arguments, "--by", "noah")
    assert (code, out) == (1, "")
    assert err.strip()


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--at", "yesterday"], "--at yesterday is not a time"),
        (["sides"], "'sides' is not NAME=VALUE"),
        (["sides=front", "machine=sprayer-2"], "machine is no field of an entry: it is said first"),
        (["sides=front", "by=mia"], "it is said by --by"),
        (["sides=front", "channel=mail"], "it is always this command"),
        (["sides=front", "recorded_at=2026-10-01T10:00:00Z"], "it is always now"),
        (["sides=front", "sides=rear"], "sides is given twice"),
    ],
)
def test_log_written_wrongly_is_wrong_usage(call, more, says):
    code, _, err = call("log", "sprayer-1", "rinsed", *more, "--by", "noah")
    assert code == 2
    assert says in err


def test_what_is_said_elsewhere_is_all_that_every_entry_has():
    assert set(NOT_FIELDS) == {"kind", *Line.model_fields}


def test_log_reads_lists_with_blanks_after_the_commas(call):
    _, out, _ = call("log", "sprayer-1", "rinsed", "sides=front, rear ,", "--by", "noah", "--json")
    assert json.loads(out)["sides"] == ["front", "rear"]


def test_log_reads_times_on_the_clock_of_the_home_site(call):
    # 2026-10-20 is summer time in Chicago: UTC - 5 h
    promise = ["promised", "duty=protect|sprayer-1|2026-10-20", "by_at=2026-10-20T18:30"]
    told = call("log", "sprayer-1", *promise, "--by", "noah", "--at", "2025-10-20T17:00", "--json")
    written = json.loads(told[1])
    assert (written["happened_at"], written["by_at"]) == ("2025-10-20T22:00:00Z", "2026-10-20T23:30:00Z")
    code, _, err = call("log", "sprayer-1", *promise[:2], "by_at=tonight", "--by", "noah")
    assert (code, "by_at tonight is not a time" in err) == (2, True)


@pytest.mark.parametrize(("fluid", "is_told"), [("propylene glycol", False), ("pink stuff", True), ("water", True)])
def test_log_says_that_antifreeze_nobody_knows_counts_as_water(call, fluid, is_told):
    code, out, err = call("log", "sprayer-1", "antifreeze_run", f"fluid={fluid}", "sides=front,rear", "--by", "noah")
    assert (code, "Written" in out) == (0, True)
    assert ("it counts as water" in err) == is_told
    assert ("propylene_glycol" in err) == is_told


def test_the_list_of_kinds_stars_what_must_be_given(call):
    lines = call("log", "--kinds")[1].splitlines()
    kinds = {line.split()[0]: line for line in lines}
    assert kinds["rinsed"].endswith("Fields: sides*, litres, passes.")
    assert kinds["promised"].endswith("Fields: duty*, by_at*.")
    assert kinds["not_used"].endswith("Fields: none.")
    assert "what (struck|torn_off|frozen|other)" in kinds["damaged"]
    assert "A field with * must be given." in lines
    assert any(line.startswith("Findings: ") and "seat_worn" in line for line in lines)


def test_link_says_that_it_works_once():
    assert "It works once" in " ".join(CliRunner().invoke(cli.carewatch, ["link", "--help"]).output.split())


@pytest.mark.parametrize("days", [("0001-01-01", "2025-11-05"), ("2025-10-13", "9999-12-31")])
def test_replay_of_days_outside_of_the_calendar_is_wrong_usage(capsys, monkeypatch, tmp_path, days):
    told = ["--from", days[0], "--to", days[1], "--out", str(tmp_path / "out")]
    code, _, err = run(capsys, monkeypatch, "replay", str(write_scenario(tmp_path / "s")), *told)
    assert (code, "lies outside 2000 to 2100" in err) == (2, True)


def test_log_twice_with_one_id_is_one_entry(call):
    told = [
        "log",
        "sprayer-1",
        "moved",
        "site=yard",
        "place=shop",
        "--by",
        "noah",
        "--id",
        "k1",
        "--at",
        "2026-10-01T10:00",
    ]
    assert call(*told)[1].startswith("Written")
    assert call(*told)[1].startswith("Already there")


def test_outlook_without_any_service_is_not_assessed_and_says_why(call):
    code, out, err = call("outlook", "--json")
    documents = json.loads(out)
    assert code == 0
    assert {one["machine"] for one in documents} == {"sprayer-1", "sprayer-2"}
    for one in documents:
        assert one.keys() >= OUTLOOK_KEYS.keys()
        assert (one["state"], one["chance"], one["urgency"]) == ("not_assessed", None, "unknown")
        assert len(one["because"]) == len(set(one["because"])) >= 2
    assert "yard, nws" in err
    assert call("outlook", "--offline")[1].count("NOT ASSESSED") == 10
    assert call("outlook", "--offline")[1].count("There is no forecast for this place.") == 10
    for_one = call("outlook", "--offline", "--machine", "sprayer-1")[1]
    for reason in ("NOT ASSESSED", *documents[0]["because"]):
        assert for_one.count(reason) == 5
    assert call("outlook", "--machine", "sprayer-9", "--offline")[0] == 2


def test_link_is_for_people_of_the_roster(call, config):
    code, out, _ = call("link", "mia")
    assert (code, out.startswith("https://watch.larch-hollow.example/sign-in/")) == (0, True)
    token = out.strip().rpartition("/")[2]
    assert len(token) == 22
    assert token.encode() not in (config.parent / "data" / "carewatch.db").read_bytes()
    code, _, err = call("link", "nobody")
    assert (code, "known: mia, noah" in err) == (1, True)


def test_serve_once_does_one_round(call):
    code, out, _ = call("serve", "--once")
    assert (code, "new messages" in out) == (0, True)


def damage_database(config: Path, how: Callable[[Path], object]) -> None:
    file = config.parent / "data" / "carewatch.db"
    how(file)


def make_too_new(file: Path) -> None:
    with sqlite3.connect(file) as database:
        database.execute("update alembic_version set version_num = '9999'")
    database.close()


def replace_by_words(file: Path) -> None:
    file.write_bytes(b"this is no database" * 100)


def remove(name: str) -> Callable[[Path], object]:
    return lambda config: (config.parent / name).unlink()


TROUBLES: dict[str, Callable[[Path], object]] = {
    "no settings": remove("carewatch.toml"),
    "settings that are no text": lambda config: config.write_bytes(b"\xff\xfe"),
    "broken settings": lambda config: config.write_text("[mail\n"),
    "database too new": lambda config: damage_database(config, make_too_new),
    "database damaged": lambda config: damage_database(config, replace_by_words),
    "a folder for a database": lambda config: (
        (config.parent / "data" / "carewatch.db").unlink() or (config.parent / "data" / "carewatch.db").mkdir()
    ),
}


COMMANDS = (
    ["outlook", "--offline"],
    ["log", "sprayer-1", "note", "text=x", "--by", "mia"],
    ["link", "mia"],
    ["serve", "--once"],
)


@pytest.mark.parametrize("trouble", TROUBLES.values(), ids=TROUBLES)
@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
def test_trouble_is_one_clear_message_and_code_1(call, config, command, trouble):
    assert call("link", "mia")[0] == 0
    trouble(config)
    code, out, err = call(*command)
    assert (code, out) == (1, "")
    assert err.strip()


def test_a_broken_roster_keeps_the_last_good_one_for_commands_too(call, config):
    (config.parent / "fleet.toml").write_text("[fleet\n")
    assert call("outlook", "--offline")[0] == 1  # there never was a good one
    (config.parent / "fleet.toml").write_text(ROSTER)
    assert call("outlook", "--offline")[0] == 0
    (config.parent / "fleet.toml").write_text("[fleet\n")
    code, _, err = call("log", "sprayer-1", "note", "text=x", "--by", "mia")
    assert (code, "last good roster stays in use" in err) == (0, True)


def test_replay_tells_a_summary_and_goes_on_where_it_was(capsys, monkeypatch, tmp_path):
    folder = write_scenario(tmp_path / "s")
    told = ["replay", str(folder), "--from", "2026-10-19", "--to", "2026-10-19", "--out", str(tmp_path / "out")]
    code, out, _ = run(capsys, monkeypatch, *told, "--forecast", "perfect", "--json")
    assert (code, json.loads(out)["notices"] >= 1) == (0, True)
    code, out, _ = run(capsys, monkeypatch, *told, "--forecast", "perfect", "--json")
    assert (code, json.loads(out)["notices"]) == (0, 0)
    assert run(capsys, monkeypatch, *told, "--forecast", "synthetic")[0] == 1
    assert run(capsys, monkeypatch, *told[:3], "2026-10-20", *told[4:])[0] == 2
    shutil.rmtree(folder / "weather")
    assert run(capsys, monkeypatch, *told, "--forecast", "perfect")[0] == 1


def test_demo_does_not_delete_a_folder_it_did_not_make(capsys, monkeypatch, tmp_path):
    (tmp_path / "carewatch.db").write_text("an installation")
    code, _, err = run(capsys, monkeypatch, "demo", "--out", str(tmp_path))
    assert (code, "holds other files" in err) == (1, True)
    assert (tmp_path / "carewatch.db").exists()


@pytest.mark.parametrize("more", [["--by", "noaa"], ["--by", "mia", "--on-behalf-of", "noaa"]])
def test_log_by_nobody_of_the_roster_names_the_nearest(call, more):
    code, _, err = call("log", "sprayer-1", "note", "text=x", *more)
    assert code == 1
    assert "Did you mean noah?" in err
