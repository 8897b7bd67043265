"""Serving the pages: uvicorn in a thread beside the clock, stopped with it."""

from __future__ import annotations

import socket
import threading

import uvicorn
from fastapi import FastAPI

from carewatch.errors import BadInput

WAIT_S = 10.0


class PageServer:
    """Serves an application on one address until stopped."""

    def __init__(self, app: FastAPI, *, host: str, port: int) -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((host, port))
        except OSError as error:
            self._socket.close()
            raise BadInput(
                f"The pages cannot be offered on {host} port {port}: {error.strerror}. Is the service running already? "
                "Else set web.host and web.port."
            ) from error
        config = uvicorn.Config(
            app, loop="asyncio", http="h11", lifespan="off", log_level="warning", access_log=False, server_header=False,
            log_config=None, proxy_headers=True, forwarded_allow_ips="127.0.0.1",
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="pages", daemon=True)

    @property
    def port(self) -> int:
        """The port it listens on."""
        return int(self._socket.getsockname()[1])

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def wait(self) -> None:
        """Block until it has stopped."""
        while self._thread.is_alive():
            self._thread.join(1.0)

    def stop(self) -> None:
        """Finish what is being answered and stop."""
        self._server.should_exit = True
        self._thread.join(WAIT_S)
        self._socket.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])
