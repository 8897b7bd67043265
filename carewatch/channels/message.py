"""Turns a notice into the bytes of a mail. Header values are cleaned: names of machines and people are user text."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import unicodedata
from collections.abc import Sequence
from datetime import datetime
from email.header import Header
from email.headerregistry import Address, AddressHeader, BaseHeader
from email.message import EmailMessage
from email.policy import EmailPolicy
from email.utils import quote

from carewatch.errors import BadInput
from carewatch.notices.notice import Notice

WHOLE_HEADERS = frozenset({"references", "in-reply-to", "message-id"})
"""Never folded."""

TEXT_HEADERS = frozenset({"subject", "x-carewatch-machines"})
"""Free text, in encoded words where it is not ASCII."""

FOLD_AT = 75
"""Longest encoded word (RFC 2047, 2)."""

LONGEST_LINE = 998
"""RFC 5322, 2.1.1."""

LONGEST_SUBJECT = 200
"""Chosen: no mail program shows more."""

LONGEST_NAME = 60
"""Chosen: the same for the name of a sender."""

MOST_REFERENCES = 20
"""Chosen: keeps the line under LONGEST_LINE with our Message-IDs; the first and the newest are kept."""

MESSAGE_ID_BYTES = 16
REFERENCE_BYTES = 10
"""Of the 32 bytes of the mark: 128 bits for the header, 80 bits for the line people see; chosen: neither is guessed."""

_UNSAFE_CATEGORIES = frozenset({"Cc", "Cs", "Zl", "Zp"})
_DIRECTION_MARKS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_ATOM = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?"
_ADDRESS = re.compile(rf"(?=[^@]{{1,64}}@.{{1,255}}\Z){_ATOM}(?:\.{_ATOM})*@{_LABEL}(?:\.{_LABEL})*")
"""A dot-string at a host name (RFC 5321, 4.1.2), with its lengths (4.5.3.1)."""


class MailPolicy(EmailPolicy):
    """SMTP line ends, 7-bit bodies, and headers folded by us.

    Python's newer folding loses spaces between encoded words of a long subject, wraps long Message-IDs into encoded
    words, and puts a line break before a first word that is long; its older `Header` does none of this.
    """

    def fold(self, name: str, value: str) -> str:
        """Give one header as text."""
        lower = name.lower()
        if lower in WHOLE_HEADERS:
            return f"{name}: {value}\r\n"
        if lower in TEXT_HEADERS:
            return f"{name}: {_encoded(str(value), name)}\r\n"
        if isinstance(value, BaseHeader) and isinstance(value, AddressHeader) and value.addresses:
            return f"{name}: {', '.join(_encoded_address(address) for address in value.addresses)}\r\n"
        return str(super().fold(name, value))

    def fold_binary(self, name: str, value: str) -> bytes:
        """Give one header as bytes."""
        return self.fold(name, value).encode("ascii")


_POLICY = MailPolicy(linesep="\r\n", cte_type="7bit", max_line_length=LONGEST_LINE)


def compose(
    notice: Notice,
    *,
    sender_name: str,
    sender_address: str,
    reply_to: str | None,
    date: datetime,
    message_id: str,
    references: Sequence[str] = (),
    reference: str | None = None,
) -> bytes:
    """Give the whole mail; the same arguments give the same bytes. `reference`: the line that ties a reply to it.

    A faulty sender is a fault of the settings and raises BadInput. A faulty recipient must not keep the others from
    their mail: it is left out here, and the channel refuses it when its turn comes.
    """
    mail = EmailMessage(policy=_POLICY)
    mail["From"] = Address(clean(sender_name)[:LONGEST_NAME].strip(), addr_spec=checked_address(sender_address))
    mail["To"] = _recipient(notice.to)
    if reply_to is not None:
        mail["Reply-To"] = Address(addr_spec=checked_address(reply_to))
    mail["Subject"] = clean(notice.subject)[:LONGEST_SUBJECT].strip()
    mail["Date"] = date
    mail["Message-ID"] = clean(message_id)
    if references:
        kept = [clean(reference) for reference in (*references[:1], *references[1:][1 - MOST_REFERENCES :])]
        mail["In-Reply-To"] = kept[-1]
        mail["References"] = " ".join(kept)
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday reply comes back
    mail["X-Carewatch-Kind"] = notice.kind.value
    mail["X-Carewatch-Machines"] = clean(", ".join(notice.machines))[:LONGEST_SUBJECT].strip()
    text, html = _with_reference(notice, reference)
    mail.set_content(_body_text(text))
    mail.add_alternative(_body_text(html), subtype="html")
    mail.set_boundary("=_" + hashlib.sha256(message_id.encode()).hexdigest()[:32])
    return mail.as_bytes()


def message_id_for(key: str, domain: str, *, secret: bytes) -> str:
    """Give the Message-ID of a notice: the same key has the same one for ever, and nobody else can work it out."""
    if _ADDRESS.fullmatch(f"x@{domain}") is None:
        raise BadInput(f"{domain!r} cannot stand in a Message-ID; write a domain such as farm.example.")
    return f"<{_mark(key, secret)[:MESSAGE_ID_BYTES].hex()}@{domain}>"


def reference_for(key: str, *, secret: bytes) -> str:
    """Give the reference of a notice for its text, another part of the same mark: ABCD-EFGH-IJKL-MNOP."""
    mark = _mark(key, secret)[MESSAGE_ID_BYTES : MESSAGE_ID_BYTES + REFERENCE_BYTES]
    letters = base64.b32encode(mark).decode()
    return "-".join(letters[start : start + 4] for start in range(0, len(letters), 4))


def _mark(key: str, secret: bytes) -> bytes:
    return hmac.digest(secret, key.encode(), "sha256")


def clean(value: str) -> str:
    """Give a header value that can only be one header value.

    Python up to 3.12.4 takes `=?UTF-8?Q?=0A?=` inside a value for a real line feed and starts a new header
    (python/cpython issue 121650), so that opening is broken up as well.
    """
    spaced = "".join(
        " " if unicodedata.category(char) in _UNSAFE_CATEGORIES or char in _DIRECTION_MARKS else char for char in value
    )
    return " ".join(spaced.replace("=?", "= ?").split())


def checked_address(address: str) -> str:
    """Give a plain mail address back, or say what is wrong with it."""
    if _ADDRESS.fullmatch(address) is None or "=?" in address:
        raise BadInput(f"{address!r} is no mail address we can write to; write it like name@farm.example.")
    return address


def _with_reference(notice: Notice, reference: str | None) -> tuple[str, str]:
    """Text and HTML with the reference below: a reply that lost its headers still says what it answers."""
    if reference is None:
        return notice.text, notice.html
    before, body_end, after = notice.html.rpartition("</body>")
    line = f'<p style="font-size: 85%;">Ref: {reference}</p>\n'
    html = f"{before}{line}{body_end}{after}" if body_end else f"{notice.html}\n{line}"
    return f"{notice.text.rstrip()}\nRef: {reference}\n", html


def _recipient(address: str) -> Address | str:
    try:
        return Address(addr_spec=checked_address(address))
    except BadInput:
        return "undisclosed-recipients:;"  # RFC 5322, A.1.3: a group without members


def _encoded(text: str, header_name: str) -> str:
    if text.isascii():
        return text
    return Header(text, "utf-8", header_name=header_name, maxlinelen=FOLD_AT).encode(linesep="\r\n")


def _encoded_address(address: Address) -> str:
    name = address.display_name
    if not name:
        return address.addr_spec
    if name.isascii():
        return f'"{quote(name)}" <{address.addr_spec}>'
    words = Header(name, "utf-8", maxlinelen=FOLD_AT).encode(linesep="\r\n")
    return f"{words}\r\n <{address.addr_spec}>"


def _body_text(text: str) -> str:
    # A lone surrogate cannot be sent in any encoding; a NUL is forbidden in a mail (RFC 5322, 3.5).
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "")
