"""The contract of the port, held by each channel: mail server, folder, memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from carewatch.channels.connection import Security
from carewatch.channels.files import FileChannel
from carewatch.channels.memory import MemoryChannel
from carewatch.channels.port import Channel, ChannelDown, ChannelTrouble, PermanentRefusal
from carewatch.channels.smtp import SmtpChannel
from tests.channels.mailserver import Mailbox, free_port, running

SENDER, MANAGER, OPERATOR = "watch@farm.example", "manager@farm.example", "operator@farm.example"
HEAD = b"Date: Mon, 19 Oct 2026 20:15:00 +0000\r\nX-Carewatch-Kind: day\r\nX-Carewatch-Machines: sprayer-3\r\n"


def message(number: int) -> bytes:
    return HEAD + f"Message-ID: <{number}@farm.example>\r\n\r\nRinse.\r\n".encode()


Arrived = Callable[[], list[bytes]]


@contextmanager
def over_smtp(tmp_path: Path) -> Iterator[tuple[Channel, Arrived]]:
    mailbox = Mailbox()
    with running(mailbox) as port:
        channel = SmtpChannel(host="127.0.0.1", port=port, security=Security.NONE)
        yield channel, lambda: [bytes(envelope.content or b"") for envelope in mailbox.arrived]


@contextmanager
def into_a_folder(tmp_path: Path) -> Iterator[tuple[Channel, Arrived]]:
    folder = tmp_path / "mails"
    yield FileChannel(folder), lambda: [path.read_bytes() for path in folder.glob("*.eml")]


@contextmanager
def into_memory(tmp_path: Path) -> Iterator[tuple[Channel, Arrived]]:
    channel = MemoryChannel()
    yield channel, lambda: [one.raw for one in channel.delivered]


@pytest.fixture(params=[over_smtp, into_a_folder, into_memory], ids=lambda way: way.__name__)
def way(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Channel, Arrived]]:
    with request.param(tmp_path) as both:
        yield both


def test_what_is_sent_arrives_byte_for_byte(way: tuple[Channel, Arrived]) -> None:
    channel, arrived = way
    for number in range(3):
        channel.send(message(number), sender=SENDER, recipient=MANAGER)
    assert sorted(arrived()) == [message(number) for number in range(3)]


def test_one_message_for_two_people_arrives_twice(way: tuple[Channel, Arrived]) -> None:
    channel, arrived = way
    channel.send(message(1), sender=SENDER, recipient=MANAGER)
    channel.send(message(1), sender=SENDER, recipient=OPERATOR)
    assert arrived() == [message(1), message(1)]


@pytest.fixture(params=["smtp", "folder", "memory"])
def dead_channel(request: pytest.FixtureRequest, tmp_path: Path) -> Channel:
    (tmp_path / "in-the-way").write_text("a file where the folder should be")
    dead: dict[str, Channel] = {
        "smtp": SmtpChannel(host="127.0.0.1", port=free_port(), security=Security.NONE),
        "folder": FileChannel(tmp_path / "in-the-way"),
        "memory": MemoryChannel(trouble=ChannelDown("switched off")),
    }
    return dead[request.param]


def test_a_dead_channel_says_so_in_our_words(dead_channel: Channel) -> None:
    with pytest.raises(ChannelDown):
        dead_channel.send(message(1), sender=SENDER, recipient=MANAGER)


def test_memory_refuses_whom_it_is_told_to_refuse() -> None:
    channel = MemoryChannel(refusals={MANAGER: PermanentRefusal("550 no such user")})
    with pytest.raises(ChannelTrouble, match="550"):
        channel.send(message(1), sender=SENDER, recipient=MANAGER)
    channel.send(message(1), sender=SENDER, recipient=OPERATOR)
    assert [one.recipient for one in channel.delivered] == [OPERATOR]
