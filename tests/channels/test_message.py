"""A mail has exactly the headers we give it, whatever stands in names and subjects."""

from __future__ import annotations

import email
import email.policy
import re
from dataclasses import replace
from datetime import UTC, datetime
from email.header import decode_header, make_header
from email.message import EmailMessage
from email.utils import parseaddr

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from carewatch.channels.message import (
    LONGEST_NAME,
    LONGEST_SUBJECT,
    checked_address,
    clean,
    compose,
    message_id_for,
    reference_for,
)
from carewatch.errors import BadInput
from carewatch.notices.notice import Notice
from tests.letters import day_notice

SECRET = b"known to these tests only"
NOW = datetime(2026, 10, 19, 20, 15, tzinfo=UTC)
EXPECTED_HEADERS = [
    "From",
    "To",
    "Reply-To",
    "Subject",
    "Date",
    "Message-ID",
    "In-Reply-To",
    "References",
    "Auto-Submitted",
    "X-Carewatch-Kind",
    "X-Carewatch-Machines",
    "MIME-Version",
    "Content-Type",
]
HOSTILE = [
    "=?UTF-8?Q?=0A?=Bcc: everybody@farm.example",
    "=?utf-8?b?DQpCY2M6IHhAeS56?=",
    "=\x00?UTF-8?Q?=0AX-Evil:_1?=",
    "==??UTF-8?Q?=0AX-Evil:_1?=",
    "one\r\nBcc: everybody@farm.example",
    "one\nX-Evil: 1\n\n<script>",
    "one\u2028X-Evil: 1",
    "one\u2029X-Evil: 1",
    "one\x85X-Evil: 1",
    "one\x0b\x0c\x1c\x1dX-Evil: 1",
    "\u202egnp.exe",
    "\ud800 lone surrogate",
    '"quoted" <other@farm.example>, more@farm.example;',
    "Spritze 3 \N{EN DASH} heute Nacht \N{MINUS SIGN}3 °C, Ventile vorn und hinten noch nass, bitte bis 22:30 spülen!",
    "x" * 3000,
    "",
]


def notice(*, subject: str = "Sprayer 3 freezes tonight", machine: str = "sprayer-3", text: str = "Rinse.\n") -> Notice:
    return day_notice(
        "day|manager|2026-10-19", at=NOW, machines=(machine,), subject=subject, text=text, html=f"<p>{text}</p>"
    )


def composed(
    value: Notice,
    *,
    sender_name: str = "carewatch",
    references: tuple[str, ...] = ("<a@farm.example>",),
    reference: str | None = None,
) -> bytes:
    return compose(
        value,
        sender_name=sender_name,
        sender_address="watch@farm.example",
        reply_to="answers@farm.example",
        date=NOW,
        message_id=message_id_for(value.key, "farm.example", secret=SECRET),
        references=references,
        reference=reference,
    )


def parsed(raw: bytes) -> EmailMessage:
    mail = email.message_from_bytes(raw, policy=email.policy.default)
    assert isinstance(mail, EmailMessage)
    return mail


def header_names(raw: bytes) -> list[str]:
    """Read as a mail server does: every line up to the first empty one that does not go on a header begins one."""
    head = raw.split(b"\r\n\r\n", 1)[0]
    return [line.split(b":", 1)[0].decode() for line in head.split(b"\r\n") if not line.startswith((b" ", b"\t"))]


def name_of_sender(raw: bytes) -> str:
    """Read with the older parser: the newer one of 3.11 puts spaces between the encoded words of a name."""
    value = email.message_from_bytes(raw, policy=email.policy.compat32)["From"]
    name, _address = parseaddr(re.sub(r"\r\n", "", value))
    return str(make_header(decode_header(name)))


def lines_of(text: str) -> list[str]:
    """Split at the line ends a mail knows; a mail's last line always ends."""
    return re.split(r"\r\n|\r|\n", text.rstrip("\r\n"))


@pytest.mark.parametrize("hostile", HOSTILE, ids=ascii)
def test_hostile_values_add_no_header(hostile: str) -> None:
    raw = composed(notice(subject=hostile, machine=hostile), sender_name=hostile)
    assert header_names(raw) == EXPECTED_HEADERS
    assert parsed(raw)["From"].addresses[0].addr_spec == "watch@farm.example"
    assert [address.addr_spec for address in parsed(raw)["To"].addresses] == ["manager@farm.example"]


@given(st.text(max_size=300), st.text(max_size=100))
@example("=?UTF-8?Q?=0A?=", "=?UTF-8?Q?=0A?=")
@example(":" * 70, ":" * 70)
@example("é a" * 60, "é a" * 60)
def test_any_text_gives_the_same_headers_and_reads_back_clean(subject: str, name: str) -> None:
    raw = composed(notice(subject=subject, machine=name), sender_name=name)
    assert header_names(raw) == EXPECTED_HEADERS
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert b"\r" not in raw.replace(b"\r\n", b"")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998  # RFC 5322, 2.1.1
    assert parsed(raw)["Subject"] == clean(subject)[:LONGEST_SUBJECT].strip()
    assert name_of_sender(raw) == clean(name)[:LONGEST_NAME].strip()


