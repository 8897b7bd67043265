"""Settings are read once, every value knows its origin, and secrets come from the environment only."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as fuzzing
from hypothesis import strategies as st

from carewatch.errors import Fault, FaultyFiles
from carewatch.settings.model import SECTIONS
from carewatch.settings.reading import parse_settings, read_settings

ROOT = Path(__file__).parents[1]
FILE = Path("config/carewatch.toml")
SMALLEST = '[mail]\nfiles = "mails"\n[weather]\ncontact = "office@long-field.farm"\n'
BY_SERVER = """\
[mail]
host = "smtp.long-field.farm"
user = "carewatch"
from_address = "carewatch@long-field.farm"
[weather]
contact = "office@long-field.farm"
"""
PASSWORD = {"CAREWATCH_SMTP_PASSWORD": "hush-7d1"}
IN_PASSWORD = {"CAREWATCH_IMAP_PASSWORD": "hush-8e2"}
MAIL_IN = SMALLEST + '[mail_in]\nhost = "imap.long-field.farm"\n'


def faults_in(text: str, environ: dict[str, str] | None = None) -> tuple[Fault, ...]:
    try:
        return parse_settings(FILE, text, environ or {}).warnings
    except FaultyFiles as faulty:
        return faulty.faults


def test_the_smallest_file_is_a_way_out_for_mail_and_a_contact():
    settings = parse_settings(FILE, SMALLEST, {})
    assert settings.warnings == ()
    assert settings.database_path == Path("config/data/carewatch.db")
    assert settings.mail_folder == Path("config/mails")
    assert settings.fleet_paths == (Path("config/fleets"),)
    assert (settings.service.health_host, settings.service.tick_every_s) == ("127.0.0.1", 300)


def test_the_example_file_is_read_without_a_fault():
    settings = read_settings(ROOT / "config" / "carewatch.toml", {})
    assert [fault.field for fault in settings.warnings] == ["weather.contact"]


def test_every_commented_setting_of_the_example_is_a_setting_with_the_default_it_shows():
    lines = (ROOT / "config" / "carewatch.toml").read_text().splitlines()
    shown: dict[str, str] = {}
    section = ""
    for line in lines:
        if line.startswith("["):
            section = line.strip("[]")
        elif line.startswith("# ") and " = " in line:
            key, _, value = line.removeprefix("# ").partition(" = ")
            if key.isidentifier():
                shown[f"{section}.{key}"] = value.partition("  #")[0].strip()
    assert len(shown) >= 15
    defaults = {
        f"{name}.{key}": field.default for name, model in SECTIONS.items() for key, field in model.model_fields.items()
    }
    for name, value in shown.items():
        assert name in defaults
        if defaults[name] not in (None, []) and name != "mail.port":
            assert value.strip('"').lower() == str(defaults[name]).lower().removesuffix(".0"), name


def test_the_example_sends_mail_once_its_remarks_are_settings():
    text = (ROOT / "config" / "carewatch.toml").read_text()
    text = re.sub(r"^files = .*$", "", text, flags=re.MULTILINE)
    text = re.sub(r"^# (\w+ = )", r"\1", text, flags=re.MULTILINE)
    settings = parse_settings(FILE, text, PASSWORD | IN_PASSWORD)
    assert (settings.mail_in.host, settings.mail_in.port_used) == ("imap.farm.example", 993)
    assert (settings.mail.host, settings.mail.user, settings.mail.port_used) == (
        "smtp.farm.example", "carewatch@farm.example", 587
    )  # fmt: skip
    assert settings.weather.order == ["nws", "met_norway"]


def test_paths_count_from_the_folder_of_the_settings_file():
    text = SMALLEST + '[database]\npath = "../x/y.db"\n[roster]\nfleets = ["/srv/fleets", "a.toml"]\n'
    settings = parse_settings(Path("/etc/carewatch/c.toml"), text, {})
    assert settings.database_path == Path("/etc/carewatch/../x/y.db")
    assert settings.fleet_paths == (Path("/srv/fleets"), Path("/etc/carewatch/a.toml"))


def test_every_value_knows_its_origin_and_secrets_are_hidden():
    settings = parse_settings(FILE, BY_SERVER, PASSWORD)
    rows = {name: (value, origin) for name, value, origin in settings.rows()}
    assert rows["mail.host"] == ("smtp.long-field.farm", "config/carewatch.toml:2")
    assert rows["mail.password"] == ("(hidden)", "environment CAREWATCH_SMTP_PASSWORD")
    assert rows["service.log_level"] == ("info", "default")
    assert settings.mail.password is not None
    assert settings.mail.password.get_secret_value() == "hush-7d1"
    assert "hush" not in repr(settings)
    assert "hush" not in "".join(map(str, rows.values()))


# RFC 6409 section 3.1: submission on 587; RFC 8314 section 3.3: implicit TLS on 465; RFC 5321 section 4.5.4.2: 25.
@pytest.mark.parametrize(("security", "port"), [("starttls", 587), ("tls", 465), ("none", 25)])
def test_the_port_follows_the_security_unless_written(security, port):
    text = BY_SERVER.replace('user = "carewatch"', f'security = "{security}"')
    assert parse_settings(FILE, text, {}).mail.port_used == port
    assert parse_settings(FILE, text.replace("[weather]", "port = 2525\n[weather]"), {}).mail.port_used == 2525


@pytest.mark.parametrize(
    ("text", "environ", "field", "line", "says"),
    [
        pytest.param(
            SMALLEST + "[service]\ntick_evry_s = 3", {}, "service.tick_evry_s", 6, '"tick_every_s"', id="unknown-key"
        ),
        pytest.param(SMALLEST + "[servce]\n", {}, "servce", 5, 'mean "service"?', id="unknown-heading"),
        pytest.param(
            "tick_every_s = 3\n" + SMALLEST, {}, "tick_every_s", 1, "under [service]", id="key-without-heading"
        ),
        pytest.param(
            SMALLEST + "[service]\ntick_every_s = 3", {}, "service.tick_every_s", 6, "from 10 up to 3600", id="range"
        ),
        pytest.param(
            SMALLEST + '[service]\ntick_every_s = "300"', {}, "service.tick_every_s", 6, "whole number", id="type"
        ),
        pytest.param(SMALLEST + '[service]\nlog_level = "loud"', {}, "service.log_level", 6, "'warning'", id="word"),
        pytest.param(
            SMALLEST + '[service]\npublic_url = "farm.example"', {}, "service.public_url", 6, "scheme", id="url"
        ),
        pytest.param(
            SMALLEST + '[database]\npath = "a\\u0000b"', {}, "database.path", 6, "invisible character", id="path-nul"
        ),
        pytest.param(
            SMALLEST + '[roster]\nfleets = ["a", "b\\nc"]', {}, "roster.fleets[2]", 6, "on one line", id="path-line"
        ),
        pytest.param(
            SMALLEST.replace('"mails"', '"~nobody-here/m"'), {}, "mail.files", 2, "not known here", id="path-home"
        ),
        pytest.param(SMALLEST.replace('files = "mails"', ""), {}, "mail", 1, "names no way out", id="no-way-out"),
        pytest.param(
            SMALLEST.replace("[weather]", 'host = "x"\n[weather]'), {}, "mail.files", 2, "beside host", id="two-ways"
        ),
        pytest.param('[mail]\nfiles = "m"\n', {}, "weather.contact", None, "terms ask for it", id="no-contact"),
        pytest.param(
            SMALLEST.replace("office@", ""), {}, "weather.contact", 4, "not a mail address", id="contact-no-address"
        ),
        pytest.param(
            SMALLEST + 'order = ["nws", "open_meteo"]', {}, "weather.order", 5, "CAREWATCH_OPEN_METEO_KEY", id="terms"
        ),
        pytest.param(BY_SERVER, {}, "mail.user", 3, "CAREWATCH_SMTP_PASSWORD", id="no-password"),
        pytest.param(MAIL_IN, IN_PASSWORD, "mail_in.user", 5, "is missing", id="mailbox-without-user"),
        pytest.param(
            MAIL_IN + 'user = "w"', {}, "mail_in.host", 6, "CAREWATCH_IMAP_PASSWORD", id="mailbox-no-password"
        ),
        pytest.param(
            MAIL_IN + 'user = "w"\nsecurity = "none"', IN_PASSWORD, "mail_in.security", 8, "readable", id="mailbox-open"
        ),
        pytest.param(
            MAIL_IN + 'user = "w"\nfolder = "Ü"', IN_PASSWORD, "mail_in.folder", 8, "plain letters", id="mailbox-folder"
        ),
        pytest.param(
            BY_SERVER.replace("from_address", "from_adress"),
            PASSWORD,
            "mail.from_adress",
            4,
            "from_address",
            id="sender",
        ),
        pytest.param(
            BY_SERVER.replace("[weather]", 'security = "none"\n[weather]'),
            PASSWORD,
            "mail.security",
            5,
            "readable for everyone",
            id="password-in-clear",
        ),
        pytest.param(
            SMALLEST.replace("[weather]", 'open_meteo_key = "k"\n[weather]'),
            {},
            "mail.open_meteo_key",
            3,
            "is not a key here",
            id="secret-elsewhere",
        ),
    ],
)
def test_a_mistake_is_named_with_line_field_and_remedy(text, environ, field, line, says):
    matching = [fault for fault in faults_in(text, environ) if fault.field == field and not fault.is_warning]
    assert matching, [str(fault) for fault in faults_in(text, environ)]
    assert any(says in f"{fault.problem} {fault.fix}" for fault in matching)
    assert matching[0].line == line
    assert matching[0].file == "config/carewatch.toml"


def test_a_secret_in_the_file_is_refused_without_being_shown():
    text = BY_SERVER.replace('user = "carewatch"', 'password = "hush-7d1"')
    faults = faults_in(text)
    assert any(fault.field == "mail.password" and "CAREWATCH_SMTP_PASSWORD" in fault.fix for fault in faults)
    assert "hush" not in "".join(map(str, faults))


def test_a_secret_in_a_broken_line_is_not_shown():
    assert "hush" not in "".join(map(str, faults_in(BY_SERVER + "password = hush-7d1\n")))


def test_a_misspelt_variable_is_a_warning_that_hides_its_value():
    (fault,) = faults_in(SMALLEST, {"CAREWATCH_SMTP_PASS": "hush-7d1", "PATH": "/bin"})
    assert fault.is_warning
    assert "CAREWATCH_SMTP_PASSWORD" in fault.fix
    assert "hush" not in str(fault)


def test_open_doors_are_warnings():
    text = BY_SERVER.replace('user = "carewatch"', 'security = "none"') + '[service]\nhealth_host = "0.0.0.0"\n'
    assert {fault.field for fault in faults_in(text)} == {"mail.security", "service.health_host"}
    assert all(fault.is_warning for fault in faults_in(text))


def test_a_password_without_a_user_is_a_warning():
    (fault,) = faults_in(BY_SERVER.replace('user = "carewatch"\n', ""), PASSWORD)
    assert (fault.field, fault.is_warning) == ("mail.user", True)


def test_a_server_on_this_computer_may_do_without_encryption():
    text = BY_SERVER.replace('"smtp.long-field.farm"', '"127.0.0.1"').replace(
        "[weather]", 'security = "none"\n[weather]'
    )
    assert faults_in(text, PASSWORD) == ()


def test_open_meteo_is_off_without_a_key_or_a_declared_use():
    assert not parse_settings(FILE, SMALLEST, {}).weather.may_use_open_meteo
    assert parse_settings(FILE, SMALLEST, {"CAREWATCH_OPEN_METEO_KEY": "k"}).weather.may_use_open_meteo
    assert parse_settings(FILE, SMALLEST + "open_meteo_non_commercial = true\n", {}).weather.may_use_open_meteo


@fuzzing(deadline=None)
@given(st.text(max_size=300))
def test_any_text_gives_settings_or_named_faults(text):
    faults_in(text)


words = st.sampled_from(["mail", "weather", "service", "database", "roster", "files", "contact", "path", "fleets", "x"])
values = st.sampled_from(
    ['"a"', "1", "-2.5", "nan", "true", "[]", "[1, [2]]", "{}", "2026-01-01", "06:30:00", '"\\u0000"']
)
lines = st.one_of(
    st.builds("[{}]".format, words), st.builds("[[{}]]".format, words), st.builds("{} = {}".format, words, values)
)


@fuzzing(deadline=None)
@given(st.lists(lines, max_size=8))
def test_any_toml_gives_settings_or_named_faults(lines):
    faults_in("\n".join(lines))
