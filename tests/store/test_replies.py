"""The secret is made once; a reply counts once; a notice that came back is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from carewatch.store import notices, outbox, replies, secret
from carewatch.store.database import Database
from carewatch.store.notices import NoticeState
from tests.letters import day_notice

NOW = datetime(2026, 10, 19, 20, 15, tzinfo=UTC)
HOUR = timedelta(hours=1)


def test_the_secret_of_a_name_is_made_once(database: Database) -> None:
    with database.transaction() as tx:
        assert secret.find(tx, "mail") is None
        assert secret.keep(tx, "mail", fresh=b"first", at=NOW) == b"first"
        assert secret.keep(tx, "mail", fresh=b"second", at=NOW + HOUR) == b"first"
        assert secret.keep(tx, "other", fresh=b"third", at=NOW) == b"third"
    with database.reading() as rx:
        assert secret.find(rx, "mail") == b"first"


def note(database: Database, identity: str, *, hours: int = 0, **changes: object) -> bool:
    values = {"sender": "mia@farm.example", "outcome": "taken", "notice": "day|mia", "is_answered": False}
    with database.transaction() as tx:
        return replies.add(tx, identity=identity, at=NOW + hours * HOUR, **(values | changes))  # type: ignore[arg-type]


def test_a_reply_is_noted_once(database: Database) -> None:
    assert note(database, "a")
    assert not note(database, "a", hours=1)
    with database.reading() as rx:
        assert replies.is_known(rx, "a")
        assert not replies.is_known(rx, "b")


def test_the_last_word_to_an_address_is_remembered_by_time(database: Database) -> None:
    note(database, "a", is_answered=True)
    note(database, "b", hours=2)
    with database.reading() as rx:
        assert replies.was_answered(rx, "mia@farm.example", since=NOW - HOUR)
        assert not replies.was_answered(rx, "mia@farm.example", since=NOW)
        assert not replies.was_answered(rx, "noah@farm.example", since=NOW - HOUR)


def test_earlier_replies_to_a_notice_are_those_that_were_taken(database: Database) -> None:
    note(database, "late", hours=3)
    note(database, "early")
    note(database, "unclear", outcome="unclear")
    note(database, "other", notice="day|noah")
    note(database, "foreign", sender="noah@farm.example")
    with database.reading() as rx:
        assert replies.taken_for(rx, notice="day|mia", sender="mia@farm.example") == ("early", "late")


def test_old_replies_are_forgotten(database: Database) -> None:
    note(database, "a")
    note(database, "b", hours=5)
    with database.transaction() as tx:
        assert replies.prune(tx, before=NOW + HOUR) == 1
        assert replies.is_known(tx, "b")


def queue(database: Database, person: str) -> str:
    one = day_notice(
        f"day|{person}",
        person=person,
        at=NOW,
        hours=24,
        to=f"{person.title()}@farm.example",
        duties=("protect|sprayer-3|2026-10-19",),
    )
    message_id = f"<{person}@farm.example>"
    with database.transaction() as tx:
        notices.queue(tx, one, message_id=message_id, raw=b"raw", send_at=NOW)
    return message_id


def send(database: Database) -> None:
    with database.transaction() as tx:
        claimed = notices.claim(tx, now=NOW, worker="w", lease=HOUR)
        assert claimed
        notices.settle_sent(tx, claimed, now=NOW)


def test_notices_are_found_by_message_id_and_by_person(database: Database) -> None:
    mia, _ = queue(database, "mia"), queue(database, "noah")
    with database.reading() as rx:
        found = outbox.by_message_id(rx, [mia, "<x@y>"])
        assert {message_id: notice.key for message_id, notice in found.items()} == {mia: "day|mia"}
        assert [notice.key for notice in outbox.to_person_since(rx, "noah", NOW)] == ["day|noah"]
        assert outbox.to_person_since(rx, "noah", NOW + HOUR) == ()


def test_a_sent_notice_that_came_back_is_refused(database: Database) -> None:
    message_id = queue(database, "mia")
    bounced = {"message_id": message_id, "now": NOW + HOUR, "trouble": "It came back: 5.1.1"}
    with database.transaction() as tx:
        assert not notices.mark_bounced(tx, recipient="mia@farm.example", **bounced)  # not sent yet
    send(database)
    with database.transaction() as tx:
        assert not notices.mark_bounced(tx, recipient="noah@farm.example", **bounced)
        assert notices.mark_bounced(tx, recipient="mia@farm.example", **bounced)
        assert not notices.mark_bounced(tx, recipient="mia@farm.example", **bounced)
    with database.reading() as rx:
        (line,) = outbox.lines(rx, since=NOW)
    assert (line.state, line.trouble) == (NoticeState.REFUSED, "It came back: 5.1.1")