@given(st.text(alphabet=st.sampled_from("=?\x00\u2028\r\n abQ0A"), max_size=60))
def test_clean_never_leaves_an_opening_of_an_encoded_word(value: str) -> None:
    assert "=?" not in clean(value)
    assert clean(clean(value)) == clean(value)


@given(st.text(max_size=400))
def test_the_text_arrives_as_written(text: str) -> None:
    body = parsed(composed(notice(text=text))).get_body(("plain",))
    assert body is not None
    written = text.encode("utf-8", "replace").decode().replace("\0", "")
    assert lines_of(body.get_content()) == lines_of(written)


def test_long_references_stay_whole() -> None:
    references = tuple(
        message_id_for(f"day|manager|{day}", "a-rather-long-name.farm.example", secret=SECRET) for day in range(12)
    )
    raw = composed(notice(), references=references)
    assert f"References: {' '.join(references)}\r\n".encode() in raw


def test_many_references_keep_the_first_and_the_newest() -> None:
    references = tuple(message_id_for(str(number), "farm.example", secret=SECRET) for number in range(50))
    kept = str(parsed(composed(notice(), references=references))["References"]).split()
    assert kept == [references[0], *references[-19:]]


def test_a_mail_says_it_is_automatic_and_has_both_bodies() -> None:
    mail = parsed(composed(notice()))
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5
    assert mail["Date"].datetime == NOW
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]


def test_same_arguments_give_the_same_bytes() -> None:
    assert composed(notice()) == composed(notice())


def test_seven_bit_bodies_pass_every_server() -> None:
    assert composed(notice(subject="°", text="−3 °C " * 500)).isascii()


def test_message_id_follows_the_key_and_the_secret() -> None:
    assert message_id_for("a", "farm.example", secret=SECRET) == message_id_for("a", "farm.example", secret=SECRET)
    assert message_id_for("a", "farm.example", secret=SECRET) != message_id_for("b", "farm.example", secret=SECRET)
    assert message_id_for("a", "farm.example", secret=SECRET) != message_id_for("a", "farm.example", secret=b"another")


def test_message_id_and_reference_are_parts_of_one_hmac() -> None:
    # RFC 4231, 4.3: HMAC-SHA-256 with key "Jefe" and data "what do ya want for nothing?"
    # 5bdcc146bf60754e6a042426089575c7 5a003f089d2739839dec58b964ec3843; base 32 as in RFC 4648, 6
    words = "what do ya want for nothing?"
    assert message_id_for(words, "farm.example", secret=b"Jefe") == "<5bdcc146bf60754e6a042426089575c7@farm.example>"
    assert reference_for(words, secret=b"Jefe") == "LIAD-6CE5-E44Y-HHPM"


def test_the_reference_stands_below_text_and_html() -> None:
    mail = parsed(composed(notice(), reference="LIAD-6CE5-E44Y-HHPM"))
    text, html = (part.get_content() for part in mail.iter_parts())
    assert text.splitlines()[-1] == "Ref: LIAD-6CE5-E44Y-HHPM"
    assert "Ref: LIAD-6CE5-E44Y-HHPM" in html


@pytest.mark.parametrize(
    "address", ["", "a", "a@b@c", "a b@c.d", "a@c.d\r\nBcc: x@y.z", "<a@b.c>", "a@b.c,d@e.f", "ä@b.c", "a@b..c"]
)
def test_an_address_that_is_none_is_named(address: str) -> None:
    with pytest.raises(BadInput, match="no mail address"):
        compose(
            notice(),
            sender_name="carewatch",
            sender_address=address,
            reply_to=None,
            date=NOW,
            message_id="<a@farm.example>",
        )


@pytest.mark.parametrize("address", ["", "nobody", "a@b.c\r\nBcc: x@y.z", "ä@b.c", "=?UTF-8?Q?=0A?=@b.c"])
def test_a_faulty_recipient_keeps_nobody_else_from_their_mail(address: str) -> None:
    raw = composed(replace(notice(), to=address))
    assert header_names(raw) == EXPECTED_HEADERS
    assert b"To: undisclosed-recipients:;\r\n" in raw


@given(st.from_regex(r"[a-z.=?+'{}|-]{1,12}@[a-zA-Z0-9.-]{1,12}", fullmatch=True))
def test_an_address_is_named_as_faulty_or_arrives_as_written(address: str) -> None:
    try:
        checked_address(address)
    except BadInput:
        return
    assert f"To: {address}\r\n".encode() in composed(replace(notice(), to=address))


@pytest.mark.parametrize("domain", ["", "a b", "farm.example>\r\nX: 1"])
def test_a_domain_that_is_none_is_named(domain: str) -> None:
    with pytest.raises(BadInput):
        message_id_for("a", domain, secret=SECRET)
