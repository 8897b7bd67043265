"""Everything carewatch sends over HTTP goes through here: its own name, limits on time, size and redirects."""

from __future__ import annotations

import socket
import ssl
import threading
import zlib
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures import TimeoutError as TookTooLong
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from types import MappingProxyType, TracebackType
from typing import Any, Self

import httpx

from carewatch.errors import BadInput, UpstreamTrouble

DEADLINE_S = 20.0  # from the first look-up to the last byte: one slow service must not hold up a tick
CONNECT_S = 10.0  # chosen: far beyond a slow rural line
READ_S = 15.0
LARGEST_BODY = 5 * 1024 * 1024  # chosen: thirty times the largest forecast answer seen
MOST_REDIRECTS = 5
LONGEST_RETRY = timedelta(days=7)  # chosen: a longer "come back later" is an error of the server
GOOD = frozenset({200, 203})
REDIRECTS = frozenset({301, 302, 303, 307, 308})


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """What came back. Header names are lower case; `place` is host and path, never a query that may hold a key."""

    status: int
    headers: Mapping[str, str]
    body: bytes
    place: str

    @property
    def retry_after(self) -> timedelta | None:
        """How long the server asked to be left alone."""
        text = self.headers.get("retry-after", "").strip()
        if text.isascii() and text.isdigit():
            return min(timedelta(seconds=int(text[:9])), LONGEST_RETRY)
        asked_at, sent_at = parse_http_date(text), parse_http_date(self.headers.get("date", ""))
        if asked_at is None or sent_at is None:
            return None
        return min(max(asked_at - sent_at, timedelta(0)), LONGEST_RETRY)


def parse_http_date(text: str) -> datetime | None:
    """The moment an HTTP date names; None if it names none."""
    try:
        moment = parsedate_to_datetime(text)
    except (TypeError, ValueError, IndexError, OverflowError):
        return None
    return moment if moment.tzinfo is not None else None


def user_agent(*, version: str, contact: str) -> str:
    """The name carewatch gives itself; services ask for a way to reach whoever runs it."""
    if not contact.strip() or not contact.isascii() or not contact.isprintable():
        raise BadInput(f"The contact {contact!r} cannot be sent to a weather service; give a mail or web address.")
    return f"carewatch/{version} ({contact.strip()})"


