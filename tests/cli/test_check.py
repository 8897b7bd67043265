"""`carewatch check` names what is wrong, says what works here, and never ends in a traceback."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from carewatch.cli.check import check, look, make_check
from carewatch.errors import UpstreamTrouble
from tests.roster.broken_rosters import CASES

ROOT = Path(__file__).parents[2]


@pytest.fixture
def config(tmp_path) -> Path:
    """The shipped example, copied."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return tmp_path / "config" / "carewatch.toml"


def run(*arguments: str, command=check) -> Result:
    result = CliRunner(env={"CAREWATCH_CONFIG": None}).invoke(command, arguments)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def replace(file: Path, old: str, new: str) -> None:
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))


def test_the_example_is_usable_as_it_is(config):
    result = run("--config", str(config))
    assert result.exit_code == 0, result.output
    assert result.output.splitlines()[-1] == "Usable. 1 warning."
    assert "is an invented address" in result.output


def test_every_setting_is_shown_with_its_origin(config):
    shown = json.loads(run("--config", str(config), "--json").output)["settings"]
    origins = {row["name"]: row["origin"] for row in shown}
    line = config.read_text().splitlines().index('files = "mails"') + 1
    assert origins["mail.files"] == f"{config}:{line}"
    assert origins["database.path"] == "default"
    assert len(origins) == len(shown) >= 20


def test_it_says_that_nothing_is_sent_that_mail_wakes_nobody_and_how_answers_come_in(config):
    output = run("--config", str(config)).output
    assert "NO MAIL IS SENT" in output
    assert "Mail wakes nobody" in output
    assert "works: carewatch log" in output
    assert "does not work: reply by mail" in output


def test_it_says_that_answers_by_mail_work_once_mail_goes_both_ways(config, monkeypatch):
    replace(config, "[mail_in]", '[mail_in]\nhost = "imap.farm.example"\nuser = "watch@farm.example"')
    assert "does not work: reply by mail (no mail is sent" in run_with_mailbox(config, monkeypatch)
    replace(config, 'files = "mails"', 'host = "smtp.farm.example"\nfrom_address = "watch@farm.example"')
    output = run_with_mailbox(config, monkeypatch)
    assert "works: reply by mail (read every 60 s from watch@farm.example at imap.farm.example:993 (tls)" in output
    assert "hush" not in output


