"""From settings to a workplace: the secret is made once, and only ways of answering that work are offered."""

from __future__ import annotations

from pathlib import Path

import pytest

from carewatch.channels.connection import Security
from carewatch.channels.inbox import ImapInbox
from carewatch.service.opening import inbox_of, opened
from carewatch.settings.model import Settings
from carewatch.settings.reading import parse_settings

BY_SERVER = """
[mail]
host = "127.0.0.1"
from_address = "watch@long-field.example"
[weather]
contact = "office@long-field.example"
"""
TO_FILES = '[mail]\nfiles = "mails"\n[weather]\ncontact = "office@long-field.example"\n'
MAILBOX = '[mail_in]\nhost = "127.0.0.1"\nuser = "watch"\nsecurity = "starttls"\ndone_folder = "INBOX/done"\n'


def settings(folder: Path, text: str) -> Settings:
    folder.mkdir(exist_ok=True)
    environ = {"CAREWATCH_IMAP_PASSWORD": "hush"} if "[mail_in]" in text else {}
    return parse_settings(folder / "carewatch.toml", text, environ)


def test_the_secret_lasts_and_belongs_to_one_installation(tmp_path):
    secrets = []
    for folder in ("one", "one", "two"):
        with opened(settings(tmp_path / folder, BY_SERVER)) as work:
            secrets.append(work.secret)
    assert len(secrets[0]) == 32
    assert secrets[0] == secrets[1] != secrets[2]


@pytest.mark.parametrize(
    ("text", "by_mail"),
    [(BY_SERVER, False), (BY_SERVER + MAILBOX, True), (TO_FILES, False), (TO_FILES + MAILBOX, False)],
    ids=["no mailbox", "mailbox", "files", "files and mailbox"],
)
def test_letters_offer_a_reply_only_where_mail_goes_both_ways(tmp_path, text, by_mail):
    with opened(settings(tmp_path, text)) as work:
        assert work.ways.by_mail is by_mail


def test_the_mailbox_is_that_of_the_settings(tmp_path):
    inbox = inbox_of(settings(tmp_path, BY_SERVER + MAILBOX))
    assert inbox == ImapInbox(
        host="127.0.0.1", port=143, security=Security.STARTTLS, username="watch", password="hush",
        done_folder="INBOX/done",
    )  # fmt: skip
    assert inbox_of(settings(tmp_path, BY_SERVER)) is None
