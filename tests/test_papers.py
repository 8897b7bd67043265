"""The papers name what there is: every command, every environment variable, only files that exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from carewatch.cli.main import COMMANDS, carewatch
from carewatch.notices.notice import NoticeKind
from carewatch.roster.reading import read_roster
from carewatch.settings.model import SECRETS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
IN_WORDS = {  # how the table of messages calls each kind; the others answer a person or a program
    NoticeKind.DAY: "day mail",
    NoticeKind.WORSE: "worse",
    NoticeKind.STILL_WET: "still wet",
    NoticeKind.EVENING: "evening message",
    NoticeKind.MORNING_AFTER: "morning after",
    NoticeKind.CANCELLED: "no longer needed",
    NoticeKind.NO_FORECAST: "no forecast",
    NoticeKind.INSPECTION: "inspection",
}


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_the_readme_names_every_command(command: str) -> None:
    assert f"`carewatch {command}" in README


@pytest.mark.parametrize("words", sorted(IN_WORDS.values()))
def test_the_readme_tells_of_every_message_people_get(words: str) -> None:
    assert f"| {words} |" in README


@pytest.mark.parametrize("variable", ["CAREWATCH_SMTP_PASSWORD", "CAREWATCH_IMAP_PASSWORD"])
def test_the_readme_names_the_secrets_a_mail_server_needs(variable: str) -> None:
    assert variable in SECRETS
    assert variable in README


def test_the_map_names_only_files_that_exist() -> None:
    named = re.findall(r"`((?:[a-z_]+/)+[a-z_]+\.(?:py|txt|html|toml))`", DEVELOPERS)
    missing = [name for name in named if not any((base / name).exists() for base in (ROOT, ROOT / "carewatch"))]
    assert named
    assert missing == []


def test_examples_name_machines_and_people_of_the_shipped_roster() -> None:
    roster, _ = read_roster(ROOT / "config" / "fleets")
    help_texts = [CliRunner().invoke(carewatch, [command, "--help"]).output for command in COMMANDS]
    told = " ".join(" ".join([README, *help_texts]).split())
    people = set(re.findall(r"(?:--by|carewatch link) ([a-z]\S*[a-z])", told))
    machines = set(re.findall(r"(?:carewatch log|--machine) ([a-z]\S*\d)", told))
    assert {"ana", "li"} <= people <= {person.id for person in roster.people}
    assert machines
    assert machines <= {machine.id for machine in roster.machines}


def test_the_readme_starts_with_the_job() -> None:
    first = README.split("\n\n")[1]
    assert "boom" in first
    assert "freeze" in first
