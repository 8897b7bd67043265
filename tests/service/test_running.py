"""The scheduler is only a clock: ticks go on whatever happens to the wall clock, and a failing job stops nothing."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import apscheduler.schedulers.base
import pytest

from carewatch.service import clock, running
from carewatch.service.health import REPLIES, HealthServer, health_of
from carewatch.service.rounds import note_failed, reply_round
from carewatch.service.running import Every, Running
from carewatch.settings.reading import parse_settings
from tests.service.farm import open_farm

SETTINGS = """
[roster]
fleets = ["fleet.toml"]
[mail]
files = "mails"
[weather]
contact = "office@larch-hollow.example"
[service]
tick_every_s = 10
"""
QUICK = timedelta(seconds=0.15)
SHIFTS = {
    "an hour back": timedelta(hours=-1),
    "two hours on": timedelta(hours=2),
    "five years on": timedelta(days=5 * 365),
    "back to 1970": datetime(1970, 1, 2, tzinfo=UTC) - datetime(2026, 10, 19, tzinfo=UTC),
}


def wait_for(condition: Callable[[], bool], *, seconds: float = 8.0) -> None:
    waited, ends_at = threading.Event(), time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < ends_at, "waited too long"
        waited.wait(0.01)


@pytest.fixture
def shift(monkeypatch):
    """Moves the wall clock of service and scheduler; the monotonic clock goes on as it does on a real computer."""
    moved = [timedelta(0)]

    class Moved(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.now(tz) + moved[0]

    monkeypatch.setattr(clock, "now", lambda: datetime.now(UTC) + moved[0])
    monkeypatch.setattr(apscheduler.schedulers.base, "datetime", Moved)
    return moved


@pytest.fixture
def service(tmp_path, shift, monkeypatch):
    """A started service that looks every 0.15 s and counts its rounds."""
    ticks, sends = [], []
    real_round = running.do_round
    monkeypatch.setattr(
        running, "do_round", lambda *args, **more: (real_round(*args, **more), ticks.append(clock.now()))
    )
    monkeypatch.setattr(running, "send_round", lambda *args, **more: sends.append(clock.now()))
    monkeypatch.setattr(running, "SEND_EVERY", QUICK)
    monkeypatch.setattr(running, "HealthServer", lambda host, port, document: HealthServer("127.0.0.1", 0, document))
    with open_farm(tmp_path) as farm:
        settings = parse_settings(tmp_path / "carewatch.toml", SETTINGS, {})
        one = Running(farm.work, farm.channel, settings)
        one._every = QUICK
        one.start()
        yield one, ticks, sends
        one.stop()


@pytest.mark.parametrize("moved", SHIFTS.values(), ids=SHIFTS)
def test_ticks_go_on_when_the_clock_is_moved(service, shift, moved):
    _, ticks, sends = service
    wait_for(lambda: len(ticks) >= 2 and len(sends) >= 2)
    shift[0] = moved
    seen, sent, at_s = len(ticks), len(sends), time.monotonic()
    wait_for(lambda: len(ticks) >= seen + 3 and len(sends) >= sent + 3)
    took_s = time.monotonic() - at_s
    # caught up once, not once per missed tick: five years hold a thousand million of them
    assert len(ticks) - seen <= took_s / QUICK.total_seconds() + 4


def test_a_failing_round_is_noted_and_the_next_one_comes(service, monkeypatch):
    one, ticks, _ = service
    wait_for(lambda: len(ticks) >= 1)
    failed = []

    def fail(*args, **more):
        failed.append(1)
        raise RuntimeError("a mistake in our own code")

    whole = running.do_round
    monkeypatch.setattr(running, "do_round", fail)
    wait_for(lambda: len(failed) >= 2)
    wait_for(lambda: "a mistake in our own code" in str(one.health_document()["reasons"]))
    monkeypatch.setattr(running, "do_round", whole)
    seen = len(ticks)
    wait_for(lambda: len(ticks) > seen)
    wait_for(lambda: "mistake" not in str(one.health_document()["reasons"]))


def test_answers_by_mail_are_read_again_after_the_clock_was_moved_back(tmp_path, shift, monkeypatch):
    looks = []
    monkeypatch.setattr(running, "reply_round", lambda *_, **__: looks.append(clock.now()))
    monkeypatch.setattr(running, "HealthServer", lambda host, port, document: HealthServer("127.0.0.1", 0, document))
    with open_farm(tmp_path) as farm:
        settings = parse_settings(tmp_path / "carewatch.toml", SETTINGS, {})  # looks every 60 s
        one = Running(farm.work, farm.channel, settings, MemoryInbox())
        one._every = QUICK
        one.start()
        try:
            wait_for(lambda: len(looks) == 1)
            shift[0] = timedelta(hours=-1)
            wait_for(lambda: len(looks) >= 2)
        finally:
            one.stop()


def test_a_failing_look_for_answers_is_told_until_one_goes_well(tmp_path, monkeypatch):
    with open_farm(tmp_path) as farm:
        note_failed(farm.work, REPLIES, RuntimeError("a mistake in our own code"), now=clock.now())
        reasons = str(health_of(farm.work, now=clock.now(), tick_every=QUICK)["reasons"])
        assert "Reading the answers by mail failed: a mistake in our own code" in reasons
        assert reply_round(farm.work, MemoryInbox()).trouble == ""
        assert "Reading the answers" not in str(health_of(farm.work, now=clock.now(), tick_every=QUICK)["reasons"])


class MemoryInbox:
    """A mailbox in which nothing ever lies."""

    @contextmanager
    def visit(self):
        yield self

    def unread(self, most):
        return ()

    def read(self, uid):
        return b""

    def settle(self, uid, fate):
        pass


def test_the_trigger_knows_only_now():
    every = Every(timedelta(seconds=300))
    now = datetime(2026, 10, 19, 20, 0, tzinfo=UTC)
    assert every.get_next_fire_time(None, now) == now
    for previous in (now - timedelta(days=2000), now, now + timedelta(days=2000)):
        assert every.get_next_fire_time(previous, now) == now + timedelta(seconds=300)
