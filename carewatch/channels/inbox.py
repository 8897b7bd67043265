"""A mailbox by IMAP: unread messages one by one, marked as read only when the caller says so.

One deadline for the whole visit, bounded answers, nothing but the beginning of each message. Anything the server does
wrong is trouble of the mailbox, never an error of ours.
"""

from __future__ import annotations

import contextlib
import imaplib
import re
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from carewatch.channels.connection import STEP_TIMEOUT_S, TOTAL_DEADLINE_S, Security, in_words, open_line
from carewatch.channels.deadline import Deadline
from carewatch.channels.port import ChannelDown, ChannelStopped

MOST_BYTES = 262_144
"""Of each message; chosen: the words stand first, photographs behind them."""

MOST_BYTES_A_VISIT = 32_000_000
"""What one visit reads at most, so that no server fills the memory; chosen: a hundred messages."""

_UID = re.compile(rb"\d{1,10}\Z")


class Fate(StrEnum):
    """What became of a message: decides the folder it is put into."""

    TAKEN = "taken"
    UNCLEAR = "unclear"
    IGNORED = "ignored"


class OpenInbox(Protocol):
    """A mailbox during one visit."""

    def unread(self, most: int) -> tuple[str, ...]:
        """Give the unread messages, oldest first."""
        ...

    def read(self, uid: str) -> bytes:
        """Give the beginning of one message, still unread afterwards; empty if it is gone."""
        ...

    def settle(self, uid: str, fate: Fate) -> None:
        """Mark one message as read, and put it away if there is a folder for it."""
        ...


