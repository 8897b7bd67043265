"""A full disk never makes a notice look sent, and room on the disk is all it takes to go on."""

from __future__ import annotations

import resource
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from carewatch.channels.memory import MemoryChannel
from carewatch.errors import StoreTrouble
from carewatch.service.deliver import Fate, deliver_due
from carewatch.store import notices, outbox
from carewatch.store.database import Database
from carewatch.store.notices import NoticeState
from tests.letters import day_notice

NOW = datetime(2026, 10, 19, 20, 15, tzinfo=UTC)
RAW = b"x" * 20_000
DISK = "40m"


def queue(database: Database, key: str) -> None:
    one = day_notice(key, at=NOW)
    with database.transaction() as tx:
        assert notices.queue(tx, one, message_id=f"<{key}@farm.example>", raw=RAW, send_at=NOW)


def deliver(database: Database, channel: MemoryChannel, *, after: timedelta = timedelta(0)) -> tuple[str, ...]:
    report = deliver_due(
        database, channel, sender="watch@farm.example", now=lambda: NOW + after, worker="w1", jitter=lambda: 0.5
    )
    return report.keys(Fate.SENT)


def states(database: Database) -> dict[str, NoticeState]:
    with database.reading() as rx:
        return {line.key: line.state for line in outbox.lines(rx, since=NOW)}


@dataclass
class FillsTheDisk(MemoryChannel):
    """Takes the message, and at that moment the last byte of the disk is used up."""

    folder: Path = Path()

    def send(self, raw: bytes, *, sender: str, recipient: str) -> None:
        super().send(raw, sender=sender, recipient=recipient)
        fill(self.folder)


def fill(folder: Path) -> None:
    with (folder / "filler").open("ab", buffering=0) as file:
        for size in (1_000_000, 4096, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK}", "tmpfs", str(folder)], capture_output=True)
    if mounted.returncode != 0:
        pytest.skip("a disk of our own can only be mounted by root; the limit on file sizes is tested instead")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_the_first_full_disk_costs_the_ballast_and_the_next_try_works(disk: Path) -> None:
    database = Database.open(disk / "carewatch.db")
    queue(database, "before")
    fill(disk)
    with pytest.raises(StoreTrouble, match="disk of the database is full"):
        queue(database, "during")
    assert database.ballast is not None
    assert database.ballast.is_spent
    queue(database, "during")
    channel = MemoryChannel()
    assert sorted(deliver(database, channel)) == ["before", "during"]
    database.close()


def test_with_the_ballast_gone_nothing_is_sent_that_cannot_be_claimed(disk: Path) -> None:
    database = Database.open(disk / "carewatch.db")
    queue(database, "a")
    fill(disk)
    with pytest.raises(StoreTrouble):
        queue(database, "b")
    fill(disk)
    channel = MemoryChannel()
    with pytest.raises(StoreTrouble, match="full"):
        deliver(database, channel)
    assert channel.delivered == []
    assert states(database) == {"a": NoticeState.QUEUED}
    (disk / "filler").unlink()
    assert deliver(database, channel) == ("a",)
    assert database.ballast is not None
    assert not database.ballast.is_spent
    database.close()


def test_a_disk_that_fills_while_sending_is_settled_by_the_ballast_without_a_second_mail(disk: Path) -> None:
    database = Database.open(disk / "carewatch.db")
    queue(database, "a")
    channel = FillsTheDisk(folder=disk)
    assert deliver(database, channel) == ("a",)
    assert states(database) == {"a": NoticeState.SENT}
    assert len(channel.delivered) == 1
    database.close()


@contextmanager
def no_file_may_grow_past(size: int) -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_limit_on_file_size_is_a_full_disk_too(tmp_path: Path) -> None:
    database = Database.open(tmp_path / "carewatch.db")
    queue(database, "a")
    channel = MemoryChannel()
    full = pytest.raises(StoreTrouble, match="disk of the database is full")
    with no_file_may_grow_past((tmp_path / "carewatch.db").stat().st_size), full:
        queue(database, "b")
    with no_file_may_grow_past(100):
        for _ in range(3):
            with pytest.raises(StoreTrouble, match="disk of the database is full"):
                deliver(database, channel)
    assert channel.delivered == []
    assert states(database) == {"a": NoticeState.QUEUED}
    assert deliver(database, channel) == ("a",)
    database.close()
