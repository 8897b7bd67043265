"""Answers by mail, all the way: a notice through a real SMTP server, the reply through a mailbox, the logbook after it.

Every flow runs on our own small IMAP server and on Debian's dovecot where that is installed.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from email.message import EmailMessage, Message
from email.utils import format_datetime
from pathlib import Path

import pytest

from carewatch.channels.connection import Security
from carewatch.channels.inbox import ImapInbox
from carewatch.channels.received import read_message
from carewatch.channels.smtp import SmtpChannel
from carewatch.duties.duty import DutyState
from carewatch.logbook.entries import BlownOut, Channel, Declined, Entry, EntryKind, Moved, Promised, Rinsed, Voided
from carewatch.notices.desk import Ways
from carewatch.notices.notice import NoticeKind
from carewatch.service.gather import gather
from carewatch.service.health import health_of
from carewatch.service.replies import Outcome, RepliesReport, take_one, take_replies
from carewatch.store import duties, entries, outbox
from carewatch.store.database import Database
from carewatch.store.notices import NoticeState
from tests.channels import mailserver
from tests.channels.imapserver import DOVECOT, Dovecot, Mailbox, OwnMailbox, dovecot, own_server
from tests.service.farm import AFTERNOON, FIRST, FLEET, MORNING, SECOND, Farm, open_farm

MIA, NOAH, STRANGER = "mia@larch-hollow.example", "noah@larch-hollow.example", "someone@elsewhere.example"
SHED = """
  [[site.place]]
  id = "lean-to"
  name = "lean-to"
  kind = "unheated_shed"
