"""Mail by SMTP: one recipient per message, one deadline for all of it, every answer put into its class.

4xx, a broken line, a timeout, DNS, TLS: later. 5xx to the recipient or the message: never for this person. 5xx to the
login or the sender: nobody, until the settings change. A line that breaks after the message went over: not known.
"""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BufferedReader

from carewatch.channels.connection import STEP_TIMEOUT_S, TOTAL_DEADLINE_S, Security, in_words, open_line
from carewatch.channels.deadline import Deadline
from carewatch.channels.message import checked_address
from carewatch.channels.port import Ambiguous, ChannelDown, ChannelStopped, PermanentRefusal, TemporaryRefusal
from carewatch.errors import BadInput

SERVICE_CLOSING = 421
LOGIN_NEEDED = (530, 534, 535, 538)
"""RFC 4954, 6: login required, mechanism too weak, wrong credentials, encryption required."""
MESSAGE_TOO_BIG = 552
"""RFC 1870, 6.1: said to MAIL when the announced size is over the limit."""


MOST_BYTES = 65_536
"""Of all answers in one conversation; chosen: a hundred times what a server has to say."""

LONGEST_QUOTE = 200
"""Characters of a server's reply that are kept; chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmtpChannel:
    """One mail server. Without `username` no login; `tls` None: the system's certificates."""

    host: str
    port: int
    security: Security
    username: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    total_deadline_s: float = TOTAL_DEADLINE_S
    step_timeout_s: float = STEP_TIMEOUT_S

    def __repr__(self) -> str:
        return f"SmtpChannel(host={self.host!r}, port={self.port}, security={self.security.value!r})"

    def send(self, raw: bytes, *, sender: str, recipient: str) -> None:
        """Hand one message over, or raise the trouble that fits."""
        try:
            checked_address(recipient)
        except BadInput as error:
            raise PermanentRefusal(str(error)) from error
        with Deadline(self.total_deadline_s) as deadline, contextlib.ExitStack() as cleanup:
            with self._broken_line_means_down(deadline):
                server = self._connect(deadline, ehlo_name=sender.rpartition("@")[2])
                cleanup.callback(server.close)
                self._encrypt(server)
                self._log_in(server)
                self._announce(server, sender=sender, recipient=recipient, size=len(raw))
            self._hand_over(server, deadline, raw)
            with contextlib.suppress(smtplib.SMTPException, OSError):
                server.quit()  # it is theirs already; how we part changes nothing

    def _connect(self, deadline: Deadline, *, ehlo_name: str) -> _WatchedSmtp:
        return _WatchedSmtp(
            self.host,
            self.port,
            ehlo_name=ehlo_name,
            timeout_s=min(self.step_timeout_s, self.total_deadline_s),
            deadline=deadline,
            tls=self._context() if self.security is Security.TLS else None,
        )

    def _encrypt(self, server: _WatchedSmtp) -> None:
        if self.security is not Security.STARTTLS:
            return
        try:
            server.starttls(context=self._context())
        except smtplib.SMTPNotSupportedError as error:
            raise ChannelStopped(
                f"{self._name} offers no STARTTLS. Check port and security of the mail server."
            ) from error

    def _log_in(self, server: _WatchedSmtp) -> None:
        if self.username is None:
            return
        try:
            server.login(self.username, self.password or "")
        except smtplib.SMTPResponseException as error:
            if not _is_for_good(error.smtp_code):
                raise
            said = _quoted(error.smtp_code, error.smtp_error)
            raise ChannelStopped(f"{self._name} refuses the login: {said}. Check user name and password.") from error
        except UnicodeEncodeError as error:
            raise ChannelStopped("The mail login has letters beyond ASCII; choose a password without them.") from error
        except smtplib.SMTPServerDisconnected:
            raise
        except smtplib.SMTPException as error:
            raise ChannelStopped(f"{self._name} offers no login we can use: {error}") from error

    def _announce(self, server: _WatchedSmtp, *, sender: str, recipient: str, size: int) -> None:
        server.ehlo_or_helo_if_needed()
        code, reply = server.mail(sender, [f"size={size}"] if server.has_extn("size") else [])
        if code == MESSAGE_TOO_BIG:
            raise PermanentRefusal(f"{self._name} takes no message of this size: {_quoted(code, reply)}.")
        if _is_for_good(code):
            raise ChannelStopped(f"{self._name} refuses our sender address: {_quoted(code, reply)}.")
        if not _is_good(code):
            raise ChannelDown(f"{self._name} takes no mail from us right now: {_quoted(code, reply)}.")
        self._judge(*server.rcpt(recipient))

    def _hand_over(self, server: _WatchedSmtp, deadline: Deadline, raw: bytes) -> None:
        try:
            code, reply = server.data(raw)
        except smtplib.SMTPDataError as error:  # no 354: nothing was handed over yet
            self._judge(error.smtp_code, error.smtp_error)
            raise ChannelDown(f"{self._name} will not take a message now.") from error
        except OSError as error:  # smtplib's own errors are OSErrors too
            why = _in_words(error, deadline)
            raise Ambiguous(f"{self._name} hung up before it confirmed the message: {why}.") from error
        # smtplib takes the beginning of a line that was cut off for the whole line
        if code < 0 or deadline.is_over:
            raise Ambiguous(f"{self._name} did not confirm the message: {_cut_off(deadline)}.")
        self._judge(code, reply)

    def _judge(self, code: int, reply: bytes | str) -> None:
        if _is_good(code):
            return
        said = f"{self._name} said {_quoted(code, reply)}."
        if code in LOGIN_NEEDED:
            raise ChannelStopped(f"{said} It wants a login; check the mail settings.")
        if _is_for_good(code):
            raise PermanentRefusal(said)
        if code == SERVICE_CLOSING or code < 0:
            raise ChannelDown(said)
        raise TemporaryRefusal(said)

    @contextmanager
    def _broken_line_means_down(self, deadline: Deadline) -> Iterator[None]:
        try:
            yield
        except (OSError, ValueError) as error:  # ValueError: a host that is no name
            raise ChannelDown(f"{self._name} cannot be used right now: {_in_words(error, deadline)}.") from error

    def _context(self) -> ssl.SSLContext:
        return self.tls if self.tls is not None else ssl.create_default_context()

    @property
    def _name(self) -> str:
        return f"The mail server {self.host}:{self.port}"


