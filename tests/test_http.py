"""The one door to the web: limits on time and size, redirects, content type, and no secret in a message."""

from __future__ import annotations

import gzip
import socket
import ssl
import threading
from contextlib import contextmanager, suppress
from datetime import timedelta

import httpx
import pytest
import respx
import trustme

from carewatch.errors import BadInput, UpstreamTrouble
from carewatch.http import HttpClient, Reply, user_agent
from tests.sources.recordings import AGENT, NO_ROOTS

URL = "https://weather.example/answer"
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def http():
    with HttpClient(agent=AGENT, verify=NO_ROOTS, largest_body=1000) as client:
        yield client


@pytest.fixture
def web():
    with respx.mock(assert_all_called=False) as mocked:
        yield mocked


@contextmanager
def sending(raw: bytes):
    """A server that sends fixed bytes to one client and hangs up."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve():
            connection, _ = listener.accept()
            with connection, suppress(OSError):
                connection.recv(65536)
                connection.sendall(raw)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{listener.getsockname()[1]}/answer"
        thread.join(5)


def reply(**headers: str) -> Reply:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return Reply(status=429, headers=named, body=b"", place="weather.example/answer")


def test_good_reply_comes_whole_with_lower_case_headers(http, web):
    web.get(URL).mock(return_value=httpx.Response(200, headers={**JSON, "ETag": '"1"'}, content=b"{}"))
    got = http.get(URL, query={"lat": "1.5"})
    assert (got.status, got.body, got.headers["etag"]) == (200, b"{}", '"1"')
    assert got.place == "weather.example/answer"


def test_packed_reply_is_unpacked(http, web):
    content = gzip.compress(b'{"a": 1}')
    web.get(URL).mock(return_value=httpx.Response(200, headers={**JSON, "Content-Encoding": "gzip"}, content=content))
    assert http.get(URL).body == b'{"a": 1}'


@pytest.mark.parametrize(
    ("content", "encoding", "words"),
    [
        (b" " * 1001, None, "more than"),
        (gzip.compress(b" " * 1_000_000), "gzip", "more than"),
        (gzip.compress(b"x" * 500)[:-9], "gzip", "broke off"),
        (b"no gzip at all", "gzip", "damaged"),
        (b"?", "br", "did not ask for"),
    ],
    ids=["big", "bomb", "cut", "damaged", "unasked"],
)
def test_body_that_cannot_be_used_is_trouble(http, content, encoding, words):
    extra = f"Content-Encoding: {encoding}\r\n" if encoding else ""
    head = f"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n{extra}Content-Length: {len(content)}\r\n\r\n"
    with sending(head.encode() + content) as url, pytest.raises(UpstreamTrouble, match=words):
        http.get(url)


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\r\n\r\n",
        b"220 mail.example ESMTP\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Length: 50\r\n\r\nhalf",
        b"\x00" * 500,
    ],
    ids=["silence", "blank", "mail-server", "broken-off", "zeros"],
)
def test_server_that_speaks_no_http_is_trouble(http, raw):
    with sending(raw) as url, pytest.raises(UpstreamTrouble, match=r"127\.0\.0\.1"):
        http.get(url)


def test_good_reply_of_another_type_is_trouble_and_a_refusal_is_not(http, web):
    html = {"Content-Type": "text/html"}
    web.get(URL).mock(side_effect=[httpx.Response(200, headers=html), httpx.Response(503, headers=html)])
    with pytest.raises(UpstreamTrouble, match="text/html instead of json"):
        http.get(URL)
    assert http.get(URL).status == 503


def test_redirect_is_followed_a_few_times_and_keeps_our_name(http, web):
    web.get(URL).mock(return_value=httpx.Response(301, headers={"Location": "/there"}))
    there = web.get("https://weather.example/there")
    there.mock(return_value=httpx.Response(200, headers=JSON, content=b"{}"))
    assert http.get(URL).place == "weather.example/there"
    assert there.calls.last.request.headers["User-Agent"] == AGENT


def test_redirect_circle_ends(http, web):
    route = web.get(URL).mock(return_value=httpx.Response(302, headers={"Location": URL}))
    with pytest.raises(UpstreamTrouble, match="in circles"):
        http.get(URL)
    assert route.call_count == 6


@pytest.mark.parametrize(
    "target", ["http://weather.example/open", "ftp://weather.example/x", "https://weather.example:bad/"]
)
def test_redirect_to_something_worse_is_refused(http, web, target):
    web.get(URL).mock(return_value=httpx.Response(302, headers={"Location": target}))
    with pytest.raises(UpstreamTrouble):
        http.get(URL)


def test_message_names_the_host_and_never_the_query(http, web):
    web.get(URL).mock(side_effect=httpx.ConnectError("refused apikey=s3cret"))
    with pytest.raises(UpstreamTrouble, match=r"weather\.example/answer") as trouble:
        http.get(URL, query={"apikey": "s3cret"})
    assert "s3cret" not in str(trouble.value)


def test_deadline_holds_whatever_the_server_does(web):
    release = threading.Event()

    def hang(request):
        release.wait(30)
        return httpx.Response(200, headers=JSON, content=b"{}")

    web.get(URL).mock(side_effect=hang)
    with HttpClient(agent=AGENT, verify=NO_ROOTS, deadline_s=0.2) as http:
        with pytest.raises(UpstreamTrouble, match="did not finish"):
            http.get(URL)
        release.set()


def test_nothing_is_left_running_after_the_deadline():
    before = threading.active_count()
    with (
        socket.create_server(("127.0.0.1", 0)) as silent,
        HttpClient(agent=AGENT, verify=NO_ROOTS, deadline_s=0.2) as http,
    ):
        with pytest.raises(UpstreamTrouble, match="did not finish"):
            http.get(f"http://127.0.0.1:{silent.getsockname()[1]}/")
        for thread in threading.enumerate():
            if thread.name.startswith("ThreadPoolExecutor"):
                thread.join(2)
    assert threading.active_count() <= before


def test_deadline_cuts_an_encrypted_line_too():
    authority = trustme.CA()
    ours, theirs = ssl.create_default_context(), ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.configure_trust(ours)
    authority.issue_cert("localhost").configure_cert(theirs)
    heard: list[bytes] = []

    def serve(listener):
        connection, _ = listener.accept()
        with suppress(OSError), theirs.wrap_socket(connection, server_side=True) as secure:
            heard.append(secure.recv(65536))
            heard.append(secure.recv(1))  # waits until the client hangs up

    with socket.create_server(("localhost", 0)) as listener:
        server = threading.Thread(target=serve, args=(listener,), daemon=True)
        server.start()
        with (
            HttpClient(agent=AGENT, verify=ours, deadline_s=0.5) as http,
            pytest.raises(UpstreamTrouble, match="did not finish"),
        ):
            http.get(f"https://localhost:{listener.getsockname()[1]}/")
        server.join(5)
    assert not server.is_alive()
    assert heard[0].startswith(b"GET / HTTP/1.1")


def test_certificate_nobody_vouches_for_is_refused():
    theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    trustme.CA().issue_cert("localhost").configure_cert(theirs)

    def serve(listener):
        connection, _ = listener.accept()
        with suppress(OSError), theirs.wrap_socket(connection, server_side=True):
            pass

    with socket.create_server(("localhost", 0)) as listener:
        server = threading.Thread(target=serve, args=(listener,), daemon=True)
        server.start()
        with HttpClient(agent=AGENT) as http, pytest.raises(UpstreamTrouble, match="cannot be reached"):
            http.get(f"https://localhost:{listener.getsockname()[1]}/")
        server.join(5)


@pytest.mark.parametrize(
    ("headers", "wait"),
    [
        ({}, None),
        ({"retry_after": "120"}, timedelta(minutes=2)),
        ({"retry_after": "99999999999"}, timedelta(days=7)),
        ({"retry_after": "-5"}, None),
        ({"retry_after": "soon"}, None),
        (
            {"retry_after": "Mon, 20 Jul 2020 12:16:23 GMT", "date": "Mon, 20 Jul 2020 11:46:23 GMT"},
            timedelta(minutes=30),
        ),
        ({"retry_after": "Mon, 20 Jul 2020 12:16:23 GMT"}, None),
        ({"retry_after": "Mon, 20 Jul 2020 11:00:00 GMT", "date": "Mon, 20 Jul 2020 12:00:00 GMT"}, timedelta(0)),
    ],
    ids=["none", "seconds", "for-ever", "negative", "word", "date", "date-alone", "past"],
)
def test_wish_to_be_left_alone_is_read(headers, wait):
    assert reply(**headers).retry_after == wait


@pytest.mark.parametrize("contact", ["", "  ", "a\r\nX-Evil: 1", "bäuerin@example.org"])
def test_contact_that_cannot_be_sent_is_refused(contact):
    with pytest.raises(BadInput, match="contact"):
        user_agent(version="1", contact=contact)


def test_name_holds_version_and_contact():
    assert user_agent(version="1.2", contact=" office@example.org ") == "carewatch/1.2 (office@example.org)"


@pytest.mark.parametrize("url", ["", "weather.example", "https://", "https://[::1"])
def test_impossible_address_is_told(http, url):
    with pytest.raises((BadInput, UpstreamTrouble)):
        http.get(url)
