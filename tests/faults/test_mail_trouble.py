"""The whole way from the outbox through a real mail server that is down, refuses or breaks off."""

from __future__ import annotations

import socket
import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from pathlib import Path

import pytest

from carewatch.channels.connection import Security
from carewatch.channels.message import compose, message_id_for
from carewatch.channels.smtp import SmtpChannel
from carewatch.errors import StoreTrouble
from carewatch.service.deliver import DeliveryReport, Fate, deliver_due
from carewatch.store import dialect, notices, outbox
from carewatch.store.database import Database
from carewatch.store.notices import NoticeState
from tests.channels.mailserver import Mailbox, bare, converse, free_port, running
from tests.letters import day_notice

SECRET = b"known to these tests only"
START = datetime(2026, 10, 19, 20, 15, tzinfo=UTC)
SENDER = "watch@farm.example"


@dataclass
class Post:
    """An outbox, the port of a mail server, and a clock that only moves when told."""

    database: Database
    port: int
    now: datetime = START

    def queue(self, *people: str) -> None:
        for person in people:
            key = f"day|{person}|2026-10-19"
            one = day_notice(key, person=person, at=START, hours=24)
            message_id = message_id_for(key, "farm.example", secret=SECRET)
            raw = compose(
                one, sender_name="carewatch", sender_address=SENDER, reply_to=None, date=START, message_id=message_id
            )
            with self.database.transaction() as tx:
                notices.queue(tx, one, message_id=message_id, raw=raw, send_at=START)

    def deliver(self, **later: float) -> DeliveryReport:
        self.now += timedelta(**later)
        channel = SmtpChannel(host="127.0.0.1", port=self.port, security=Security.NONE, total_deadline_s=5)
        return deliver_due(self.database, channel, sender=SENDER, now=lambda: self.now, worker="w1", jitter=lambda: 0.5)

    def states(self) -> list[NoticeState]:
        with self.database.reading() as rx:
            return [line.state for line in reversed(outbox.lines(rx, since=START))]


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Post]:
    database = Database.open(tmp_path / "carewatch.db")
    yield Post(database, free_port())
    database.close()


def recipients(mailbox: Mailbox) -> list[str]:
    return [envelope.rcpt_tos[0] for envelope in mailbox.arrived]


def test_mail_that_was_down_goes_out_once_when_the_server_is_back(post: Post) -> None:
    post.queue("manager", "operator")
    for _ in range(5):
        report = post.deliver(minutes=6)
        assert "refused" in report.trouble
        assert report.keys(Fate.SENT) == ()
    mailbox = Mailbox()
    with running(mailbox, port=post.port):
        post.deliver(minutes=6)
        post.deliver(minutes=6)
    assert recipients(mailbox) == ["manager@farm.example", "operator@farm.example"]


def test_one_refused_and_the_others_served(post: Post) -> None:
    post.queue("manager", "gone", "operator")
    mailbox = Mailbox(answers={"gone@farm.example": "550 5.1.1 no such user"})
    with running(mailbox, port=post.port):
        report = post.deliver()
    assert recipients(mailbox) == ["manager@farm.example", "operator@farm.example"]
    assert report.keys(Fate.REFUSED) == ("day|gone|2026-10-19",)
    assert post.states() == [NoticeState.SENT, NoticeState.REFUSED, NoticeState.SENT]


def test_a_refused_sender_stops_all_and_loses_none(post: Post) -> None:
    post.queue("manager", "operator")
    mailbox = Mailbox(answers={"MAIL": "550 5.7.1 sender not allowed"})
    with running(mailbox, port=post.port):
        assert post.deliver().is_stopped
        assert post.states() == [NoticeState.QUEUED, NoticeState.QUEUED]
        mailbox.answers.clear()
        post.deliver(minutes=16)
    assert recipients(mailbox) == ["manager@farm.example", "operator@farm.example"]


def test_a_line_that_broke_before_the_confirmation_brings_the_same_message_again(post: Post) -> None:
    post.queue("manager")
    kept: list[bytes] = []

    def take_and_hang_up(line: socket.socket, _: threading.Event) -> None:
        answers = {b"DATA": b"354 go on\r\n"}
        converse_until_data(line, answers)
        with line.makefile("rb") as lines:
            kept.append(b"".join(iter(lines.readline, b".\r\n")))

    def converse_until_data(line: socket.socket, answers: dict[bytes, bytes]) -> None:
        converse(line, until=b"DATA", answers=answers)
        line.sendall(answers[b"DATA"])

    with bare(take_and_hang_up) as port:
        post.port = port
        assert post.deliver().keys(Fate.RETRIED) == ("day|manager|2026-10-19",)
    mailbox = Mailbox()
    with running(mailbox) as port:
        post.port = port
        post.deliver(minutes=6)
    again = bytes(mailbox.arrived[0].content or b"")
    assert kept == [again]
    expected = message_id_for("day|manager|2026-10-19", "farm.example", secret=SECRET)
    assert message_from_bytes(again)["Message-ID"] == expected


def test_a_database_locked_for_a_while_sends_nothing_twice(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    post.queue("manager")
    file = post.database._engine.url.database
    post.database.close()
    monkeypatch.setattr(dialect, "SQLITE_PRAGMAS", ("PRAGMA busy_timeout=50", *dialect.SQLITE_PRAGMAS[1:]))
    post.database = Database.open(str(file))
    mailbox, other = Mailbox(), sqlite3.connect(str(file), isolation_level=None)
    with running(mailbox, port=post.port):
        other.execute("BEGIN IMMEDIATE")
        for _ in range(3):
            with pytest.raises(StoreTrouble, match="locked"):
                post.deliver(minutes=1)
        other.execute("ROLLBACK")
        other.close()
        post.deliver(minutes=1)
        post.deliver(minutes=10)
    assert recipients(mailbox) == ["manager@farm.example"]
    post.database.close()