def run_with_mailbox(config: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("CAREWATCH_IMAP_PASSWORD", "hush")
    result = run("--config", str(config))
    assert result.exit_code == 0, result.output
    return result.output


def test_faults_of_settings_and_roster_come_in_one_look_with_exit_code_1(config):
    replace(config, "from_name", "from_nmae")
    replace(config.parent / "fleets" / "example.toml", "lat_deg = 41.62", "lat_deg = 141.62")
    result = run("--config", str(config))
    assert result.exit_code == 1
    assert 'Did you mean "from_name"?' in result.output
    assert "from -90 up to 90" in result.output
    assert result.output.splitlines()[-1] == "Not usable as it is: 2 faults, 1 warning."


@pytest.mark.parametrize("name", list(CASES))
def test_every_broken_roster_is_named_on_one_line_with_its_remedy(config, name):
    for old in (config.parent / "fleets").iterdir():
        old.unlink()
    (config.parent / "fleets" / "farm.toml").write_text(CASES[name].text)
    result = run("--config", str(config))
    assert result.exit_code == (0 if CASES[name].is_warning else 1)
    (line, *_) = [line for line in result.output.splitlines() if f": {CASES[name].field}" in line]
    assert "farm.toml:" in line
    for piece in CASES[name].says:
        assert piece.replace("fleets/farm.toml", str(config.parent / "fleets" / "farm.toml")) in line


def test_json_names_file_line_field_value_problem_and_fix(config):
    fleet = config.parent / "fleets" / "example.toml"
    replace(fleet, 'home_place = "hollow"', 'home_place = "holow"')
    result = run("--config", str(config), "--json")
    document = json.loads(result.output)
    assert result.exit_code == 1
    assert document["usable"] is False
    (fault,) = [fault for fault in document["faults"] if fault["severity"] == "error"]
    assert fault["file"] == fleet.as_posix()
    assert fleet.read_text().splitlines()[fault["line"] - 1].strip().startswith('home_place = "holow"')
    assert (fault["field"], fault["value"]) == ("machine[2].home_place", '"holow"')
    assert fault["fix"] == 'Did you mean "hollow"?'


def test_a_missing_settings_file_is_a_fault_that_says_what_to_do(tmp_path):
    result = run("--config", str(tmp_path / "nothing.toml"))
    assert result.exit_code == 1
    assert "does not exist" in result.output
    assert "--config" in result.output


@pytest.mark.parametrize(
    "content", [b"\xff\xfe\x00", b"[mail", b"", b"\x00", b"[[[[[[", b"mail = 3", "name = „x“".encode()]
)
def test_an_unreadable_settings_file_is_a_fault(tmp_path, content):
    (tmp_path / "c.toml").write_bytes(content)
    result = run("--config", str(tmp_path / "c.toml"))
    assert result.exit_code == 1
    assert "c.toml" in result.output


def test_a_folder_as_settings_file_is_a_fault(tmp_path):
    assert run("--config", str(tmp_path)).exit_code == 1


def test_an_unknown_option_is_a_usage_mistake():
    assert run("--confg", "x").exit_code == 2


@pytest.mark.parametrize(
    ("path", "says"), [("carewatch.toml/x.db", "is no folder"), ("disk-that-is-not-there/data/x.db", "does not exist")]
)
def test_a_data_folder_that_cannot_be_is_a_fault(config, path, says):
    replace(config, "[database]", f'[database]\npath = "{path}"')
    result = run("--config", str(config), "--json")
    assert result.exit_code == 1
    (fault,) = [fault for fault in json.loads(result.output)["faults"] if fault["severity"] == "error"]
    assert says in fault["problem"]
    assert config.read_text().splitlines()[fault["line"] - 1] == f'path = "{path}"'


@pytest.mark.parametrize(
    ("heading", "key"), [("[database]", "path"), ("[service]", "heartbeat_file")], ids=["database", "heartbeat"]
)
def test_a_folder_where_a_file_is_wanted_is_a_fault(config, heading, key):
    (config.parent / "kept").mkdir()
    replace(config, heading, f'{heading}\n{key} = "kept"')
    result = run("--config", str(config), "--json")
    assert result.exit_code == 1
    (fault,) = [fault for fault in json.loads(result.output)["faults"] if fault["severity"] == "error"]
    assert (fault["field"], fault["problem"]) == (f"{heading.strip('[]')}.{key}", "is a folder.")
    assert fault["value"] == str(config.parent / "kept")


def test_the_roster_under_the_home_folder_is_looked_at_even_if_the_settings_have_faults(config, monkeypatch):
    monkeypatch.setenv("HOME", str(config.parent))
    monkeypatch.setenv("USERPROFILE", str(config.parent))
    replace(config, '["fleets"]', '["~/fleets"]')
    replace(config, "from_name", "from_nmae")
    replace(config.parent / "fleets" / "example.toml", "lat_deg = 41.62", "lat_deg = 141.62")
    result = run("--config", str(config))
    assert result.exit_code == 1
    assert "from -90 up to 90" in result.output


def test_a_site_that_wants_a_service_whose_terms_forbid_it_is_a_fault(config):
    replace(config.parent / "fleets" / "example.toml", "# sources = ", 'sources = ["open_meteo"] # ')
    result = run("--config", str(config))
    assert result.exit_code == 1
    assert "site home-yard = open_meteo" in result.output
    replace(config, "[weather]", "[weather]\nopen_meteo_non_commercial = true")
    assert run("--config", str(config)).exit_code == 0


def test_days_on_which_everybody_is_away_are_named(config):
    fleet = config.parent / "fleets" / "example.toml"
    replace(fleet, 'deputy = "ben"\n', "")
    away = "\n  [[person.absence]]\n  first_on = 2026-12-30\n  last_on = 2027-01-10\n"
    replace(fleet, "works_weekends = false\n", "works_weekends = false\n" + away)
    faults = look(config, datetime(2026, 12, 1, 18, tzinfo=UTC)).faults
    alone = [fault for fault in faults if "has nobody to tell" in fault.problem]
    assert {fault.field for fault in alone} == {"site home-yard", "site river-block"}
    assert all("on 5 days from 2026-12-30" in fault.problem and fault.is_warning for fault in alone)
    assert not [fault for fault in look(config, datetime(2027, 2, 1, tzinfo=UTC)).faults if fault in alone]


def test_a_test_message_goes_out_only_when_there_is_no_fault(config):
    asked = []

    def send(settings, roster, now) -> list[str]:
        asked.append((settings.mail_folder, [person.id for person in roster.people], now.tzinfo))
        return ["Test message written for ana."]

    assert (
        "Test message written for ana." in run("--config", str(config), "--send-test", command=make_check(send)).output
    )
    assert asked == [(config.parent / "mails", ["ana", "ben", "li", "sam", "joe"], UTC)]
    replace(config, "from_name", "from_nmae")
    assert "No test message was sent" in run("--config", str(config), "--send-test", command=make_check(send)).output
    assert len(asked) == 1


def test_a_mail_server_that_refuses_is_a_fault_with_its_words(config):
    def send(settings, roster, now) -> list[str]:
        raise UpstreamTrouble("The mail server smtp.farm.example refused the password.")

    result = run("--config", str(config), "--send-test", command=make_check(send))
    assert result.exit_code == 1
    assert "refused the password" in result.output


def test_thermometers_are_listed_with_their_last_reading_and_strays_are_named(config):
    folder = config.parent / "thermometers"
    folder.mkdir()
    (folder / "home-yard.csv").write_text("time_utc,air_c\n2026-10-03T22:00Z,1.8\n2026-10-03T23:00Z,warm\n")
    (folder / "hoem-yard.csv").write_text("time_utc,air_c\n")
    found = json.loads(run("--config", str(config), "--json").output)
    assert any("home-yard" in line and "last read 03 Oct 22:00 UTC" in line for line in found["thermometers"])
    assert any("river-block: none" in line for line in found["thermometers"])
    named = {fault["problem"]: fault for fault in found["faults"]}
    assert named["belongs to no site."]["file"].endswith("hoem-yard.csv")
    assert any("warm" in fault["value"] and fault["line"] == 3 for fault in found["faults"])
    assert found["usable"]