class HttpClient:
    """Asks within the limits above; anything that keeps a reply from coming is an UpstreamTrouble."""

    def __init__(
        self,
        *,
        agent: str,
        deadline_s: float = DEADLINE_S,
        largest_body: int = LARGEST_BODY,
        verify: ssl.SSLContext | bool = True,
    ) -> None:
        self._deadline_s = deadline_s
        self._largest_body = largest_body
        self._client = httpx.Client(
            headers={"User-Agent": agent, "Accept-Encoding": "gzip"},
            timeout=httpx.Timeout(READ_S, connect=CONNECT_S),
            # no kept connections: the deadline must know the socket, and we ask hourly at most
            limits=httpx.Limits(max_connections=4, max_keepalive_connections=0),
            follow_redirects=False,
            verify=verify,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of all connections."""
        self._client.close()

    def get(
        self,
        url: str,
        *,
        query: Mapping[str, str] | None = None,
        headers: Mapping[str, str] | None = None,
        expects: str = "json",
        follows_redirects: bool = True,
    ) -> Reply:
        """The reply whatever its status; a good one must be of the expected content type."""
        request = self._request(url, query=query, headers=headers)
        reply = self._within_deadline(request, redirects=MOST_REDIRECTS if follows_redirects else 0)
        kind = reply.headers.get("content-type", "")
        if reply.status in GOOD and expects not in kind.lower():
            raise UpstreamTrouble(f"{reply.place} sent {kind or 'something without a type'} instead of {expects}.")
        return reply

    def _request(
        self, url: str, *, query: Mapping[str, str] | None, headers: Mapping[str, str] | None
    ) -> httpx.Request:
        try:
            return self._client.build_request("GET", url, params=query, headers=headers)
        except (httpx.InvalidURL, ValueError, TypeError) as error:
            raise BadInput("A web address in the settings cannot be used; write it as https://host/path.") from error

    def _within_deadline(self, request: httpx.Request, *, redirects: int) -> Reply:
        """Wait in another thread: no timeout of a socket bounds name look-ups or a byte every few seconds."""
        line = _Line()
        worker = ThreadPoolExecutor(max_workers=1)
        try:
            return worker.submit(self._exchange, request, line, redirects).result(timeout=self._deadline_s)
        except TookTooLong as error:
            line.cut()
            raise UpstreamTrouble(
                f"{_place(request)} did not finish its answer within {self._deadline_s:.0f} s."
            ) from error
        finally:
            worker.shutdown(wait=False)

    def _exchange(self, request: httpx.Request, line: _Line, redirects: int) -> Reply:
        try:
            for _ in range(redirects + 1):
                request.extensions["trace"] = line.trace
                reply, location = self._one(request)
                if location is None or redirects == 0:
                    return reply
                request = self._redirected(request, location)
        except httpx.TimeoutException as error:
            raise UpstreamTrouble(f"{_place(request)} did not answer in time.") from error
        except httpx.InvalidURL as error:
            raise UpstreamTrouble(f"{_place(request)} sent us on to an impossible address.") from error
        except (httpx.HTTPError, httpx.StreamError) as error:
            raise UpstreamTrouble(f"{_place(request)} cannot be reached ({type(error).__name__}).") from error
        raise UpstreamTrouble(f"{_place(request)} sent us in circles: more than {redirects} redirects.")

    def _one(self, request: httpx.Request) -> tuple[Reply, str | None]:
        response = self._client.send(request, stream=True)
        try:
            reply = Reply(
                status=response.status_code,
                headers=MappingProxyType({name.lower(): value for name, value in response.headers.items()}),
                body=self._body(response),
                place=_place(request),
            )
        finally:
            response.close()
        return reply, reply.headers.get("location") if reply.status in REDIRECTS else None

    def _body(self, response: httpx.Response) -> bytes:
        """The body, unpacked here so that a small packed answer cannot grow beyond the limit."""
        packed = bytearray()
        for chunk in response.iter_raw():
            packed += chunk
            if len(packed) > self._largest_body:
                raise self._too_big(response.request)
        encoding = response.headers.get("content-encoding", "identity").lower()
        if encoding == "identity" or not packed:
            return bytes(packed)
        if encoding != "gzip":
            raise UpstreamTrouble(f"{_place(response.request)} packed its answer in a way we did not ask for.")
        unpacker = zlib.decompressobj(wbits=31)
        try:
            body = unpacker.decompress(bytes(packed), self._largest_body + 1)
        except zlib.error as error:
            raise UpstreamTrouble(f"{_place(response.request)} sent a damaged answer.") from error
        if len(body) > self._largest_body:
            raise self._too_big(response.request)
        if not unpacker.eof:
            raise UpstreamTrouble(f"{_place(response.request)} broke off in the middle of its answer.")
        return body

    def _too_big(self, request: httpx.Request) -> UpstreamTrouble:
        return UpstreamTrouble(f"{_place(request)} sent more than {self._largest_body // 1024} kB; not read further.")

    def _redirected(self, request: httpx.Request, location: str) -> httpx.Request:
        target = request.url.join(location)
        if target.scheme != "https" and not (target.scheme == "http" and request.url.scheme == "http"):
            raise UpstreamTrouble(f"{_place(request)} sent us on to an address that is not encrypted.")
        headers = {name: value for name, value in request.headers.items() if name.lower() != "host"}
        return self._client.build_request("GET", target, headers=headers)


class _Line:
    """The socket of one exchange, so that another thread can cut it."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._socket: socket.socket | None = None
        self._is_cut = False

    def trace(self, event: str, info: Mapping[str, Any]) -> None:
        """Called by the HTTP library at every step; keeps the newest socket."""
        if event not in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
            return
        with self._guard:
            self._socket = info["return_value"].get_extra_info("socket")
            if self._is_cut:
                self._shut()

    def cut(self) -> None:
        """End the exchange wherever it is."""
        with self._guard:
            self._is_cut = True
            self._shut()

    def _shut(self) -> None:
        if self._socket is not None:
            with suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)


def _place(request: httpx.Request) -> str:
    return f"{request.url.host}{request.url.path}"
