"""A total deadline for talking over a socket: when it is over the socket is shut, whatever the other side drips."""

from __future__ import annotations

import contextlib
import socket
import threading
from types import TracebackType
from typing import Self


class Deadline:
    """Shuts the watched socket after so many seconds.

    A timeout on a socket counts anew for every byte, so that a server that sends one byte now and then holds a sender
    for ever. The shutting goes through a duplicate of the descriptor: TLS takes the first one over.
    """

    def __init__(self, seconds: float) -> None:
        self._timer = threading.Timer(seconds, self._shut)
        self._timer.daemon = True
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self.is_over = False

    def watch(self, sock: socket.socket) -> None:
        """Shut this socket when the time is over."""
        with self._lock:
            self._socket = sock.dup()
        if self.is_over:
            self._shut()

    def __enter__(self) -> Self:
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._timer.cancel()
        with self._lock:
            if self._socket is not None:
                self._socket.close()
                self._socket = None

    def _shut(self) -> None:
        self.is_over = True
        with self._lock, contextlib.suppress(OSError):
            if self._socket is not None:
                self._socket.shutdown(socket.SHUT_RDWR)
