"""Real mail servers on the loopback for tests: aiosmtpd with set answers, and a bare socket that misbehaves."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword

USER, PASSWORD = "watch", "a good long password"


@dataclass
class Mailbox:
    """What arrived, and what to answer. Keys of `answers` are MAIL, DATA or a recipient; "" drops the line."""

    arrived: list[Envelope] = field(default_factory=list)
    answers: dict[str, str] = field(default_factory=dict)

    async def handle_MAIL(self, server: Any, session: Any, envelope: Envelope, address: str, options: list[str]) -> str:
        if answer := self.answers.get("MAIL"):
            return answer
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(self, server: Any, session: Any, envelope: Envelope, address: str, options: list[str]) -> str:
        if answer := self.answers.get(address):
            return answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Envelope) -> str:
        answer = self.answers.get("DATA", "250 OK")
        if answer.startswith("2"):
            self.arrived.append(envelope)
        return answer


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(
    mailbox: Mailbox,
    *,
    port: int | None = None,
    starttls: ssl.SSLContext | None = None,
    tls: ssl.SSLContext | None = None,
    login: bool = False,
) -> Iterator[int]:
    """Run a server for the mailbox; gives its port."""
    options: dict[str, Any] = {}
    if login:
        options = {"authenticator": _check_login, "auth_required": True, "auth_require_tls": starttls is not None}
    controller = Controller(
        mailbox,
        hostname="127.0.0.1",
        port=port or free_port(),
        server_hostname="mail.farm.example",
        ssl_context=tls,
        tls_context=starttls,
        require_starttls=starttls is not None,
        **options,
    )
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


def _check_login(server: Any, session: Any, envelope: Any, mechanism: str, data: LoginPassword) -> AuthResult:
    is_right = data.login == USER.encode() and data.password == PASSWORD.encode()
    return AuthResult(success=is_right, handled=False)  # not handled: aiosmtpd answers 235 or 535 itself


@contextmanager
def bare(talk: Callable[[socket.socket, threading.Event], None]) -> Iterator[int]:
    """Run a listener that does with each line what `talk` does, until the event is set; gives its port."""
    is_over = threading.Event()
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(0.05)

    def serve() -> None:
        while not is_over.is_set():
            try:
                line, _ = listener.accept()
            except TimeoutError:
                continue
            with line:
                line.settimeout(10)
                try:
                    talk(line, is_over)
                except OSError:
                    continue  # the client hung up, which is what most of these tests are about

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield int(listener.getsockname()[1])
    finally:
        is_over.set()
        thread.join(10)
        listener.close()


def drip(line: socket.socket, is_over: threading.Event, text: bytes, *, every_s: float = 0.05) -> None:
    """Send one byte now and then."""
    for byte in text:
        if is_over.wait(every_s):
            return
        line.sendall(bytes([byte]))


def converse(line: socket.socket, *, until: bytes, answers: dict[bytes, bytes]) -> None:
    """Play a server with fixed answers by command until a line starts with `until`."""
    line.sendall(b"220 mail.farm.example\r\n")
    with line.makefile("rb") as lines:
        for command in lines:
            if command.upper().startswith(until):
                return
            verb = command[:4].upper()
            line.sendall(answers.get(verb, b"250 OK\r\n"))