class _WatchedSmtp(smtplib.SMTP):
    """smtplib's client on a socket that the deadline can shut at any step, the TLS handshake included."""

    def __init__(
        self, host: str, port: int, *, ehlo_name: str, timeout_s: float, deadline: Deadline, tls: ssl.SSLContext | None
    ) -> None:
        self._deadline = deadline
        self._tls = tls
        super().__init__(host, port, local_hostname=ehlo_name, timeout=timeout_s)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        return open_line(host, port, timeout_s=timeout, deadline=self._deadline, tls=self._tls)

    def getreply(self) -> tuple[int, bytes]:
        if self.file is None and self.sock is not None:
            self.file = _Bounded(self.sock.makefile("rb"))  # the library only reads lines of it
        return super().getreply()


class _Bounded:
    """The lines of a server, and no more of them than it has to say: the library keeps every line of an answer."""

    def __init__(self, file: BufferedReader) -> None:
        self._file, self._left = file, MOST_BYTES

    def readline(self, size: int) -> bytes:
        line = self._file.readline(min(size, self._left))
        self._left -= len(line)
        if self._left <= 0:
            raise OSError("it sends too much")
        return line

    def close(self) -> None:
        self._file.close()


def _is_good(code: int) -> bool:
    return 200 <= code < 300


def _is_for_good(code: int) -> bool:
    return 500 <= code < 600


def _quoted(code: int, reply: bytes | str) -> str:
    text = reply.decode("utf-8", "replace") if isinstance(reply, bytes) else reply
    return f"{code} {' '.join(text.split())[:LONGEST_QUOTE]}"


def _cut_off(deadline: Deadline) -> str:
    return "it took too long" if deadline.is_over else "its answer is not SMTP"


def _in_words(error: Exception, deadline: Deadline) -> str:
    if deadline.is_over:
        return "it took too long"
    if isinstance(error, smtplib.SMTPResponseException):
        return _quoted(error.smtp_code, error.smtp_error)
    return in_words(error)
