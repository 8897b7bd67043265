"""A mailbox by IMAP: unread mails come once, stay unread until settled, and no server can hold or fill the reader."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator

import pytest
import trustme

from carewatch.channels.connection import Security
from carewatch.channels.inbox import MOST_BYTES, Fate, ImapInbox
from carewatch.channels.port import ChannelDown, ChannelStopped
from tests.channels.imapserver import DOVECOT, Dovecot, Mailbox, OwnMailbox, dovecot, own_server
from tests.channels.mailserver import bare, drip, free_port

NEEDS_DOVECOT = pytest.mark.skipif(DOVECOT is None, reason="dovecot-imapd is not installed")


@pytest.fixture(scope="module")
def real_server() -> Iterator[Dovecot]:
    with dovecot() as server:
        yield server


@pytest.fixture(params=["own server", pytest.param("dovecot", marks=NEEDS_DOVECOT)])
def box(request: pytest.FixtureRequest) -> Iterator[Mailbox]:
    if request.param == "dovecot":
        yield request.getfixturevalue("real_server").mailbox()
        return
    with own_server() as mailbox:
        yield mailbox


@pytest.fixture
def own() -> Iterator[OwnMailbox]:
    with own_server() as mailbox:
        yield mailbox


def inbox_at(port: int, **options: object) -> ImapInbox:
    values = {"username": "watch", "password": "x", "security": Security.NONE, "total_deadline_s": 5}
    return ImapInbox(host="127.0.0.1", port=port, **(values | options))  # type: ignore[arg-type]


def inbox_of(box: Mailbox, **options: object) -> ImapInbox:
    return inbox_at(box.port, **({"username": box.user, "password": box.password} | options))


# ---------------------------------------------------------------- every server


def test_unread_mails_come_oldest_first_and_stay_unread_until_settled(box: Mailbox) -> None:
    for number in range(3):
        box.deliver(f"Subject: {number}\r\n\r\nwords\r\n".encode())
    with inbox_of(box).visit() as visit:
        uids = visit.unread(10)
        assert [visit.read(uid).splitlines()[0] for uid in uids] == [b"Subject: 0", b"Subject: 1", b"Subject: 2"]
        assert box.unread() == 3
        visit.settle(uids[0], Fate.TAKEN)
    assert (box.unread(), box.count()) == (2, 3)
    with inbox_of(box).visit() as visit:
        assert visit.unread(10) == uids[1:]
        assert visit.unread(1) == uids[1:2]


def test_settled_mails_go_into_the_folder_of_their_fate(box: Mailbox) -> None:
    for number in range(3):
        box.deliver(f"Subject: {number}\r\n\r\nwords\r\n".encode())
    with inbox_of(box, done_folder="done", unclear_folder="unclear").visit() as visit:
        for uid, fate in zip(visit.unread(3), Fate, strict=True):
            visit.settle(uid, fate)
    assert (box.unread(), box.count(), box.count("done"), box.count("unclear")) == (0, 1, 1, 1)


def test_a_folder_that_is_not_there_is_told_after_all_mails_were_read(box: Mailbox) -> None:
    for number in range(3):
        box.deliver(f"Subject: {number}\r\n\r\nwords\r\n".encode())

    def read_all() -> None:
        with inbox_of(box, done_folder="nowhere").visit() as visit:
            for uid in visit.unread(3):
                visit.settle(uid, Fate.TAKEN)

    with pytest.raises(ChannelDown, match="refuses to move messages to 'nowhere'"):
        read_all()
    assert (box.unread(), box.count()) == (0, 3)


def test_only_the_beginning_of_a_mail_is_read(box: Mailbox) -> None:
    box.deliver(b"Subject: big\r\n\r\n" + b"x" * 70 * 3 + (b"y" * 76 + b"\r\n") * 20_000)
    with inbox_of(box).visit() as visit:
        assert len(visit.read(visit.unread(1)[0])) == MOST_BYTES


def test_a_mail_that_is_gone_reads_as_nothing(box: Mailbox) -> None:
    with inbox_of(box).visit() as visit:
        assert visit.unread(5) == ()
        assert visit.read("4711") == b""


def test_a_wrong_password_stops_until_somebody_acts(box: Mailbox) -> None:
    with pytest.raises(ChannelStopped, match="refuses the login"), inbox_of(box, password="wrong").visit():
        pass


def test_a_missing_folder_is_named(box: Mailbox) -> None:
    with pytest.raises(ChannelStopped, match="'Replies, all'"), inbox_of(box, folder="Replies, all").visit():
        pass


def test_no_secret_shows_in_words_or_repr(box: Mailbox) -> None:
    with pytest.raises(ChannelStopped) as trouble, inbox_of(box, password="hush-77").visit():
        pass
    assert "hush-77" not in f"{trouble.value} {trouble.value.__cause__!r} {inbox_of(box, password='hush-77')!r}"


# ---------------------------------------------------------------- our own server, told to misbehave


def test_plain_login_where_nothing_else_is_offered() -> None:
    with own_server(capabilities="IMAP4rev1") as own:
        own.deliver(b"Subject: a\r\n\r\n")
        with inbox_of(own, done_folder="done").visit() as visit:
            visit.settle(visit.unread(1)[0], Fate.TAKEN)
        assert any(command.startswith("LOGIN") for command in own.commands)
        assert (own.unread(), own.count("done")) == (0, 0)  # without MOVE it stays, as read


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


def test_starttls_encrypts_before_the_login(authority: trustme.CA) -> None:
    served = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("127.0.0.1").configure_cert(served)
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    with own_server(tls=served) as own:
        with inbox_of(own, security=Security.STARTTLS, tls=trusting).visit() as visit:
            assert visit.unread(1) == ()
        words = [command.split(" ")[0] for command in own.commands]
        assert words.index("STARTTLS") < words.index("AUTHENTICATE")
        with (
            pytest.raises(ChannelDown, match="certificate is not trusted"),
            inbox_of(own, security=Security.STARTTLS).visit(),
        ):
            pass


def test_a_folder_that_may_only_be_read_is_trouble_somebody_must_see(own: OwnMailbox) -> None:
    own.faults["SELECT"] = "* 1 EXISTS\r\n* OK [READ-ONLY] look\r\nTAG OK [READ-ONLY] open"
    with pytest.raises(ChannelStopped, match="only be read"), inbox_of(own).visit():
        pass


def test_a_password_beyond_ascii_goes_where_the_server_takes_it() -> None:
    with own_server(capabilities="IMAP4rev1") as own:
        with pytest.raises(ChannelStopped, match="ASCII"), inbox_of(own, password="grün").visit():
            pass
        own.capabilities, own.password = "IMAP4rev1 AUTH=PLAIN", "grün"
        with pytest.raises(ChannelStopped, match="refuses the login"), inbox_of(own).visit():
            pass


def test_without_starttls_no_password_leaves_us(own: OwnMailbox) -> None:
    with pytest.raises(ChannelStopped, match="no STARTTLS"), inbox_of(own, security=Security.STARTTLS).visit():
        pass
    assert not any(command.startswith(("LOGIN", "AUTHENTICATE")) for command in own.commands)


@pytest.mark.parametrize("command", ["CAPABILITY", "AUTHENTICATE", "SELECT", "UID SEARCH", "UID FETCH", "UID STORE"])
@pytest.mark.parametrize(
    "fault", ["", "TAG BAD what", "* BYE going down", "garbage", "* SEARCH 1 x 99999999999 2\r\nTAG OK"]
)
def test_a_server_that_breaks_off_or_talks_nonsense_is_trouble_and_nothing_else(
    own: OwnMailbox, command: str, fault: str
) -> None:
    own.deliver(b"Subject: a\r\n\r\n")
    own.faults[command] = fault
    try:
        with inbox_of(own, total_deadline_s=1, step_timeout_s=0.3).visit() as visit:
            for uid in visit.unread(5):
                visit.read(uid)
                visit.settle(uid, Fate.TAKEN)
    except (ChannelDown, ChannelStopped):
        return  # any other error of the library would have come through here


Talk = Callable[[socket.socket, threading.Event], None]


def huge_literal(line: socket.socket, is_over: threading.Event) -> None:
    line.sendall(b"* OK [CAPABILITY IMAP4rev1] hi\r\n")
    line.recv(1000)
    line.sendall(b"* 1 FETCH (BODY[] {4000000000}\r\n")
    is_over.wait(8)


def endless_lines(line: socket.socket, is_over: threading.Event) -> None:
    line.sendall(b"* OK hi\r\n")
    line.recv(1000)
    while not is_over.is_set():
        line.sendall(b"* OK and so on\r\n" * 4000)


def one_endless_line(line: socket.socket, is_over: threading.Event) -> None:
    while not is_over.is_set():
        line.sendall(b"x" * 65536)


def slow_drip(line: socket.socket, is_over: threading.Event) -> None:
    drip(line, is_over, b"* OK " + b"." * 10_000)


def not_imap(line: socket.socket, is_over: threading.Event) -> None:
    line.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
    is_over.wait(8)


@pytest.mark.parametrize("talk", [huge_literal, endless_lines, one_endless_line, slow_drip, not_imap])
def test_no_server_can_hold_or_fill_the_reader(talk: Talk) -> None:
    started = time.monotonic()
    with (
        bare(talk) as port,
        pytest.raises(ChannelDown),
        inbox_at(port, total_deadline_s=1, step_timeout_s=0.5).visit(),
    ):
        pass
    assert time.monotonic() - started < 5


def test_nobody_there_is_trouble_that_passes() -> None:
    with pytest.raises(ChannelDown, match="refused"), inbox_at(free_port()).visit():
        pass
