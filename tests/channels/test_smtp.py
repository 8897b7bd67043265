"""Every answer of a mail server falls into its class, and no server can hold a sender longer than the deadline."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator

import pytest
import trustme

from carewatch.channels.connection import Security
from carewatch.channels.port import (
    Ambiguous,
    ChannelDown,
    ChannelStopped,
    ChannelTrouble,
    PermanentRefusal,
    TemporaryRefusal,
)
from carewatch.channels.smtp import SmtpChannel
from tests.channels.mailserver import PASSWORD, USER, Mailbox, bare, converse, drip, free_port, running

RAW = b"Subject: test\r\nMessage-ID: <a@farm.example>\r\n\r\n.leading dot\r\nend\r\n"
SENDER, MANAGER, OPERATOR = "watch@farm.example", "manager@farm.example", "operator@farm.example"


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture(scope="module")
def server_tls(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert("localhost", "127.0.0.1").configure_cert(context)
    return context


@pytest.fixture(scope="module")
def trusting(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


@pytest.fixture
def mailbox() -> Mailbox:
    return Mailbox()


@pytest.fixture
def port(mailbox: Mailbox) -> Iterator[int]:
    with running(mailbox) as port:
        yield port


def plain(port: int, **options: object) -> SmtpChannel:
    return SmtpChannel(host="127.0.0.1", port=port, security=Security.NONE, **options)  # type: ignore[arg-type]


def send(channel: SmtpChannel, recipient: str = MANAGER) -> None:
    channel.send(RAW, sender=SENDER, recipient=recipient)


# ---------------------------------------------------------------- ways in


def test_the_bytes_arrive_unchanged(mailbox: Mailbox, port: int) -> None:
    send(plain(port))
    (envelope,) = mailbox.arrived
    assert (envelope.mail_from, envelope.rcpt_tos, envelope.content) == (SENDER, [MANAGER], RAW)


@pytest.mark.parametrize("login", [False, True], ids=["open", "login"])
def test_starttls(mailbox: Mailbox, server_tls: ssl.SSLContext, trusting: ssl.SSLContext, login: bool) -> None:
    with running(mailbox, starttls=server_tls, login=login) as port:
        send(
            SmtpChannel(
                host="127.0.0.1",
                port=port,
                security=Security.STARTTLS,
                username=USER if login else None,
                password=PASSWORD,
                tls=trusting,
            )
        )
    assert [envelope.content for envelope in mailbox.arrived] == [RAW]


def test_tls_from_the_first_byte(mailbox: Mailbox, server_tls: ssl.SSLContext, trusting: ssl.SSLContext) -> None:
    with running(mailbox, tls=server_tls) as port:
        send(SmtpChannel(host="127.0.0.1", port=port, security=Security.TLS, tls=trusting))
    assert [envelope.content for envelope in mailbox.arrived] == [RAW]


@pytest.mark.parametrize("security", [Security.STARTTLS, Security.TLS])
def test_a_certificate_nobody_vouches_for_gets_no_mail(
    mailbox: Mailbox, server_tls: ssl.SSLContext, security: Security
) -> None:
    contexts = {"starttls": server_tls} if security is Security.STARTTLS else {"tls": server_tls}
    with running(mailbox, **contexts) as port, pytest.raises(ChannelDown, match="not trusted"):
        send(SmtpChannel(host="127.0.0.1", port=port, security=security))
    assert mailbox.arrived == []


def test_a_server_without_starttls_gets_no_mail(mailbox: Mailbox, port: int) -> None:
    with pytest.raises(ChannelStopped, match="STARTTLS"):
        send(SmtpChannel(host="127.0.0.1", port=port, security=Security.STARTTLS))
    assert mailbox.arrived == []


def test_a_wrong_password_stops_the_channel_and_is_told_nobody(
    mailbox: Mailbox, server_tls: ssl.SSLContext, trusting: ssl.SSLContext
) -> None:
    wrong = SmtpChannel(
        host="127.0.0.1", port=0, security=Security.STARTTLS, username=USER, password="hunter2", tls=trusting
    )
    assert "hunter2" not in repr(wrong)
    with running(mailbox, starttls=server_tls, login=True) as port, pytest.raises(ChannelStopped) as stopped:
        send(
            SmtpChannel(
                host="127.0.0.1",
                port=port,
                security=Security.STARTTLS,
                username=USER,
                password="hunter2",
                tls=trusting,
            )
        )
    assert "535" in str(stopped.value)
    assert "hunter2" not in str(stopped.value)


# RFC 4954, 4 and 6: 454 is a temporary failure of the login, 534 and 535 are for good.
@pytest.mark.parametrize(
    ("offer", "answer", "trouble"),
    [
        ("PLAIN LOGIN", b"454 temporary failure\r\n", ChannelDown),
        ("PLAIN", b"421 closing\r\n", ChannelDown),
        ("PLAIN", b"", ChannelDown),
        ("PLAIN", b"534 too weak\r\n", ChannelStopped),
        ("GSSAPI", b"", ChannelStopped),
    ],
)
def test_each_answer_to_the_login_has_its_class(offer: str, answer: bytes, trouble: type[ChannelTrouble]) -> None:
    greeting = f"250-mail.farm.example\r\n250 AUTH {offer}\r\n".encode()
    until = b"QUIT" if answer else b"AUTH"

    def talk(line: socket.socket, _: threading.Event) -> None:
        converse(line, until=until, answers={b"EHLO": greeting, b"AUTH": answer})

    with bare(talk) as port, pytest.raises(ChannelTrouble) as raised:
        send(plain(port, username=USER, password=PASSWORD))
    assert type(raised.value) is trouble


def test_a_server_that_will_not_take_data_now_is_tried_later() -> None:
    def talk(line: socket.socket, _: threading.Event) -> None:
        converse(line, until=b"QUIT", answers={b"DATA": b"250 what?\r\n"})

    with bare(talk) as port, pytest.raises(ChannelDown):
        send(plain(port))


def test_a_password_the_protocol_cannot_carry_is_named(
    mailbox: Mailbox, server_tls: ssl.SSLContext, trusting: ssl.SSLContext
) -> None:
    with running(mailbox, starttls=server_tls, login=True) as port, pytest.raises(ChannelStopped, match="ASCII"):
        send(
            SmtpChannel(
                host="127.0.0.1", port=port, security=Security.STARTTLS, username=USER, password="pä", tls=trusting
            )
        )


def test_a_server_that_wants_a_login_we_do_not_have_stops_the_channel(
    mailbox: Mailbox, server_tls: ssl.SSLContext, trusting: ssl.SSLContext
) -> None:
    with running(mailbox, starttls=server_tls, login=True) as port, pytest.raises(ChannelStopped, match="530"):
        send(SmtpChannel(host="127.0.0.1", port=port, security=Security.STARTTLS, tls=trusting))


def test_a_server_without_login_stops_a_channel_that_has_one(port: int) -> None:
    with pytest.raises(ChannelStopped, match="no login"):
        send(plain(port, username=USER, password=PASSWORD))


# ---------------------------------------------------------------- answers and their classes

# Reply codes: RFC 5321, 4.2.2 and 4.2.3; 552 to MAIL: RFC 1870, 6.1.
ANSWERS: list[tuple[str, str, type[ChannelTrouble]]] = [
    (MANAGER, "450 mailbox busy", TemporaryRefusal),
    (MANAGER, "451 local error", TemporaryRefusal),
    (MANAGER, "452 full", TemporaryRefusal),
    (MANAGER, "550 no such user", PermanentRefusal),
    (MANAGER, "553 not allowed", PermanentRefusal),
    (MANAGER, "530 login first", ChannelStopped),
    (MANAGER, "421 closing", ChannelDown),
    ("DATA", "451 try later", TemporaryRefusal),
    ("DATA", "452 no space", TemporaryRefusal),
    ("DATA", "554 spam", PermanentRefusal),
    ("DATA", "421 closing", ChannelDown),
    ("MAIL", "550 sender not allowed", ChannelStopped),
    ("MAIL", "530 login first", ChannelStopped),
    ("MAIL", "451 later", ChannelDown),
    ("MAIL", "552 too big", PermanentRefusal),
]


@pytest.mark.parametrize(("where", "answer", "trouble"), ANSWERS, ids=[f"{w}-{a}" for w, a, _ in ANSWERS])
def test_each_answer_has_its_class(
    mailbox: Mailbox, port: int, where: str, answer: str, trouble: type[ChannelTrouble]
) -> None:
    mailbox.answers[where] = answer
    with pytest.raises(ChannelTrouble, match=answer[:3]) as raised:
        send(plain(port))
    assert type(raised.value) is trouble
    assert mailbox.arrived == []


def test_one_refused_recipient_harms_no_other(mailbox: Mailbox, port: int) -> None:
    mailbox.answers[MANAGER] = "550 no such user"
    with pytest.raises(PermanentRefusal):
        send(plain(port))
    send(plain(port), OPERATOR)
    assert [envelope.rcpt_tos for envelope in mailbox.arrived] == [[OPERATOR]]


@pytest.mark.parametrize("recipient", ["", "nobody", "a@b.c\r\nRCPT TO:<x@y.z>", "ä@farm.example", "a@b.c> <x@y.z"])
def test_a_recipient_that_is_no_address_never_reaches_the_server(mailbox: Mailbox, port: int, recipient: str) -> None:
    with pytest.raises(PermanentRefusal):
        send(plain(port), recipient)
    assert mailbox.arrived == []


def test_nobody_listening_is_down() -> None:
    with pytest.raises(ChannelDown, match="refused"):
        send(plain(free_port()))


def test_a_name_nobody_knows_is_down(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object, **__: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    with pytest.raises(ChannelDown, match="name is not known"):
        send(plain(25))


@pytest.mark.parametrize(
    "greeting", [b"554 go away\r\n", b"421 busy\r\n", b"\r\n", b"HTTP/1.1 400 Bad Request\r\n", b""]
)
def test_a_greeting_that_is_none_is_down(greeting: bytes) -> None:
    with bare(lambda line, _: line.sendall(greeting)) as port, pytest.raises(ChannelDown):
        send(plain(port))


# ---------------------------------------------------------------- broken and slow lines


def test_a_line_that_breaks_before_the_message_is_down() -> None:
    with bare(lambda line, _: converse(line, until=b"RCPT", answers={})) as port, pytest.raises(ChannelDown):
        send(plain(port))


@pytest.mark.parametrize("last_words", [b"", b"not smtp\r\n"], ids=["silent", "garbage"])
def test_a_line_that_breaks_after_the_message_is_ambiguous(last_words: bytes) -> None:
    def talk(line: socket.socket, _: threading.Event) -> None:
        converse(line, until=b".\r\n", answers={b"DATA": b"354 go on\r\n"} | dict.fromkeys(_BODY_LINES, b""))
        line.sendall(last_words)

    with bare(talk) as port, pytest.raises(Ambiguous):
        send(plain(port))


_BODY_LINES = (b"SUBJ", b"MESS", b"\r\n", b"..LE", b"END\r")


def test_a_line_that_breaks_after_the_confirmation_changes_nothing() -> None:
    answers = {b"DATA": b"354 go on\r\n", b".\r\n": b"250 taken\r\n"} | dict.fromkeys(_BODY_LINES, b"")
    with bare(lambda line, _: converse(line, until=b"QUIT", answers=answers)) as port:
        send(plain(port))


def drip_greeting(line: socket.socket, is_over: threading.Event) -> None:
    drip(line, is_over, b"220 " + b"x" * 400)


def drip_lines_of_ehlo(line: socket.socket, is_over: threading.Event) -> None:
    line.sendall(b"220 mail.farm.example\r\n")
    while not is_over.wait(0.05):
        line.sendall(b"250-STILL-MORE\r\n")


def drip_last_answer(line: socket.socket, is_over: threading.Event) -> None:
    take_the_message(line)
    drip(line, is_over, b"250 " + b"x" * 400)


def take_the_message(line: socket.socket) -> None:
    converse(line, until=b".\r\n", answers={b"DATA": b"354 go on\r\n"} | dict.fromkeys(_BODY_LINES, b""))


def drip_handshake(line: socket.socket, is_over: threading.Event) -> None:
    # a TLS record that announces 16 kB of handshake (RFC 8446, 5.1) and never gets there
    drip(line, is_over, b"\x16\x03\x03\x40\x00\x02\x00\x3f\xfc" + b"\0" * 400)


def drip_handshake_after_starttls(line: socket.socket, is_over: threading.Event) -> None:
    converse(line, until=b"STARTTLS", answers={b"EHLO": b"250-mail.farm.example\r\n250 STARTTLS\r\n"})
    line.sendall(b"220 go on\r\n")
    drip_handshake(line, is_over)


SLOW: list[tuple[Callable[[socket.socket, threading.Event], None], Security, type[ChannelTrouble]]] = [
    (drip_greeting, Security.NONE, ChannelDown),
    (drip_lines_of_ehlo, Security.NONE, ChannelDown),
    (drip_handshake, Security.TLS, ChannelDown),
    (drip_handshake_after_starttls, Security.STARTTLS, ChannelDown),
    (drip_last_answer, Security.NONE, Ambiguous),
]


@pytest.mark.parametrize(("talk", "security", "trouble"), SLOW, ids=[talk.__name__ for talk, _, _ in SLOW])
def test_a_dripping_server_cannot_hold_us_past_the_deadline(
    talk: Callable[[socket.socket, threading.Event], None], security: Security, trouble: type[ChannelTrouble]
) -> None:
    deadline_s = 0.5
    with bare(talk) as port:
        channel = SmtpChannel(
            host="127.0.0.1", port=port, security=security, total_deadline_s=deadline_s, step_timeout_s=30
        )
        started = time.monotonic()
        with pytest.raises(trouble, match="too long"):
            send(channel)
        taken_s = time.monotonic() - started
    # Dripping would go on for 20 s; the upper bound leaves room for a busy machine only.
    assert deadline_s <= taken_s < 10 * deadline_s


def flood(line: socket.socket, code: bytes) -> None:
    while True:
        line.sendall((code + b"-" + b"x" * 1000 + b"\r\n") * 60)


def flood_greeting(line: socket.socket, is_over: threading.Event) -> None:
    flood(line, b"220")


def flood_answer_to_ehlo(line: socket.socket, is_over: threading.Event) -> None:
    converse(line, until=b"EHLO", answers={})
    flood(line, b"250")


def flood_last_answer(line: socket.socket, is_over: threading.Event) -> None:
    take_the_message(line)
    flood(line, b"250")


@pytest.mark.parametrize(
    ("talk", "trouble"),
    [(flood_greeting, ChannelDown), (flood_answer_to_ehlo, ChannelDown), (flood_last_answer, Ambiguous)],
)
def test_a_server_that_never_stops_talking_is_hung_up_on(
    talk: Callable[[socket.socket, threading.Event], None], trouble: type[ChannelTrouble]
) -> None:
    with bare(talk) as port, pytest.raises(trouble, match="sends too much"):
        send(plain(port, total_deadline_s=30))


@pytest.mark.parametrize("host", ["smtp..farm.example", f"{'x' * 70}.farm.example"])
def test_a_host_that_is_no_name_is_trouble_of_the_channel(host: str) -> None:
    with pytest.raises(ChannelDown):
        send(SmtpChannel(host=host, port=25, security=Security.NONE))


def test_a_name_with_many_dead_addresses_gets_no_more_time_than_one(monkeypatch: pytest.MonkeyPatch) -> None:
    dead = [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (f"192.0.2.{last}", 25)) for last in range(1, 200)]
    tried = []

    def connect(address: tuple[str, int], timeout: float | None) -> socket.socket:
        tried.append(address)
        time.sleep(0.05)
        raise TimeoutError

    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: dead)
    monkeypatch.setattr(socket, "create_connection", connect)
    with pytest.raises(ChannelDown, match="too long"):
        send(SmtpChannel(host="mail.farm.example", port=25, security=Security.NONE, total_deadline_s=0.2))
    assert 1 < len(tried) < len(dead)


def test_a_silent_server_is_left_after_the_step_timeout() -> None:
    with bare(lambda line, is_over: is_over.wait(10) and None) as port, pytest.raises(ChannelDown):
        send(plain(port, step_timeout_s=0.2))
