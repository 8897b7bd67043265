"""A received mail as values: what can be read in two ways is nobody's, and no mail is an error."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from carewatch.channels.received import MOST_TEXT, Received, html_words, read_message


def read(headers: str, body: str = "1\n") -> Received:
    return read_message(f"{headers}\n\n{body}".encode())


# Forms of RFC 5322, 3.4 (name-addr, addr-spec, quoted display name) and its appendix A.1.2
ONE_SENDER = {
    "noah@farm.example": "noah@farm.example",
    "Noah <noah@farm.example>": "noah@farm.example",
    '"Birk, Noah" <Noah@Farm.example>': "noah@farm.example",
    r'"Giant; \"Big\" Box" <noah@farm.example>': "noah@farm.example",
    "=?utf-8?q?N=C3=B6?= <noah@farm.example>": "noah@farm.example",
    "noah@farm.example <noah@farm.example>": "noah@farm.example",
    "Noah\n <noah@farm.example>": "noah@farm.example",
}
NOBODY = [
    "", "Noah", "<>", "noah@", "@farm.example", "a@b.example, c@d.example", "Group: a@b.example;", "a@b@c.example",
    "mia@farm.example (noah@farm.example)", "<a@b.example> <c@d.example>", "Noah (x) <noah@farm.example>",
    "noah@farm.example)mia@farm.example", "Noah <noah @farm.example>", "n\u00f6ah@farm.example", "x" * 20_000,
]  # fmt: skip


@pytest.mark.parametrize(("written", "sender"), ONE_SENDER.items())
def test_one_address_in_one_from_is_the_sender(written: str, sender: str) -> None:
    assert read(f"From: {written}").sender == sender


@pytest.mark.parametrize("written", NOBODY)
def test_what_can_be_read_in_two_ways_is_nobody(written: str) -> None:
    assert read(f"From: {written}").sender == ""
    assert read("From: a@b.example\nFrom: c@d.example").sender == ""


def test_the_nearest_message_answered_stands_first() -> None:
    mail = read("From: a@b.example\nReferences: <one@x> <two@x>\n <three@x>\nIn-Reply-To: <three@x>")
    assert mail.answers == ("<three@x>", "<two@x>", "<one@x>")


@pytest.mark.parametrize(
    ("date", "at"),
    [
        ("Fri, 21 Nov 1997 09:55:06 -0600", datetime(1997, 11, 21, 15, 55, 6, tzinfo=UTC)),  # RFC 5322, A.1.1
        ("21 Nov 97 09:55:06 GMT", datetime(1997, 11, 21, 9, 55, 6, tzinfo=UTC)),  # RFC 5322, A.6.2
        ("Fri, 21 Nov 1997 09:55:06 -0000", datetime(1997, 11, 21, 9, 55, 6, tzinfo=UTC)),
        ("yesterday", None), ("", None), ("Fri, 99 Nov 1997 09:55:06 -0600", None),
        ("Fri, 21 Nov 99999 09:55:06 -0600", None), ("Fri, 21 Nov 1997 09:55:06 +9999", None),
    ],
)  # fmt: skip
def test_a_date_is_read_or_left_out(date: str, at: datetime | None) -> None:
    assert read(f"From: a@b.example\nDate: {date}").sent_at == at


# RFC 3834, 5: only "no" (or no such header) means that a person sent it
@pytest.mark.parametrize("value", ["auto-generated", "auto-replied", "auto-notified", "Auto-Replied; owner-email=x"])
def test_auto_submitted_means_no_person(value: str) -> None:
    assert read(f"From: a@b.example\nAuto-Submitted: {value}").is_automatic


def test_a_person_is_not_taken_for_a_machine() -> None:
    assert not read(
        "From: a@b.example\nAuto-Submitted: no\nReturn-Path: <a@b.example>\nPrecedence: normal"
    ).is_automatic


def multipart(*parts: str, kind: str = "alternative") -> Received:
    body = "".join(f"--b\n{part}\n" for part in parts)
    return read(f'From: a@b.example\nMIME-Version: 1.0\nContent-Type: multipart/{kind}; boundary="b"', f"{body}--b--\n")


def test_the_plain_text_counts_and_attachments_do_not() -> None:
    attached = "Content-Type: text/plain\nContent-Disposition: attachment\n\n2"
    assert (
        multipart(attached, "Content-Type: text/html\n\n<p>3</p>", "Content-Type: text/plain\n\n1").text.strip() == "1"
    )
    assert multipart(attached).text == ""


def test_html_alone_is_read_without_quotations_styles_and_scripts() -> None:
    html = (
        "<html><head><title>9</title><style>p{x:9}</style></head><body><div>1</div><script>9</script>"
        "<div class='gmail_quote'>On Monday wrote:<div>2</div><blockquote>3</blockquote></div>"
        "<blockquote><blockquote>4</blockquote>5</blockquote><p>1234 h</p></body></html>"
    )
    assert html_words(html).split() == ["1", "1234", "h"]


LATIN = "Content-Type: text/plain; charset=iso-8859-1\nContent-Transfer-Encoding: quoted-printable\n\n1 gesp=FClt"


@pytest.mark.parametrize(
    ("encoded", "words"),
    [
        (LATIN, "1 gespült"),
        ("Content-Type: text/plain; charset=utf-8\nContent-Transfer-Encoding: base64\n\nMSBzaG9w", "1 shop"),
        ("Content-Type: text/plain; charset=nonsense\n\n1", "1"),
        ("Content-Type: text/plain; charset=utf-8\nContent-Transfer-Encoding: base64\n\n!!!!", None),
        ("Content-Type: text/plain; charset=utf-16\n\n1", None),
        ("Content-Type: text/plain; charset=rot13\n\n1", None),
        ("Content-Type: text/plain; charset=zlib\n\n1", None),
    ],
    ids=["quoted-printable", "base64", "unknown charset", "broken base64", "wrong charset", "no charset", "no text"],
)  # fmt: skip
def test_encodings_are_undone_and_broken_ones_do_no_harm(encoded: str, words: str | None) -> None:
    text = read(
        f"From: a@b.example\nMIME-Version: 1.0\n{encoded.partition(chr(10) * 2)[0]}", encoded.partition("\n\n")[2]
    ).text
    assert words is None or text.strip() == words


def test_the_same_mail_has_the_same_identity_and_another_sender_another() -> None:
    one = read("From: a@b.example\nMessage-ID: <x@y>")
    assert one.identity == read("From: A@B.example\nMessage-ID: <x@y>", "other words").identity
    assert one.identity != read("From: c@b.example\nMessage-ID: <x@y>").identity
    assert read("From: a@b.example").identity != read("From: a@b.example", "2\n").identity


NESTED = b"".join(
    f'Content-Type: multipart/mixed; boundary="{number}"\n\n--{number}\n'.encode() for number in range(3000)
)


@pytest.mark.parametrize(
    "raw",
    [
        b"", b"\n", b"\0" * 100, b"From: a@b.example\n" + NESTED, b"Content-Type: multipart/mixed\n\nx",
        b"Content-Type: message/rfc822\n\n" * 500, b"A:" + b"x" * 200_000, b"Subject: =?utf-8?b?" + b"A" * 1000,
        b"Content-Type: text/plain; charset*=x''%FF\n\n1", b"From: \xff\xfe <a@b.example>\n\n\xff",
        b"Content-Type: multipart/report; boundary=b\n\n--b\nContent-Type: message/delivery-status\n\nx\n--b--",
        b'Content-Type: multipart/report; boundary="b"\n\n--b\nContent-Type: message/rfc822\n\n--b--',
        b"Content-Type: text/html\n\n" + b"<a " * 70_000, b"Content-Type: text/html\n\n" + b"<!--" * 50_000,
        b"References: " + b"<a@b> " * 100_000 + b"\n\n1",
    ],
    ids=lambda raw: repr(raw[:30]),
)  # fmt: skip
def test_hostile_mails_give_less_and_no_error(raw: bytes) -> None:
    mail = read_message(raw)
    assert len(mail.text) <= MOST_TEXT
    assert len(mail.answers) <= 40


HEADERS = st.sampled_from(
    [
        "From",
        "In-Reply-To",
        "Date",
        "Content-Type",
        "MIME-Version",
        "Content-Transfer-Encoding",
        "Auto-Submitted",
        "Subject",
    ]
)
LINES = st.lists(st.tuples(HEADERS, st.binary(max_size=60)), max_size=8)


@settings(max_examples=300, deadline=None)
@given(lines=LINES, body=st.binary(max_size=400))
@example(
    lines=[("Content-Type", b"multipart/mixed; boundary=b")], body=b"--b\nContent-Type: multipart/x; boundary=b\n\n--b"
)
def test_any_bytes_are_read(lines: list[tuple[str, bytes]], body: bytes) -> None:
    raw = b"".join(name.encode() + b": " + value + b"\n" for name, value in lines) + b"\n" + body
    mail = read_message(raw)
    assert mail.sender == mail.sender.casefold()
    assert mail.identity == read_message(raw).identity