class Inbox(Protocol):
    """A mailbox that can be visited."""

    def visit(self) -> contextlib.AbstractContextManager[OpenInbox]:
        """Open it; raises ChannelDown or ChannelStopped."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ImapInbox:
    """One folder of one account. `done_folder`, `unclear_folder`: where handled messages go; None: they stay."""

    host: str
    port: int
    security: Security
    username: str
    password: str
    folder: str = "INBOX"
    done_folder: str | None = None
    unclear_folder: str | None = None
    tls: ssl.SSLContext | None = None
    total_deadline_s: float = TOTAL_DEADLINE_S
    step_timeout_s: float = STEP_TIMEOUT_S

    def __repr__(self) -> str:
        return f"ImapInbox(host={self.host!r}, port={self.port}, security={self.security.value!r})"

    @contextmanager
    def visit(self) -> Iterator[OpenInbox]:
        """Connect, log in, open the folder; leave it at the end whatever happened."""
        with Deadline(self.total_deadline_s) as deadline, contextlib.ExitStack() as cleanup:
            with self.trouble_in_words(deadline):
                server = self._connect(deadline)
                cleanup.callback(_leave, server)
                self._encrypt(server)
                self._log_in(server)
                self._open_folder(server)
            visit = _ImapVisit(self, server, deadline)
            yield visit
            if visit.unmoved:
                raise ChannelDown(f"{self._name} refuses to move messages to {visit.unmoved!r}: does it exist?")

    def _connect(self, deadline: Deadline) -> _WatchedImap:
        return _WatchedImap(
            self.host,
            self.port,
            timeout_s=min(self.step_timeout_s, self.total_deadline_s),
            deadline=deadline,
            tls=self._context() if self.security is Security.TLS else None,
        )

    def _encrypt(self, server: _WatchedImap) -> None:
        if self.security is not Security.STARTTLS:
            return
        if "STARTTLS" not in server.capabilities:
            raise ChannelStopped(f"{self._name} offers no STARTTLS. Check port and security of the mailbox.")
        server.starttls(ssl_context=self._context())

    def _log_in(self, server: _WatchedImap) -> None:
        try:
            if "AUTH=PLAIN" in server.capabilities:
                told = f"\0{self.username}\0{self.password}".encode()
                server.authenticate("PLAIN", lambda _: told)
            else:
                server.login(self.username, self.password)
        except imaplib.IMAP4.abort:
            raise
        except UnicodeEncodeError as error:
            raise ChannelStopped(f"{self._name} takes only letters of ASCII in a login.") from error
        except imaplib.IMAP4.error as error:
            if "[UNAVAILABLE]" in str(error) or "[INUSE]" in str(error):  # RFC 5530: try later
                raise ChannelDown(f"{self._name} takes no login right now.") from error
            raise ChannelStopped(f"{self._name} refuses the login. Check user name and password.") from error

    def _open_folder(self, server: _WatchedImap) -> None:
        server.learn_capabilities()
        status, _ = server.select(_quoted(self.folder))
        if status != "OK":
            raise ChannelStopped(f"{self._name} has no folder {self.folder!r} that can be opened.")

    @contextmanager
    def trouble_in_words(self, deadline: Deadline) -> Iterator[None]:
        """Translate what the library raises."""
        try:
            yield
        except imaplib.IMAP4.readonly as error:
            raise ChannelStopped(f"{self._name} lets the folder {self.folder!r} only be read, not marked.") from error
        except (imaplib.IMAP4.error, OSError, ValueError) as error:
            why = "it took too long" if deadline.is_over else in_words(error)
            raise ChannelDown(f"{self._name} cannot be used right now: {why}.") from error

    def _context(self) -> ssl.SSLContext:
        return self.tls if self.tls is not None else ssl.create_default_context()

    @property
    def _name(self) -> str:
        return f"The mailbox at {self.host}:{self.port}"


class _ImapVisit:
    def __init__(self, inbox: ImapInbox, server: _WatchedImap, deadline: Deadline) -> None:
        self._inbox, self._server, self._deadline = inbox, server, deadline
        self.unmoved = ""  # the folder that would not take a message: told at the end, the rest is read all the same

    def unread(self, most: int) -> tuple[str, ...]:
        with self._inbox.trouble_in_words(self._deadline):
            status, found = self._server.uid("SEARCH", "UNSEEN", "UNDELETED")
            _insist(status, "search")
            words = b" ".join(line for line in found if isinstance(line, bytes)).split()
            return tuple(sorted((word.decode() for word in words if _UID.match(word)), key=int)[:most])

    def read(self, uid: str) -> bytes:
        with self._inbox.trouble_in_words(self._deadline):
            status, found = self._server.uid("FETCH", uid, f"(BODY.PEEK[]<0.{MOST_BYTES}>)")
            _insist(status, "fetch")
            return next((bytes(part[1]) for part in found if isinstance(part, tuple) and len(part) > 1), b"")

    def settle(self, uid: str, fate: Fate) -> None:
        with self._inbox.trouble_in_words(self._deadline):
            status, _ = self._server.uid("STORE", uid, "+FLAGS.SILENT", r"(\Seen)")
            _insist(status, "store")
            folder = {Fate.TAKEN: self._inbox.done_folder, Fate.UNCLEAR: self._inbox.unclear_folder}.get(fate)
            if folder and "MOVE" in self._server.capabilities:  # RFC 6851; without it the message stays, as read
                status, _ = self._server.uid("MOVE", uid, _quoted(folder))
                self.unmoved = self.unmoved if status == "OK" else folder


class _WatchedImap(imaplib.IMAP4):
    """The library's client on a socket the deadline can shut, reading no more than a visit may."""

    def __init__(
        self, host: str, port: int, *, timeout_s: float, deadline: Deadline, tls: ssl.SSLContext | None
    ) -> None:
        self._deadline, self._tls, self._bytes = deadline, tls, 0
        super().__init__(host, port, timeout=timeout_s)

    def _create_socket(self, timeout: float | None) -> socket.socket:
        return open_line(self.host, self.port, timeout_s=timeout, deadline=self._deadline, tls=self._tls)

    def read(self, size: int) -> bytes:
        self._count(size)
        return super().read(size)

    def readline(self) -> bytes:
        line = super().readline()
        self._count(len(line))
        return line

    def learn_capabilities(self) -> None:
        """Ask again what it can: many servers tell only after the login (RFC 3501, 6.2.3)."""
        status, found = self.capability()
        words = b" ".join(line for line in found if isinstance(line, bytes)).decode("ascii", "replace")
        if status == "OK" and words:
            self.capabilities = tuple(words.upper().split())

    def _count(self, size: int) -> None:
        if self._deadline.is_over:  # a socket shut on our side still gives what the other side goes on sending
            raise self.abort("it took too long")
        self._bytes += size
        if self._bytes > MOST_BYTES_A_VISIT:
            raise self.abort("it sends too much")


def _leave(server: _WatchedImap) -> None:
    with contextlib.suppress(imaplib.IMAP4.error, OSError, ValueError):
        server.logout()
    with contextlib.suppress(imaplib.IMAP4.error, OSError, ValueError):
        server.shutdown()


def _insist(status: str, what: str) -> None:
    if status != "OK":
        raise imaplib.IMAP4.error(f"it refuses to {what}")


def _quoted(folder: str) -> str:
    escaped = folder.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