"""
ONE_MACHINE = FLEET + FIRST
BOTH_MACHINES = FLEET + FIRST + SECOND
TEN_MINUTES = timedelta(minutes=10)
SERVERS = [
    pytest.param("own", id="own server"),
    pytest.param(
        "dovecot", id="dovecot", marks=pytest.mark.skipif(DOVECOT is None, reason="dovecot-imapd is not installed")
    ),
]


@dataclass
class Post:
    """A farm with a mail server for what goes out and a mailbox for what comes in."""

    farm: Farm
    out: mailserver.Mailbox
    box: Mailbox
    inbox: ImapInbox
    now: datetime = MORNING

    def run(self, at: datetime) -> None:
        self.now = at
        self.farm.run(at)

    def told(self, person: str, kind: NoticeKind | None = None) -> list[Message]:
        """What arrived at one address, oldest first."""
        mails = [message_from_bytes(bytes(one.content or b"")) for one in self.out.arrived if one.rcpt_tos == [person]]
        return [mail for mail in mails if kind is None or mail["X-Carewatch-Kind"] == kind.value]

    def take(self, *, later: timedelta = TEN_MINUTES) -> RepliesReport:
        """One look into the mailbox, and sending what follows."""
        self.now += later
        report = take_replies(self.farm.work, self.inbox, now=lambda: self.now, jitter=lambda: 0.5)
        self.farm.send(self.now)
        return report

    def answer(self, notice: Message, text: str, *, sender: str = MIA, **headers: str | None) -> list[Outcome]:
        """Reply to a notice and look into the mailbox."""
        self.box.deliver(reply(notice, text, sender=sender, at=self.now + timedelta(minutes=5), **headers))
        return list(self.take().outcomes)

    def logbook(self) -> tuple[Entry, ...]:
        with self.farm.database.reading() as rx:
            return entries.all_entries(rx)

    def state(self, key: str) -> DutyState:
        with self.farm.database.reading() as rx:
            return next(duty.state for duty in duties.latest(rx, since=self.now - timedelta(days=3)) if duty.key == key)


def reply(notice: Message, text: str, *, sender: str = MIA, at: datetime, **headers: str | None) -> bytes:
    """A reply as mail programs write it: headers that tie it, the quoted text below; None leaves a header out."""
    mail = EmailMessage()
    quoted = "".join(f"> {line}\n" for line in read_message(notice.as_bytes()).text.splitlines())
    values: dict[str, str | None] = {
        "From": f"Somebody <{sender}>", "To": str(notice["From"]), "Subject": f"Re: {notice['Subject']}",
        "Date": format_datetime(at), "Message-ID": f"<{abs(hash((text, sender, at)))}@phone.example>",
        "In-Reply-To": str(notice["Message-ID"]), "References": str(notice["Message-ID"]),
    }  # fmt: skip
    values |= {name.replace("_", "-"): value for name, value in headers.items()}
    for name, value in values.items():
        if value is not None:
            mail[name] = " ".join(value.split())
    mail.set_content(f"{text}\n\nOn Mon, 19 Oct 2026 carewatch <watch@larch-hollow.example> wrote:\n{quoted}")
    return mail.as_bytes()


@pytest.fixture(scope="module")
def real_server() -> Iterator[Dovecot]:
    with dovecot() as server:
        yield server


@pytest.fixture(params=SERVERS)
def box(request) -> Iterator[Mailbox]:
    if request.param == "dovecot":
        yield request.getfixturevalue("real_server").mailbox()
        return
    with own_server() as mailbox:
        yield mailbox


@pytest.fixture(scope="module")
def empty_database(tmp_path_factory) -> Path:
    """A database at the current tables: copying it is faster than all steps for every test."""
    path = tmp_path_factory.mktemp("store") / "carewatch.db"
    Database.open(path).close()
    return path


@pytest.fixture
def own_box() -> Iterator[OwnMailbox]:
    with own_server() as mailbox:
        yield mailbox


def post_on(farm: Farm, box: Mailbox, out: mailserver.Mailbox, port: int) -> Post:
    farm.work = replace(farm.work, ways=Ways(by_mail=True))
    farm.channel = SmtpChannel(host="127.0.0.1", port=port, security=Security.NONE, total_deadline_s=10)
    inbox = ImapInbox(
        host="127.0.0.1", port=box.port, security=Security.NONE, username=box.user, password=box.password,
        done_folder="done", unclear_folder="unclear", total_deadline_s=10,
    )  # fmt: skip
    return Post(farm=farm, out=out, box=box, inbox=inbox)


@pytest.fixture
def post(box, tmp_path, empty_database) -> Iterator[Post]:
    out = mailserver.Mailbox()
    shutil.copy(empty_database, tmp_path)
    with mailserver.running(out) as port, open_farm(tmp_path, roster=ONE_MACHINE) as farm:
        made = post_on(farm, box, out, port)
        made.run(MORNING)
        yield made


@pytest.fixture
def quick(own_box, tmp_path, empty_database) -> Iterator[Post]:
    """The same on our own server alone, for what does not depend on the server."""
    out = mailserver.Mailbox()
    shutil.copy(empty_database, tmp_path)
    with mailserver.running(out) as port, open_farm(tmp_path, roster=ONE_MACHINE) as farm:
        made = post_on(farm, own_box, out, port)
        made.run(MORNING)
        yield made


PROTECT = "protect|sprayer-1|2026-10-19"


# ---------------------------------------------------------------- right


def test_a_right_answer_closes_the_duty_and_is_not_talked_about(post):
    notice = post.told(MIA)[0]
    assert "Reply with one digit" in read_message(notice.as_bytes()).text
    assert post.answer(notice, "1") == [Outcome.TAKEN]
    (entry,) = post.logbook()
    assert entry.detail == Moved(site="yard", place="shop")
    assert (entry.by, entry.channel) == ("mia", Channel.MAIL)
    assert entry.happened_at == MORNING + timedelta(minutes=5)
    assert entry.recorded_at == MORNING + TEN_MINUTES
    assert post.state(PROTECT) is DutyState.DONE
    assert (post.box.unread(), post.box.count("done")) == (0, 1)
    assert len(post.told(MIA)) == 1


def test_a_promise_keeps_quiet_and_cannot_calls_the_next(quick):
    notice = quick.told(MIA)[0]
    assert quick.answer(notice, "4 by 4 pm") == [Outcome.TAKEN]
    assert quick.state(PROTECT) is DutyState.PROMISED
    assert isinstance(quick.logbook()[0].detail, Promised)
    assert quick.answer(notice, "5 cannot") == [Outcome.TAKEN]
    assert any(isinstance(entry.detail, Declined) for entry in quick.logbook())
    assert quick.state(PROTECT) is DutyState.OPEN


def test_the_operator_answers_the_evening_message(quick):
    notice_at = datetime(2026, 10, 19, 21, 0, tzinfo=UTC)
    with quick.farm.database.transaction() as tx:
        entries.add(tx, sprayed(at=notice_at - timedelta(hours=2)))
    quick.run(notice_at)
    evening = quick.told(NOAH, NoticeKind.EVENING)[0]
    assert quick.answer(evening, "2", sender=NOAH) == [Outcome.TAKEN]
    found = [entry.detail for entry in quick.logbook() if entry.channel is Channel.MAIL]
    assert found == [Rinsed(sides=("front", "rear")), BlownOut(sides=("front", "rear"))]
    with quick.farm.database.reading() as rx:
        rinse = next(duty for duty in duties.latest(rx, since=MORNING) if duty.key.startswith("rinse|"))
    assert rinse.state is DutyState.DONE


def sprayed(*, at: datetime) -> Entry:
    from carewatch.logbook.entries import Sprayed

    return Entry(
        id=f"sprayed-{at:%H%M}", machine="sprayer-1", kind=EntryKind.SPRAYED, happened_at=at, recorded_at=at,
        by="noah", channel=Channel.COMMAND, detail=Sprayed(),
    )  # fmt: skip


def test_the_reference_line_ties_a_reply_that_lost_its_headers(quick):
    notice = quick.told(MIA)[0]
    assert quick.answer(notice, "1", In_Reply_To=None, References=None) == [Outcome.TAKEN]
    assert len(quick.logbook()) == 1


def test_the_address_may_be_written_in_capitals(quick):
    assert quick.answer(quick.told(MIA)[0], "1", sender=MIA.upper()) == [Outcome.TAKEN]


def test_several_machines_each_get_their_answer(own_box, tmp_path):
    out = mailserver.Mailbox()
    with mailserver.running(out) as port, open_farm(tmp_path, roster=BOTH_MACHINES) as farm:
        post = post_on(farm, own_box, out, port)
        post.run(MORNING)
        notice = post.told(MIA)[0]
        assert post.answer(notice, "1") == [Outcome.UNCLEAR]
        assert post.answer(notice, "1 1\n2 2") == [Outcome.TAKEN]
        assert [(entry.machine, type(entry.detail)) for entry in post.logbook()] == [
            ("sprayer-1", Moved),
            ("sprayer-2", BlownOut),
        ]


# ---------------------------------------------------------------- wrong, forged, foreign


def test_an_unclear_answer_changes_nothing_and_gets_one_word_a_day(post):
    notice = post.told(MIA)[0]
    assert post.answer(notice, "maybe") == [Outcome.UNCLEAR]
    assert post.answer(notice, "1 or 2") == [Outcome.UNCLEAR]
    back = post.told(MIA, NoticeKind.ANSWER)
    assert len(back) == 1
    assert "changed nothing" in read_message(back[0].as_bytes()).text
    assert back[0]["In-Reply-To"] == notice["Message-ID"]
    assert post.logbook() == ()
    assert post.box.count("unclear") == 2
    assert post.answer(back[0], "1", References=f"{notice['Message-ID']} {back[0]['Message-ID']}") == [Outcome.TAKEN]


def test_a_reply_from_another_person_changes_nothing_and_shows_nothing(post):
    assert post.answer(post.told(MIA)[0], "1", sender=NOAH) == [Outcome.FOREIGN]
    assert post.logbook() == ()
    (back,) = post.told(NOAH, NoticeKind.ANSWER)
    words = f"{back['Subject']} {read_message(back.as_bytes()).text}".lower()
    assert not any(word in words for word in ("sprayer", "mia", "freez", "yard", "ref:"))


def test_a_foreign_address_with_the_token_changes_nothing(quick):
    assert quick.answer(quick.told(MIA)[0], "1", sender=STRANGER) == [Outcome.FOREIGN]
    assert quick.answer(quick.told(MIA)[0], "2", sender=STRANGER) == [Outcome.FOREIGN]
    assert quick.logbook() == ()
    assert len(quick.told(STRANGER)) == 1


@pytest.mark.parametrize(
    "forged",
    [
        pytest.param(
            {"In_Reply_To": f"<{'0123456789abcdef' * 2}@larch-hollow.example>", "References": None}, id="guess"
        ),
        pytest.param({"In_Reply_To": None, "References": None}, id="no-token"),
        pytest.param({"In_Reply_To": "x", "References": "<day|mia|2026-10-19@larch-hollow.example>"}, id="key"),
    ],
)
def test_a_forged_reply_without_the_token_changes_nothing(quick, forged):
    notice = message_from_bytes(
        b"Subject: x\nFrom: watch@larch-hollow.example\nMessage-ID: <x@y>\n\nRef: AAAA-AAAA-AAAA-AAAA\n"
    )
    assert quick.answer(notice, "1", **forged) == [Outcome.UNTIED]
    assert quick.answer(notice, "1", sender=STRANGER, **forged) == [Outcome.STRANGER]
    assert quick.logbook() == ()
    assert len(quick.told(MIA, NoticeKind.ANSWER)) == 1
    assert quick.told(STRANGER) == []


def test_two_senders_in_one_mail_are_nobody(quick):
    notice = quick.told(MIA)[0]
    raw = reply(notice, "1", at=quick.now + TEN_MINUTES)
    quick.box.deliver(raw.replace(b"From: Somebody", b"From: <someone@elsewhere.example>\nFrom: Somebody", 1))
    quick.box.deliver(raw.replace(b"Somebody <mia", b"someone@elsewhere.example, Somebody <mia", 1))
    assert set(quick.take().outcomes) == {Outcome.AUTOMATIC}
    assert quick.logbook() == ()


def test_ids_of_older_versions_which_anybody_could_work_out_count_for_nothing(quick):
    notice = quick.told(MIA)[0]
    quick.farm.work = replace(quick.farm.work, secret=b"another installation's secret")
    assert quick.answer(notice, "1") == [Outcome.UNTIED]
    assert quick.logbook() == ()


# ---------------------------------------------------------------- old, automatic, twice


def test_an_answer_after_the_night_is_over_changes_nothing(quick):
    notice = quick.told(MIA)[0]
    quick.run(MORNING + timedelta(hours=30))
    assert quick.answer(notice, "1") == [Outcome.OVER]
    assert quick.logbook() == ()
    assert "is over" in read_message(quick.told(MIA, NoticeKind.ANSWER)[0].as_bytes()).text


def test_an_answer_after_the_freeze_began_is_accepted(quick):
    notice = quick.told(MIA)[0]
    quick.run(MORNING + timedelta(hours=21))
    assert quick.answer(notice, "1") == [Outcome.TAKEN]


def test_a_retired_machine_needs_no_answer(quick):
    notice = quick.told(MIA)[0]
    quick.farm.write_roster(FLEET + SECOND)
    quick.run(MORNING + timedelta(hours=1))
    assert quick.answer(notice, "1") == [Outcome.OVER]


@pytest.mark.parametrize(
    "header",
    [
        {"Auto_Submitted": "auto-replied"}, {"Precedence": "bulk"}, {"X_Autoreply": "yes"}, {"Return_Path": "<>"},
        {"X_Auto_Response_Suppress": "All"}, {"List_Id": "<x.example>"},
    ],
    ids=lambda header: next(iter(header)),
)  # fmt: skip
def test_an_automatic_reply_changes_nothing_and_gets_no_word(quick, header):
    assert quick.answer(quick.told(MIA)[0], "1", **header) == [Outcome.AUTOMATIC]
    assert quick.logbook() == ()
    assert quick.told(MIA, NoticeKind.ANSWER) == []


def test_our_own_mail_coming_back_is_no_answer(quick):
    assert quick.answer(quick.told(MIA)[0], "1", sender="watch@larch-hollow.example") == [Outcome.AUTOMATIC]


def test_the_same_mail_fifty_times_is_one_entry(post):
    raw = reply(post.told(MIA)[0], "2", at=post.now)
    for _ in range(50):
        post.box.deliver(raw)
    outcomes = post.take().outcomes
    assert outcomes.count(Outcome.TAKEN) == 1
    assert outcomes.count(Outcome.KNOWN) == 49
    assert len(post.logbook()) == 1
    assert post.box.unread() == 0


def test_a_mail_read_but_not_marked_counts_once(quick):
    raw = reply(quick.told(MIA)[0], "2", at=quick.now)
    assert take_one(quick.farm.work, read_message(raw), now=quick.now + TEN_MINUTES) is Outcome.TAKEN
    assert take_one(quick.farm.work, read_message(raw), now=quick.now + 2 * TEN_MINUTES) is Outcome.KNOWN
    assert len(quick.logbook()) == 1


def test_two_instances_that_read_one_mail_at_once_write_it_once(quick):
    mail = read_message(reply(quick.told(MIA)[0], "2", at=quick.now))
    now = quick.now + TEN_MINUTES
    beside = replace(quick.farm.beside().work, ways=Ways(by_mail=True))
    with ThreadPoolExecutor(2) as pool:
        outcomes = list(pool.map(lambda work: take_one(work, mail, now=now), (quick.farm.work, beside)))
    beside.database.close()
    assert sorted(outcomes) == [Outcome.KNOWN, Outcome.TAKEN]
    assert len(quick.logbook()) == 1


def test_two_phones_that_say_the_same_are_two_lines_and_one_state(quick):
    quick.run(AFTERNOON)
    first, second = quick.told(MIA)[0], quick.told(NOAH)[0]
    assert quick.answer(first, "1") == [Outcome.TAKEN]
    assert quick.answer(second, "1", sender=NOAH) == [Outcome.TAKEN]
    assert quick.state(PROTECT) is DutyState.DONE
    assert {entry.by for entry in quick.logbook()} == {"mia", "noah"}


def test_a_later_answer_that_says_less_takes_the_earlier_one_back(quick):
    notice = quick.told(MIA)[0]
    assert quick.answer(notice, "1") == [Outcome.TAKEN]
    assert quick.state(PROTECT) is DutyState.DONE
    assert quick.answer(notice, "5 wrong machine, cannot") == [Outcome.TAKEN]
    assert any(isinstance(entry.detail, Voided) for entry in quick.logbook())
    assert quick.state(PROTECT) is DutyState.OPEN


# ---------------------------------------------------------------- clocks


@pytest.mark.parametrize("off", [timedelta(days=-9), timedelta(days=4)], ids=["days behind", "days ahead"])
def test_a_phone_with_a_wrong_clock_counts_from_receipt(quick, off):
    notice = quick.told(MIA)[0]
    assert quick.answer(notice, "1", Date=format_datetime(quick.now + off)) == [Outcome.TAKEN]
    (entry,) = quick.logbook()
    assert entry.happened_at == entry.recorded_at == quick.now


def test_without_a_date_that_can_be_right_a_use_since_then_makes_it_unclear(quick):
    notice = quick.told(MIA)[0]
    with quick.farm.database.transaction() as tx:
        entries.add(tx, sprayed(at=MORNING + timedelta(hours=1)))
    quick.now += timedelta(hours=2)
    assert quick.answer(notice, "2", Date=None) == [Outcome.UNCLEAR]
    assert "used since" in read_message(quick.told(MIA, NoticeKind.ANSWER)[0].as_bytes()).text


# ---------------------------------------------------------------- bounces


def bounce(notice: Message, recipient: str, *, status: str = "5.1.1", action: str = "failed") -> bytes:
    """A report as RFC 3464 has it (its example of section 9.1, with our names)."""
    return (
        "Return-Path: <>\nFrom: Mail Delivery Subsystem <MAILER-DAEMON@mail.example>\nTo: watch@larch-hollow.example\n"
        f"Subject: Returned mail\nMessage-ID: <{status}{action}@mail.example>\nMIME-Version: 1.0\n"
        'Content-Type: multipart/report; report-type=delivery-status; boundary="b"\n\n'
        "--b\n\nYour message could not be delivered.\n\n--b\nContent-Type: message/delivery-status\n\n"
        "Reporting-MTA: dns; mail.example\n\n"
        f"Original-Recipient: rfc822;{recipient}\nFinal-Recipient: rfc822;{recipient}\nAction: {action}\n"
        f"Status: {status}\nDiagnostic-Code: smtp; 550 user unknown\n\n"
        f"--b\nContent-Type: message/rfc822\n\nMessage-ID: {notice['Message-ID']}\nSubject: x\n\ntext\n--b--\n"
    ).encode()


def test_a_notice_that_comes_back_marks_the_address_as_refused(post):
    post.box.deliver(bounce(post.told(MIA)[0], MIA))
    assert post.take().outcomes == (Outcome.BOUNCED,)
    with post.farm.database.reading() as rx:
        assert outbox.lines(rx, since=MORNING)[-1].state is NoticeState.REFUSED
    gathered = gather(post.farm.work, now=post.now)
    assert gathered is not None
    assert next(notice.is_refused for notice in gathered.told.sent if notice.person == "mia")


@pytest.mark.parametrize(
    ("recipient", "more"),
    [(NOAH, {}), (MIA, {"status": "4.2.2", "action": "delayed"}), (MIA, {"status": "2.0.0", "action": "delivered"})],
    ids=["another address", "only late", "delivered"],
)
def test_other_reports_change_nothing(quick, recipient, more):
    quick.box.deliver(bounce(quick.told(MIA)[0], recipient, **more))
    quick.take()
    with quick.farm.database.reading() as rx:
        assert outbox.counts(rx, since=datetime(2000, 1, 1, tzinfo=UTC)).refused == 0


# ---------------------------------------------------------------- a mailbox in trouble


def test_a_mailbox_in_trouble_is_told_in_health_and_left_alone_for_a_while(quick):
    notice = quick.told(MIA)[0]
    quick.box.faults["UID SEARCH"] = "TAG NO later"
    assert "cannot be used right now" in quick.take().trouble
    asked = len(quick.box.commands)
    assert quick.take(later=timedelta(seconds=1)).trouble
    assert len(quick.box.commands) == asked
    health = health_of(quick.farm.work, now=quick.now, tick_every=timedelta(minutes=5))
    assert any(reason.startswith("Answers by mail: ") for reason in health["reasons"])
    quick.box.faults.clear()
    quick.now += timedelta(minutes=10)
    assert quick.answer(notice, "1") == [Outcome.TAKEN]
    health = health_of(quick.farm.work, now=quick.now, tick_every=timedelta(minutes=5))
    assert not any("Answers by mail" in reason for reason in health["reasons"])


def test_a_line_that_breaks_before_marking_loses_and_doubles_nothing(quick):
    quick.box.deliver(reply(quick.told(MIA)[0], "2", at=quick.now))
    quick.box.faults["UID STORE"] = ""
    assert quick.take().trouble
    assert quick.box.unread() == 1
    quick.box.faults.clear()
    assert quick.take(later=timedelta(minutes=6)).outcomes == (Outcome.KNOWN,)
    assert len(quick.logbook()) == 1
