"""The test message that `check --send-test` sends."""

from __future__ import annotations

import email
import email.policy
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from carewatch.errors import CarewatchError
from carewatch.roster.model import Role
from carewatch.roster.reading import read_roster
from carewatch.service.testing_mail import send_test
from carewatch.settings.reading import parse_settings

NOW = datetime(2026, 10, 19, 12, 0, tzinfo=UTC)
CONFIG = Path(__file__).resolve().parents[2] / "config"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    shutil.copytree(CONFIG, tmp_path / "config", ignore=shutil.ignore_patterns("data", "mails"))
    return tmp_path / "config"


def settings_of(config: Path, text: str):
    return parse_settings(config / "carewatch.toml", text, {})


def test_every_manager_with_an_address_gets_one_message(config: Path) -> None:
    settings = settings_of(config, (config / "carewatch.toml").read_text(encoding="utf-8"))
    roster, _ = read_roster(settings.fleet_paths)
    lines = send_test(settings, roster, NOW)
    managers = [person for fleet in roster.fleets for person in fleet.people_with(Role.MANAGER) if person.email]
    files = sorted((config / "mails").glob("*.eml"))
    mails = [email.message_from_bytes(file.read_bytes(), policy=email.policy.default) for file in files]
    assert {mail["To"] for mail in mails} == {person.email for person in managers}
    assert all(mail["Subject"].startswith("Test:") for mail in mails)
    assert len(lines) == len(managers) >= 1


def test_a_server_nobody_answers_at_is_said_in_words(config: Path) -> None:
    text = (config / "carewatch.toml").read_text(encoding="utf-8")
    served = text.replace(
        'files = "mails"', 'host = "127.0.0.1"\nport = 9\nsecurity = "none"\nfrom_address = "a@b.example"'
    )
    settings = settings_of(config, served)
    roster, _ = read_roster(settings.fleet_paths)
    with pytest.raises(CarewatchError, match=r"127\.0\.0\.1:9"):
        send_test(settings, roster, NOW)
