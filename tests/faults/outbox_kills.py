"""Kills workers of the outbox for real and counts what arrived: `python -m tests.faults.outbox_kills --kills 1000`.

A mail server in its own process notes every message on disk before it says 250, and says 451 to some. Workers decide
notices and deliver them; half are killed from outside at a random moment, half kill themselves at a boundary: just
before a commit, just after one, just before or just after a message is handed over. Then one worker may finish.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from pathlib import Path
from typing import Any

from sqlalchemy import event, func, select

from carewatch.channels.connection import Security
from carewatch.channels.message import compose, message_id_for
from carewatch.channels.smtp import SmtpChannel
from carewatch.service.deliver import deliver_due
from carewatch.store import notices, outbox
from carewatch.store.database import Database
from carewatch.store.tables import notice as table
from tests.channels.mailserver import Mailbox, free_port, running
from tests.letters import day_notice

SECRET = b"known to these tests only"
START = datetime(2026, 10, 19, 20, 15, tzinfo=UTC)
CLOCK_SPEED = 60
"""The workers' clock runs this much faster, so that a lease of 180 s runs out after 3 s."""
SEND_DEADLINE_S = 2.0
"""Shorter than the lease on the real clock, as in the service."""
SHARE_OF_451 = 0.03
NOTICES_PER_DECISION = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    kills: int
    at_boundaries: int
    queued: int
    arrived: int
    lost: int
    ghosts: int
    false_sent: int
    duplicates: int
    most_copies: int
    changed_bytes: int
    set_aside: int
    seconds: float


class JournalMailbox(Mailbox):
    """Notes each message on disk before it says 250."""

    def __init__(self, journal: Path, seed: int) -> None:
        super().__init__()
        self._journal = journal
        self._random = random.Random(seed)  # noqa: S311 -- no secret

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self._random.random() < SHARE_OF_451:
            return "451 try later"
        line = {"id": message_from_bytes(envelope.content)["Message-ID"], "bytes": digest(envelope.content)}
        with self._journal.open("a") as file:
            file.write(json.dumps(line) + "\n")
        return "250 OK"


