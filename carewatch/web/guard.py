"""What every request passes before a page sees it: size, origin, and the headers every answer carries.

A browser says where a request comes from (Fetch Metadata, W3C); a POST from another site is refused. Pages hold no
script and no style of their own, so the policy (Content Security Policy Level 3, W3C) may forbid all but our own files.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import urlsplit

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

MOST_BYTES = 64 * 1024  # chosen: the longest form is a page of words
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)
CHANGING = frozenset({"POST", "PUT", "PATCH", "DELETE"})


class Guard:
    """ASGI middleware."""

    def __init__(self, app: App) -> None:
        self._app = app

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with a plain refusal."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        if scope["method"] in CHANGING and not is_from_here(headers):
            await _refuse(send, 403, "This form was sent from another site. Open the page itself and try again.")
            return
        body = await _whole_body(headers, receive)
        if body is None:
            await _refuse(send, 413, "That is more than a form can hold.")
            return
        await self._app(scope, _again(body, receive), _with_headers(send))


def is_from_here(headers: MutableMapping[str, str]) -> bool:
    """Whether a changing request comes from a page of ours: its browser says so, or its origin is its host."""
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = headers.get("origin")
    return origin is not None and urlsplit(origin).netloc == headers.get("host")


async def _whole_body(headers: MutableMapping[str, str], receive: Receive) -> bytes | None:
    """The body, or None if it is too large; read no further than that."""
    told = headers.get("content-length", "0")
    if not told.isdigit() or int(told) > MOST_BYTES:
        return None
    body = b""
    while True:
        message = await receive()
        body += bytes(message.get("body", b""))
        if len(body) > MOST_BYTES:
            return None
        if not message.get("more_body", False):
            return body


def _again(body: bytes, receive: Receive) -> Receive:
    """The body once more, then whatever else comes."""
    waiting = [{"type": "http.request", "body": body, "more_body": False}]

    async def replay() -> Message:
        return waiting.pop() if waiting else await receive()

    return replay


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", []))
            known = {name.lower() for name, _ in headers}
            headers += [(name, value) for name, value in HEADERS if name not in known]
            if b"cache-control" not in known:
                headers.append((b"cache-control", b"no-store"))
            message = {**message, "headers": headers}
        await send(message)

    return sending


async def _refuse(send: Send, status: int, words: str) -> None:
    body = words.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode()), *HEADERS]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
