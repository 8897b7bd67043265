"""The outbox: one key one notice, one claim one worker, and only the newest claim settles."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from itertools import count

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from sqlalchemy import update

from carewatch.notices.notice import Notice, NoticeKind, SentNotice
from carewatch.store import notices, outbox
from carewatch.store.backoff import next_wait
from carewatch.store.database import Database
from carewatch.store.notices import MOST_DEATHS, Claimed, NoticeState
from carewatch.store.tables import notice as table
from tests.letters import day_notice

NOW = datetime(2026, 10, 19, 20, 15, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
LEASE = timedelta(seconds=180)
MACHINES = count()


def notice(
    key: str = "day|manager|2026-10-19",
    *,
    kind: NoticeKind = NoticeKind.DAY,
    hours: float = 6,
    refers_to: str | None = None,
) -> Notice:
    return day_notice(
        key,
        at=NOW,
        hours=hours,
        kind=kind,
        machines=("sprayer-3", "sprayer-4"),
        duties=("protect|sprayer-3|2026-10-19",),
        refers_to=refers_to,
        facts=(("sprayer-3", "wet"), ("sprayer-4", "wet if it sprays")),
    )


def queue(database: Database, one: Notice, *, send_at: datetime = NOW) -> bool:
    with database.transaction() as tx:
        return notices.queue(tx, one, message_id=f"<{one.key}@farm.example>", raw=one.key.encode(), send_at=send_at)


def claim(database: Database, now: datetime = NOW, worker: str = "w1") -> Claimed | None:
    with database.transaction() as tx:
        return notices.claim(tx, now=now, worker=worker, lease=LEASE)


def claimed(database: Database, now: datetime = NOW) -> Claimed:
    found = claim(database, now)
    assert found is not None
    return found


def state_of(database: Database, key: str) -> NoticeState:
    with database.reading() as rx:
        (state,) = [line.state for line in outbox.lines(rx, since=NOW) if line.key == key]
    return state


def test_the_same_key_is_queued_once_whatever_it_says(database: Database) -> None:
    assert queue(database, notice())
    assert not queue(database, notice())
    assert not queue(database, notice(hours=99))
    assert claimed(database).key == "day|manager|2026-10-19"
    assert claim(database) is None


def test_nothing_is_claimed_before_its_time_nor_after_its_worth(database: Database) -> None:
    queue(database, notice(), send_at=NOW + HOUR)
    assert claim(database, NOW + HOUR - timedelta(microseconds=1)) is None
    assert claim(database, NOW + 6 * HOUR) is None
    assert claim(database, NOW + HOUR) is not None


def test_the_one_that_is_soonest_worthless_goes_first(database: Database) -> None:
    for key, hours in (("a", 5), ("b", 2), ("c", 9)):
        queue(database, notice(key, hours=hours))
    assert [claimed(database).key for _ in range(3)] == ["b", "a", "c"]


def test_a_lease_that_ran_out_is_claimed_again_with_the_same_bytes(database: Database) -> None:
    queue(database, notice())
    first = claimed(database)
    assert claim(database, NOW + LEASE - timedelta(seconds=1)) is None
    second = claimed(database, NOW + LEASE)
    assert (second.raw, second.message_id, second.attempts) == (first.raw, first.message_id, 2)
    assert second.fence == first.fence + 1


def test_a_worker_believed_dead_settles_nothing(database: Database) -> None:
    queue(database, notice())
    first, second = claimed(database), claimed(database, NOW + LEASE)
    with database.transaction() as tx:
        assert not notices.settle_sent(tx, first, now=NOW)
        assert not notices.settle_refused(tx, first, now=NOW, trouble="550")
        assert not notices.settle_retry(tx, first, now=NOW, trouble="451", jitter=0.5)
        assert not notices.settle_untried(tx, first, trouble="535")
    assert state_of(database, first.key) is NoticeState.SENDING
    with database.transaction() as tx:
        assert notices.settle_sent(tx, second, now=NOW)
        assert not notices.settle_sent(tx, second, now=NOW)
    assert state_of(database, first.key) is NoticeState.SENT


def test_after_five_deaths_in_a_row_it_is_set_aside_and_others_go_on(database: Database) -> None:
    queue(database, notice("deadly", hours=5))
    queue(database, notice("harmless", hours=6))
    now = NOW
    for _ in range(MOST_DEATHS):
        assert claimed(database, now).key == "deadly"
        now += LEASE
    assert claimed(database, now).key == "harmless"
    assert state_of(database, "deadly") is NoticeState.SET_ASIDE


def test_a_settled_try_forgets_earlier_deaths(database: Database) -> None:
    queue(database, notice(hours=72))
    now = NOW
    for _ in range(3 * MOST_DEATHS):
        with database.transaction() as tx:
            claimed_now = notices.claim(tx, now=now, worker="w1", lease=LEASE)
            assert claimed_now is not None
        again = claimed(database, now + LEASE)
        with database.transaction() as tx:
            assert notices.settle_retry(tx, again, now=now + LEASE, trouble="451", jitter=0.5)
        now += LEASE + timedelta(minutes=16)


def test_a_clock_put_back_an_hour_delays_no_retry_by_an_hour(database: Database) -> None:
    queue(database, notice())
    with database.transaction() as tx:
        tried = notices.claim(tx, now=NOW + 2 * HOUR, worker="w1", lease=LEASE)
        assert tried is not None
        notices.settle_retry(tx, tried, now=NOW + 2 * HOUR, trouble="451", jitter=0.5)
    assert claim(database, NOW + HOUR) is not None


def test_a_notice_planned_for_later_is_not_taken_for_a_clock_put_back(database: Database) -> None:
    queue(database, notice(), send_at=NOW + HOUR)
    assert claim(database, NOW) is None


def test_a_stopped_channel_burns_no_attempt(database: Database) -> None:
    queue(database, notice())
    for _ in range(20):
        with database.transaction() as tx:
            tried = notices.claim(tx, now=NOW, worker="w1", lease=LEASE)
            assert tried is not None
            assert notices.settle_untried(tx, tried, trouble="535")
    assert claimed(database).attempts == 1


def test_the_waits_grow_to_fifteen_minutes_and_stay() -> None:
    # The table of waits is ours (chosen), written out here once more.
    middle = [next_wait(attempts, jitter=0.5).total_seconds() for attempts in range(1, 10)]
    assert middle == [10, 30, 60, 120, 300, 600, 900, 900, 900]


@given(st.integers(min_value=0, max_value=10_000), st.floats(min_value=0, max_value=1))
def test_no_wait_is_longer_than_fifteen_minutes_or_off_by_more_than_a_fifth(attempts: int, jitter: float) -> None:
    middle = next_wait(attempts, jitter=0.5)
    assert timedelta(0) < next_wait(attempts, jitter=jitter) <= 15 * MINUTE
    assert abs(next_wait(attempts, jitter=jitter) - middle) <= 0.2 * middle + timedelta(microseconds=1)


def test_what_was_not_worth_sending_any_more_expires_and_waits_to_be_told(database: Database) -> None:
    queue(database, notice("late", hours=1))
    queue(database, notice("later", hours=3))
    with database.transaction() as tx:
        assert notices.expire(tx, now=NOW + HOUR) == ("late",)
        assert notices.expire(tx, now=NOW + HOUR) == ()
        assert [one.key for one in outbox.expired_unfolded(tx)] == ["late"]
        assert [one.key for one in outbox.sent_since(tx, NOW)] == ["later"]
        notices.mark_folded(tx, ["late"], into="catch-up")
        assert outbox.expired_unfolded(tx) == ()


def test_a_notice_in_flight_expires_only_when_its_lease_has_run_out(database: Database) -> None:
    queue(database, notice(hours=0.01))
    claimed(database)
    with database.transaction() as tx:
        assert notices.expire(tx, now=NOW + MINUTE) == ()
        assert notices.expire(tx, now=NOW + LEASE) == ("day|manager|2026-10-19",)


def test_when_a_catch_up_is_lost_what_it_held_is_told_again(database: Database) -> None:
    queue(database, notice("late", hours=1))
    queue(database, notice("catch-up-1", kind=NoticeKind.CATCH_UP, hours=2))
    with database.transaction() as tx:
        notices.expire(tx, now=NOW + HOUR)
        notices.mark_folded(tx, ["late"], into="catch-up-1")
        assert notices.expire(tx, now=NOW + 2 * HOUR) == ("catch-up-1",)
        assert [one.key for one in outbox.expired_unfolded(tx)] == ["late"]


def test_a_cancelling_mail_does_not_overtake_what_it_cancels(database: Database) -> None:
    queue(database, notice("first", hours=8))
    queue(database, notice("cancel", kind=NoticeKind.CANCELLED, hours=2, refers_to="first"))
    first = claimed(database)
    assert first.key == "first"
    assert claim(database) is None
    with database.transaction() as tx:
        notices.settle_sent(tx, first, now=NOW)
    assert claimed(database).key == "cancel"


def test_an_escalation_does_not_wait_for_the_mail_it_refers_to(database: Database) -> None:
    queue(database, notice("first", hours=8), send_at=NOW + HOUR)
    queue(database, notice("still-wet", kind=NoticeKind.STILL_WET, hours=2, refers_to="first"))
    assert claimed(database).key == "still-wet"


def test_the_plan_sees_what_was_said_and_who_was_not_reached(database: Database) -> None:
    queue(database, notice())
    expected = SentNotice(
        key="day|manager|2026-10-19",
        kind=NoticeKind.DAY,
        person="manager",
        to="manager@farm.example",
        machines=("sprayer-3", "sprayer-4"),
        duties=("protect|sprayer-3|2026-10-19",),
        subject="Sprayer 3 freezes tonight",
        created_at=NOW,
        refers_to=None,
        facts=(("sprayer-3", "wet"), ("sprayer-4", "wet if it sprays")),
        is_refused=False,
    )
    with database.reading() as rx:
        assert outbox.sent_since(rx, NOW) == (expected,)
        assert outbox.sent_since(rx, NOW + MINUTE) == ()
    refused = claimed(database)
    with database.transaction() as tx:
        notices.settle_refused(tx, refused, now=NOW, trouble="550 no such user")
        assert [one.is_refused for one in outbox.sent_since(tx, NOW)] == [True]
        (line,) = outbox.lines(tx, since=NOW)
    assert (line.state, line.trouble, line.attempts) == (NoticeState.REFUSED, "550 no such user", 1)


def test_health_counts_every_state_and_the_plan_knows_when_to_come_back(database: Database) -> None:
    with database.reading() as rx:
        assert outbox.next_due_at(rx) is None
    for key in "abc":
        queue(database, notice(key), send_at=NOW + HOUR)
    first = claimed(database, NOW + HOUR)
    claimed(database, NOW + HOUR)
    with database.transaction() as tx:
        notices.settle_sent(tx, first, now=NOW + HOUR)
        counts = outbox.counts(tx, since=NOW)
        assert (counts.queued, counts.sending, counts.sent, counts.refused) == (1, 1, 1, 0)
        assert counts.oldest_waiting_at == NOW
        assert outbox.next_due_at(tx) == NOW + HOUR
        assert outbox.raw_message(tx, "a") == b"a"
        assert outbox.message_id_of(tx, "a") == "<a@farm.example>"
        assert outbox.message_id_of(tx, "unknown") is None


def test_a_claim_made_before_the_clock_was_put_back_is_taken_up_again(database: Database) -> None:
    queue(database, notice(hours=200))
    claimed(database, NOW + 71 * HOUR)  # and its worker is killed
    assert claim(database, NOW) is not None


def test_a_claim_made_before_the_clock_was_put_back_can_expire(database: Database) -> None:
    queue(database, notice(hours=80))
    claimed(database, NOW + 71 * HOUR)
    with database.transaction() as tx:
        tx.execute(update(table).values(not_after=NOW))
        assert notices.expire(tx, now=NOW + MINUTE) == ("day|manager|2026-10-19",)


def test_an_address_refused_long_ago_is_counted_no_more(database: Database) -> None:
    queue(database, notice())
    refused = claimed(database)
    with database.transaction() as tx:
        notices.settle_refused(tx, refused, now=NOW, trouble="550 no such user")
        assert [outbox.counts(tx, since=since).refused for since in (NOW, NOW + MINUTE)] == [1, 0]


class OutboxMachine(RuleBasedStateMachine):
    """Two workers and any order of events: nothing is lost, nothing settles twice, no row leaves its road."""

    database: Database

    def __init__(self) -> None:
        super().__init__()
        self.now = NOW
        self.queued: set[str] = set()
        self.sent: list[str] = []
        self.held: list[Claimed] = []
        with self.database.transaction() as tx:
            notices.expire(tx, now=NOW + 10_000 * HOUR)
        self.prefix = f"{next(MACHINES)}-"  # id() comes again once an earlier machine is gone

    @rule(key=st.sampled_from("abcd"), hours=st.sampled_from([1, 50]))
    def queue_one(self, key: str, hours: int) -> None:
        one = notice(self.prefix + key, hours=hours)
        assert queue(self.database, one) is (one.key not in self.queued)
        self.queued.add(one.key)

    @rule(worker=st.sampled_from(["w1", "w2"]))
    def claim_one(self, worker: str) -> None:
        found = claim(self.database, self.now, worker)
        if found is not None:
            self.held.append(found)

    @precondition(lambda self: self.held)
    @rule(data=st.data(), how=st.sampled_from(["sent", "retry", "refused", "untried", "die"]))
    def settle_one(self, data: st.DataObject, how: str) -> None:
        held = self.held.pop(data.draw(st.integers(0, len(self.held) - 1)))
        with self.database.transaction() as tx:
            match how:
                case "sent":
                    if notices.settle_sent(tx, held, now=self.now):
                        self.sent.append(held.key)
                case "retry":
                    notices.settle_retry(tx, held, now=self.now, trouble="451", jitter=0.3)
                case "refused":
                    notices.settle_refused(tx, held, now=self.now, trouble="550")
                case "untried":
                    notices.settle_untried(tx, held, trouble="535")

    @rule(minutes=st.sampled_from([1, 4, 20, 90]))
    def let_time_pass(self, minutes: int) -> None:
        self.now += minutes * MINUTE
        with self.database.transaction() as tx:
            notices.expire(tx, now=self.now)

    @invariant()
    def every_key_is_there_once_and_sent_at_most_once(self) -> None:
        with self.database.reading() as rx:
            lines = [line for line in outbox.lines(rx, since=NOW) if line.key.startswith(self.prefix)]
        assert sorted(line.key for line in lines) == sorted(self.queued)
        assert sorted(self.sent) == sorted(line.key for line in lines if line.state is NoticeState.SENT)


def test_no_order_of_events_loses_or_doubles_a_notice(database: Database) -> None:
    machine = type("Machine", (OutboxMachine,), {"database": database})
    case = machine.TestCase  # type: ignore[attr-defined]
    case.settings = settings(max_examples=15, stateful_step_count=15, deadline=None)
    case("runTest").runTest()


def test_no_two_workers_claim_the_same_notice(database: Database) -> None:
    for number in range(30):
        queue(database, notice(str(number)))

    def work(worker: int) -> list[str]:
        keys = []
        while (found := claim(database, NOW, f"w{worker}")) is not None:
            keys.append(found.key)
        return keys

    with ThreadPoolExecutor(3) as pool:
        keys = [key for part in pool.map(work, range(3)) for key in part]
    assert sorted(keys) == sorted(str(number) for number in range(30))