def digest(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


@contextmanager
def mail_server(journal: Path, port: int, seed: int) -> Iterator[None]:
    ready, is_ready = os.pipe()
    pid = os.fork()
    if pid == 0:
        with running(JournalMailbox(journal, seed), port=port):
            os.write(is_ready, b"1")
            signal.sigwait({signal.SIGTERM})
        os._exit(0)
    os.read(ready, 1)
    try:
        yield
    finally:
        os.kill(pid, signal.SIGTERM)
        os.waitpid(pid, 0)


class DiesAt:
    """Kills its own process at the n-th boundary."""

    def __init__(self, boundary: int) -> None:
        self._left = boundary

    def pass_one(self, *_: object) -> None:
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


@dataclass
class WatchedChannel:
    inner: SmtpChannel
    pass_one: Callable[[], None]

    def send(self, raw: bytes, *, sender: str, recipient: str) -> None:
        self.pass_one()
        self.inner.send(raw, sender=sender, recipient=recipient)
        self.pass_one()


def work(place: str, port: int, started_at: float, *, dies_at: int, decides: bool) -> None:
    """Decide and deliver until killed, or until nothing waits if it does not decide."""
    boundary = DiesAt(dies_at)
    database = Database.open(place)
    for moment in ("begin", "commit"):
        event.listen(database._engine, moment, boundary.pass_one)
    smtp = SmtpChannel(host="127.0.0.1", port=port, security=Security.NONE, total_deadline_s=SEND_DEADLINE_S)
    channel = WatchedChannel(smtp, boundary.pass_one)

    def now() -> datetime:
        return START + CLOCK_SPEED * timedelta(seconds=time.time() - started_at)

    while True:
        if decides:
            decide(database, now())
        deliver_due(
            database, channel, sender="watch@farm.example", now=now, worker=str(os.getpid()), jitter=random.random
        )
        with database.reading() as rx:
            if not decides and outbox.next_due_at(rx) is None:
                return


def decide(database: Database, now: datetime) -> None:
    with database.transaction() as tx:
        first = tx.execute(select(func.count()).select_from(table)).scalar() or 0
        for number in range(first, first + NOTICES_PER_DECISION):
            key = f"day|manager|{number}"
            one = day_notice(key, at=now, subject=f"Night {number}", not_after=START + timedelta(days=365))
            message_id = message_id_for(key, "farm.example", secret=SECRET)
            raw = compose(
                one,
                sender_name="carewatch",
                sender_address="watch@farm.example",
                reply_to=None,
                date=now,  # another time would give other bytes, so a notice composed twice would be seen
                message_id=message_id,
            )
            notices.queue(tx, one, message_id=message_id, raw=raw, send_at=now)


def forked(job: Callable[[], None]) -> int:
    pid = os.fork()
    if pid == 0:
        try:
            job()
        finally:
            os._exit(0)
    return pid


def run(kills: int, seed: int, folder: Path, place: str | None) -> Outcome:
    choose = random.Random(seed)  # noqa: S311 -- no secret
    place, journal, port = place or str(folder / "carewatch.db"), folder / "arrived.jsonl", free_port()
    journal.touch()
    Database.open(place).close()
    started_at, at_boundaries = time.time(), 0
    with mail_server(journal, port, seed):
        for number in range(kills):
            is_at_boundary = number % 2 == 0
            dies_at = choose.randint(1, 25) if is_at_boundary else 0
            pid = forked(lambda dies_at=dies_at: work(place, port, started_at, dies_at=dies_at, decides=True))
            if not is_at_boundary:
                time.sleep(choose.uniform(0.005, 0.12))
                os.kill(pid, signal.SIGKILL)
            _, status = os.waitpid(pid, 0)
            assert os.WIFSIGNALED(status), "a worker ended by itself"
            at_boundaries += is_at_boundary
        _, status = os.waitpid(forked(lambda: work(place, port, started_at, dies_at=0, decides=False)), 0)
    return count(place, journal, kills=kills, at_boundaries=at_boundaries, seconds=time.time() - started_at)


def run_together(workers: int, decisions: int, folder: Path, place: str | None) -> Outcome:
    """Let several workers deliver the same outbox at once; nobody is killed."""
    place, journal, port = place or str(folder / "carewatch.db"), folder / "arrived.jsonl", free_port()
    journal.touch()
    database = Database.open(place)
    for _ in range(decisions):
        decide(database, START)
    database.close()
    started_at = time.time()
    with mail_server(journal, port, seed=1):
        pids = [forked(lambda: work(place, port, started_at, dies_at=0, decides=False)) for _ in range(workers)]
        for pid in pids:
            os.waitpid(pid, 0)
    return count(place, journal, kills=0, at_boundaries=0, seconds=time.time() - started_at)


def count(place: str, journal: Path, *, kills: int, at_boundaries: int, seconds: float) -> Outcome:
    lines = [json.loads(line) for line in journal.read_text().splitlines()]
    copies = Counter(line["id"] for line in lines)
    database = Database.open(place)
    with database.reading() as rx:
        rows = rx.execute(select(table.c.message_id, table.c.state, table.c.raw)).all()
    database.close()
    wanted = {row.message_id: digest(row.raw) for row in rows}
    state = {row.message_id: row.state for row in rows}
    return Outcome(
        kills=kills,
        at_boundaries=at_boundaries,
        queued=len(rows),
        arrived=len(copies),
        lost=sum(1 for key in wanted if key not in copies and state[key] != "set_aside"),
        ghosts=sum(1 for key in copies if key not in wanted),
        false_sent=sum(1 for key in wanted if state[key] == "sent" and key not in copies),
        duplicates=sum(number - 1 for number in copies.values()),
        most_copies=max(copies.values(), default=0),
        changed_bytes=sum(1 for line in lines if line["bytes"] != wanted.get(line["id"])),
        set_aside=sum(1 for one in state.values() if one == "set_aside"),
        seconds=round(seconds, 1),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--together", type=int, help="so many workers at once and no kills, 3 notices for each --kills")
    parser.add_argument("--database", help="an empty database by its URL; default: a SQLite file of its own")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if options.together:
            outcome = run_together(options.together, options.kills, Path(folder), options.database)
        else:
            outcome = run(options.kills, options.seed, Path(folder), options.database)
        print(json.dumps(asdict(outcome)))


if __name__ == "__main__":
    main()
