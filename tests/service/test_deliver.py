"""What is due goes out once; a person who refuses harms nobody; a channel in trouble rests and burns no attempts."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from carewatch.channels.memory import MemoryChannel
from carewatch.channels.port import Ambiguous, ChannelDown, ChannelStopped, PermanentRefusal, TemporaryRefusal
from carewatch.errors import StoreTrouble
from carewatch.service.deliver import (
    DeliveryReport,
    Fate,
    deliver_due,
)
from carewatch.service.resting import MAIL_OUT
from carewatch.store import notices, outbox
from carewatch.store.database import Database
from carewatch.store.notices import NoticeState
from tests.letters import day_notice

START = datetime(2026, 10, 19, 20, 15, tzinfo=UTC)
HOUR = timedelta(hours=1)
SENDER = "watch@farm.example"


@dataclass
class Farm:
    """A database, a channel and a clock that only moves when told."""

    database: Database
    channel: MemoryChannel = field(default_factory=MemoryChannel)
    now: datetime = START

    def queue(self, *keys: str, hours: float = 6) -> None:
        for key in keys:
            one = day_notice(key, person=key, at=START, hours=hours)
            with self.database.transaction() as tx:
                notices.queue(tx, one, message_id=f"<{key}@farm.example>", raw=key.encode(), send_at=self.now)

    def deliver(self, **later: float) -> DeliveryReport:
        self.now += timedelta(**later)
        return deliver_due(
            self.database, self.channel, sender=SENDER, now=lambda: self.now, worker="w1", jitter=lambda: 0.5
        )

    def arrived(self) -> list[bytes]:
        return [one.raw for one in self.channel.delivered]

    def states(self) -> dict[str, NoticeState]:
        with self.database.reading() as rx:
            return {line.key: line.state for line in outbox.lines(rx, since=START)}

    def attempts(self) -> dict[str, int]:
        with self.database.reading() as rx:
            return {line.key: line.attempts for line in outbox.lines(rx, since=START)}


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Farm]:
    database = Database.open(tmp_path / "carewatch.db")
    yield Farm(database)
    database.close()


def test_everything_due_goes_out_once(farm: Farm) -> None:
    farm.queue("a", "b", "c")
    assert farm.deliver().keys(Fate.SENT) == ("a", "b", "c")
    assert farm.deliver(hours=1).fates == ()
    assert farm.arrived() == [b"a", b"b", b"c"]
    first = farm.channel.delivered[0]
    assert (first.sender, first.recipient) == (SENDER, "a@farm.example")


def test_the_same_notice_decided_twice_goes_out_once(farm: Farm) -> None:
    farm.queue("a")
    farm.deliver()
    farm.queue("a")
    farm.deliver(hours=1)
    assert farm.arrived() == [b"a"]


def test_one_refused_person_stops_nobody_else(farm: Farm) -> None:
    farm.queue("a", "b", "c")
    farm.channel.refusals["b@farm.example"] = PermanentRefusal("550 no such user")
    report = farm.deliver()
    assert (report.keys(Fate.SENT), report.keys(Fate.REFUSED)) == (("a", "c"), ("b",))
    assert farm.deliver(hours=1).fates == ()
    with farm.database.reading() as rx:
        assert [one.key for one in outbox.sent_since(rx, START) if one.is_refused] == ["b"]


def test_all_refused_is_seen_for_each_of_them(farm: Farm) -> None:
    farm.queue("a", "b")
    farm.channel.refusals = {f"{key}@farm.example": PermanentRefusal("550") for key in "ab"}
    assert farm.deliver().keys(Fate.REFUSED) == ("a", "b")


def test_a_temporary_refusal_comes_back_after_its_wait(farm: Farm) -> None:
    farm.queue("a")
    farm.channel.refusals["a@farm.example"] = TemporaryRefusal("451 later")
    assert farm.deliver().keys(Fate.RETRIED) == ("a",)
    assert farm.deliver(seconds=9.9).fates == ()
    assert farm.deliver(seconds=0.1).keys(Fate.RETRIED) == ("a",)
    farm.channel.refusals.clear()
    assert farm.deliver(seconds=29).fates == ()
    assert farm.deliver(seconds=1).keys(Fate.SENT) == ("a",)


def test_a_wrong_password_burns_no_attempt_and_knocks_once_in_fifteen_minutes(farm: Farm) -> None:
    farm.queue("a", "b", hours=72)
    farm.channel.trouble = ChannelStopped("535 wrong password")
    report = farm.deliver()
    assert (report.is_stopped, report.trouble, report.fates) == (True, "535 wrong password", (("a", Fate.UNTRIED),))
    assert farm.deliver(minutes=14).fates == ()
    assert farm.deliver(minutes=1).fates == (("a", Fate.UNTRIED),)
    assert farm.attempts() == {"a": 0, "b": 0}
    farm.channel.trouble = None
    assert farm.deliver(minutes=1).fates == ()
    MAIL_OUT.forget_trouble(farm.database)  # the settings were changed
    assert farm.deliver().keys(Fate.SENT) == ("a", "b")


def test_after_twelve_hours_without_mail_all_of_it_is_out_within_fifteen_minutes(farm: Farm) -> None:
    keys = tuple(f"n{number:02d}" for number in range(20))
    farm.queue(*keys, hours=24)
    farm.queue("stale", hours=3)
    farm.channel.trouble = ChannelDown("no connection")
    for _ in range(12 * 2):
        farm.deliver(minutes=30)
    farm.channel.trouble = None
    minutes = 0
    while len(farm.arrived()) < len(keys):
        farm.deliver(minutes=1)
        minutes += 1
        assert minutes <= 15
    farm.deliver(hours=1)
    assert sorted(farm.arrived()) == sorted(key.encode() for key in keys)
    assert farm.states()["stale"] is NoticeState.EXPIRED
    with farm.database.reading() as rx:
        assert [one.key for one in outbox.expired_unfolded(rx)] == ["stale"]
        assert MAIL_OUT.trouble(rx) is None


def test_a_stop_ends_after_the_message_that_is_going_out(farm: Farm) -> None:
    farm.queue("a", "b", "c")
    goes_on = iter([True, False])
    deliver_due(
        farm.database, farm.channel, sender=SENDER, now=lambda: START, worker="w1", jitter=lambda: 0.5,
        goes_on=lambda: next(goes_on),
    )  # fmt: skip
    assert farm.arrived() == [b"a"]


def test_a_clock_put_back_lets_the_channel_rest_no_longer(farm: Farm) -> None:
    farm.queue("a")
    farm.channel.trouble = ChannelStopped("535 wrong password")
    farm.deliver(hours=2)
    farm.channel.trouble = None
    assert farm.deliver(hours=-1).keys(Fate.SENT) == ("a",)


def test_how_the_channel_goes_is_in_the_database_for_health_and_the_next_process(farm: Farm) -> None:
    farm.queue("a")
    farm.channel.trouble = ChannelDown("no connection")
    farm.deliver()
    farm.deliver(minutes=1)
    with farm.database.reading() as rx:
        state = MAIL_OUT.trouble(rx)
    assert state is not None
    assert (state.failures, state.failed_since, state.trouble) == (2, START, "no connection")


def test_lines_that_break_before_the_confirmation_are_tried_again_and_end_the_round_after_three(farm: Farm) -> None:
    farm.queue("a", "b", "c", "d")
    farm.channel.trouble = Ambiguous("hung up")
    report = farm.deliver()
    assert report.keys(Fate.RETRIED) == ("a", "b", "c")
    assert report.trouble == "hung up"
    farm.channel.trouble = None
    farm.deliver(minutes=5)
    assert sorted(farm.arrived()) == [b"a", b"b", b"c", b"d"]


def test_a_freeze_notice_past_its_time_is_never_sent(farm: Farm) -> None:
    farm.queue("a", hours=1)
    assert farm.deliver(hours=1).expired == ("a",)
    assert farm.arrived() == []


def test_when_the_claim_cannot_commit_nothing_is_sent(farm: Farm) -> None:
    farm.queue("a")
    with farm.database.transaction() as tx:
        tx.exec_driver_sql(
            "CREATE TRIGGER no_claim BEFORE UPDATE ON notice WHEN NEW.state = 'sending' "
            "BEGIN SELECT RAISE(ABORT, 'disk full'); END"
        )
    with pytest.raises(StoreTrouble):
        farm.deliver()
    assert farm.arrived() == []
    assert farm.states() == {"a": NoticeState.QUEUED}


def test_when_settling_fails_it_goes_out_again_with_the_same_bytes_and_never_counts_as_sent_before(farm: Farm) -> None:
    farm.queue("a")
    with farm.database.transaction() as tx:
        tx.exec_driver_sql(
            "CREATE TRIGGER no_settle BEFORE UPDATE ON notice WHEN NEW.state = 'sent' "
            "BEGIN SELECT RAISE(ABORT, 'disk full'); END"
        )
    with pytest.raises(StoreTrouble):
        farm.deliver()
    assert farm.states() == {"a": NoticeState.SENDING}
    with farm.database.transaction() as tx:
        tx.exec_driver_sql("DROP TRIGGER no_settle")
    assert farm.deliver(seconds=179).fates == ()
    assert farm.deliver(seconds=1).keys(Fate.SENT) == ("a",)
    assert farm.arrived() == [b"a", b"a"]


@dataclass
class FallsOver(MemoryChannel):
    """Breaks in a way nobody thought of, for one recipient."""

    def send(self, raw: bytes, *, sender: str, recipient: str) -> None:
        if recipient == "a@farm.example":
            raise RuntimeError("nobody thought of this")
        super().send(raw, sender=sender, recipient=recipient)


def test_a_notice_that_breaks_the_sender_is_set_aside_and_holds_nobody_up_for_long(farm: Farm) -> None:
    farm.channel = FallsOver()
    farm.queue("a", hours=5)
    farm.queue("b", hours=6)
    with pytest.raises(RuntimeError):
        farm.deliver()
    assert farm.deliver(minutes=1).keys(Fate.SENT) == ("b",)
    for _ in range(4):
        with pytest.raises(RuntimeError):
            farm.deliver(minutes=3)
    assert farm.deliver(minutes=3).fates == ()
    assert farm.states() == {"a": NoticeState.SET_ASIDE, "b": NoticeState.SENT}


def test_the_log_names_notices_but_no_addresses(farm: Farm, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    farm.queue("a", "b", "c", hours=1)
    farm.channel.refusals = {
        "a@farm.example": PermanentRefusal("550 <a@farm.example> is unknown"),
        "b@farm.example": TemporaryRefusal("451 b@farm.example"),
    }
    farm.deliver()
    farm.channel.trouble = ChannelStopped("535 a@farm.example")
    farm.deliver(minutes=1)
    farm.deliver(hours=2)
    events = {record.getMessage() for record in caplog.records}
    assert events == {
        "notice_refused",
        "notice_retried",
        "notice_sent",
        "notice_untried",
        "channel_stopped",
        "notice_expired",
    }
    assert not any("@" in str(record.__dict__) for record in caplog.records)
