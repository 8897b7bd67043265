"""What every conversation with a mail server shares: how it is encrypted, how it is opened, how its trouble reads."""

from __future__ import annotations

import socket
import ssl
from enum import StrEnum

from carewatch.channels.deadline import Deadline

TOTAL_DEADLINE_S = 60.0
"""Chosen: a third of the outbox lease, so that no second worker starts while the first one still talks."""

STEP_TIMEOUT_S = 20.0
"""Longest silence within one step; chosen."""


class Security(StrEnum):
    """How the line is encrypted."""

    STARTTLS = "starttls"
    TLS = "tls"
    NONE = "none"


def open_line(
    host: str, port: int, *, timeout_s: float | None, deadline: Deadline, tls: ssl.SSLContext | None
) -> socket.socket:
    """Connect, under the deadline from the first byte on, with `tls` encrypted; raises OSError."""
    line = _connected(host, port, timeout_s=timeout_s, deadline=deadline)
    try:
        deadline.watch(line)
        return line if tls is None else tls.wrap_socket(line, server_hostname=host)
    except BaseException:
        line.close()
        raise


def _connected(host: str, port: int, *, timeout_s: float | None, deadline: Deadline) -> socket.socket:
    """Connect to the first address of the name that answers; a name with many dead ones gets no more time than one."""
    trouble: OSError = socket.gaierror(f"{host} has no address")
    for _, _, _, _, (address, *_) in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM):
        if deadline.is_over:
            raise TimeoutError("the time was over before any address answered")
        try:
            return socket.create_connection((str(address), port), timeout_s)
        except OSError as error:
            trouble = error
    raise trouble


def in_words(error: Exception) -> str:
    """Say what was wrong with the line, in at most 200 characters."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted ({error.verify_message})"
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, socket.gaierror):
        return "its name is not known"
    words = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(str(words).split())[:200]
