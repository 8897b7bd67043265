"""Is it alive: one document with reasons, and a small loopback server that gives it at /health."""

from __future__ import annotations

import json
import logging
import socket
import sys
import threading
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from carewatch.errors import BadInput, CarewatchError
from carewatch.freeze.score.own import NightWord, Verdict
from carewatch.service.documents import instant
from carewatch.service.workplace import Workplace
from carewatch.store import nights, outbox, rosters, runs, visits

TICK, SEND, REPLIES, WEATHER = "tick", "send", "replies", "weather"
"""The runs whose trouble is told: planning, sending, reading answers, whether tonight is known everywhere."""

TICKS_MISSED = 3
WAITED_TOO_LONG = timedelta(minutes=10)  # chosen: several tries of a server that is well
SHOWN_FOR = timedelta(days=7)  # chosen: what a person could not be told stays in sight for a week

log = logging.getLogger(__name__)


def health_of(work: Workplace, *, now: datetime, tick_every: timedelta) -> dict[str, Any]:
    """State `ok`, `degraded` (something outside is in trouble) or `failing` (the service itself), with reasons."""
    with work.database.reading() as rx:
        tick, sending, answers, weather = (runs.get(rx, name) for name in (TICK, SEND, REPLIES, WEATHER))
        counts = outbox.counts(rx, since=now - SHOWN_FOR)
        failing = visits.failing(rx)
        has_roster = rosters.latest(rx) is not None
        said = nights.words(rx, since=(now - SHOWN_FOR).date())
    reasons = [] if has_roster else ["There is no roster that can be used: nobody is watched over."]
    is_failing = not has_roster
    if tick is None or tick.last_ok_at is None:
        is_failing |= tick is not None and tick.failures > 0
        reasons.append("It has not finished a first round yet.")
    elif now - tick.last_ok_at > TICKS_MISSED * tick_every:
        is_failing = True
        reasons.append(f"The last good round was at {instant(tick.last_ok_at)}.")
    reasons += [run.trouble for run in (tick, sending, answers, weather) if run is not None and run.trouble]
    reasons += [f"{visit.key}: {visit.trouble}" for visit in failing]
    if counts.oldest_waiting_at and now - counts.oldest_waiting_at > WAITED_TOO_LONG:
        waiting = counts.queued + counts.sending
        reasons.append(f"{waiting} message(s) wait to be sent, the oldest since {instant(counts.oldest_waiting_at)}.")
    if counts.refused:
        reasons.append(f"{counts.refused} message(s) were refused by their address for good.")
    reasons += [_missed(word) for word in said if word.verdict is Verdict.MISSED]
    if counts.set_aside:
        reasons.append(f"{counts.set_aside} message(s) were set aside after killing their worker.")
    return {
        "state": "failing" if is_failing else "degraded" if reasons else "ok",
        "now": instant(now),
        "last_round_at": instant(tick.last_ok_at) if tick else None,
        "next_due_at": instant(tick.next_due_at) if tick else None,
        "queue": {"waiting": counts.queued + counts.sending, "sent": counts.sent, "expired": counts.expired},
        "oldest_waiting_at": instant(counts.oldest_waiting_at),
        "reasons": reasons,
    }


def _missed(word: NightWord) -> str:
    what = "ice was found" if word.found_ice else f"{word.read_by} read {word.came_low_c:.1f} °C"
    return f"MISSED: nobody was warned of {word.machine} in the night of {word.night}, and {what}. See score --own."


class HealthServer:
    """Serves /health on a loopback address until stopped."""

    def __init__(self, host: str, port: int, document: Callable[[], Mapping[str, Any]]) -> None:
        try:
            self._server = _server_class(host)((host, port), _handler(document))
        except (OSError, OverflowError) as error:
            words = getattr(error, "strerror", None) or error
            raise BadInput(
                f"/health cannot be offered on {host} port {port}: {words}. "
                "Is the service running already? Else set service.health_host and service.health_port."
            ) from error
        self._thread = threading.Thread(target=self._server.serve_forever, name="health", daemon=True)

    @property
    def port(self) -> int:
        """The port it listens on."""
        return int(self._server.server_address[1])

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def stop(self) -> None:
        """Stop answering and free the port."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def _server_class(host: str) -> type[ThreadingHTTPServer]:
    class Server(ThreadingHTTPServer):
        daemon_threads = True
        address_family = socket.AF_INET6 if ":" in host else socket.AF_INET

        def handle_error(self, request: object, client_address: object) -> None:
            del request, client_address
            log.warning("health_not_answered", extra={"reason": repr(sys.exception())})

    return Server


def _handler(document: Callable[[], Mapping[str, Any]]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = 10
        server_version = "carewatch"
        sys_version = ""

        def do_GET(self) -> None:
            if self.path != "/health":
                self._answer(HTTPStatus.NOT_FOUND, {"state": "unknown", "reasons": ["There is only /health here."]})
                return
            try:
                found = document()
            except CarewatchError as error:
                self._answer(HTTPStatus.SERVICE_UNAVAILABLE, {"state": "failing", "reasons": [str(error)]})
                return
            is_failing = found["state"] == "failing"
            self._answer(HTTPStatus.SERVICE_UNAVAILABLE if is_failing else HTTPStatus.OK, found)

        def _answer(self, status: HTTPStatus, found: Mapping[str, Any]) -> None:
            body = json.dumps(found).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Cache-Control", "no-store")
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002  # the base class names it so
            log.debug("health_asked", extra={"line": format % args})

    return Handler
