"""A received mail as plain values: who, what it answers, the words. Hostile mails give less, never an error."""

from __future__ import annotations

import email
import email.policy
import hashlib
import html
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from email.errors import MessageError
from email.message import Message
from email.utils import parsedate_to_datetime
from itertools import islice

MOST_PARTS = 40
"""Parts of a mail that are looked at; chosen."""

MOST_TEXT = 50_000
"""Characters of words that are kept; chosen: an answer is a line."""

LONGEST_HEADER = 10_000
MOST_REFERENCES = 40
BULK = frozenset({"bulk", "list", "junk", "auto_reply"})
AUTOMATIC_HEADERS = (
    "X-Autoreply", "X-Autorespond", "X-Auto-Response-Suppress", "X-Failed-Recipients", "List-Id", "List-Unsubscribe",
)  # fmt: skip
"""Written by answering machines and lists (in use, no standard); a person's mail has none of them."""

_MESSAGE_ID = re.compile(r"<[^<>\s]{3,250}>")
_BARE = re.compile(r"\s*([^\s<>,;:\"()\[\]@]+@[^\s<>,;:\"()\[\]@]+)\s*")
_NAMED = re.compile(
    r"\s*(?:\"(?:[^\"\\]|\\.)*\"|[^<>,;:\"()]*?)\s*<\s*([^\s<>,;:\"()\[\]@]+@[^\s<>,;:\"()\[\]@]+)\s*>\s*"
)
_TOKEN = re.compile(r"<(/?)([a-zA-Z][a-zA-Z0-9]*)([^<>]*)>|<[^<>]*>|([^<]+)|<")
_QUOTE_CLASS = re.compile(r"\bclass\s*=\s*[\"']?[^\"'>]*quote", re.IGNORECASE)
_BLOCKS = frozenset({"p", "div", "br", "tr", "li", "table", "ul", "ol", "h1", "h2", "h3", "pre", "hr"})
_UNSEEN = frozenset({"style", "script", "head", "title", "blockquote", "template"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounce:
    """A report that a message could not be delivered for good (RFC 3464)."""

    recipient: str
    message_ids: tuple[str, ...]
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """One mail. `sender` is empty unless there is exactly one address in exactly one From, in small letters.

    `identity` is the same whenever the same mail is read; `answers`: Message-IDs it refers to, nearest first.
    """

    identity: str
    sender: str
    message_id: str
    answers: tuple[str, ...]
    subject: str
    sent_at: datetime | None
    text: str
    is_automatic: bool
    bounces: tuple[Bounce, ...] = ()


def read_message(raw: bytes) -> Received:
    """Read one mail, whole or cut off."""
    try:
        return _read(email.message_from_bytes(raw, policy=email.policy.compat32), raw)
    except (MessageError, RecursionError, LookupError, ValueError, TypeError, AttributeError, AssertionError):
        # nested or broken beyond what the library reads: nothing in it is taken for an answer
        return Received(
            identity=hashlib.sha256(raw).hexdigest(), sender="", message_id="", answers=(), subject="", sent_at=None,
            text="", is_automatic=True,
        )  # fmt: skip


def _read(mail: Message, raw: bytes) -> Received:
    sender, message_id = _sender(mail), _one(mail, "Message-ID")
    identity = f"{sender}\n{message_id}".encode("utf-8", "replace") if sender and message_id else raw
    parts = list(islice(mail.walk(), MOST_PARTS))
    return Received(
        identity=hashlib.sha256(identity).hexdigest(),
        sender=sender,
        message_id=message_id,
        answers=_answers(mail),
        subject=_header(mail, "Subject"),
        sent_at=_date(mail),
        text=_words(parts),
        is_automatic=_is_automatic(mail),
        bounces=tuple(_bounces(mail, parts)),
    )


def _header(mail: Message, name: str) -> str:
    return " ".join(str(mail.get(name, ""))[:LONGEST_HEADER].split())


def _one(mail: Message, name: str) -> str:
    found = _MESSAGE_ID.search(_header(mail, name))
    return found.group() if found else ""


def _sender(mail: Message) -> str:
    """The one address of the one From: anything that could be read in two ways is nobody."""
    written = mail.get_all("From", [])
    if len(written) != 1 or len(str(written[0])) > LONGEST_HEADER:
        return ""
    line = " ".join(str(written[0]).split())
    found = _NAMED.fullmatch(line) or _BARE.fullmatch(line)
    return found.group(1).casefold() if found and found.group(1).isascii() else ""


def _answers(mail: Message) -> tuple[str, ...]:
    nearest = _MESSAGE_ID.findall(_header(mail, "In-Reply-To"))
    further = reversed(_MESSAGE_ID.findall(_header(mail, "References")))
    return tuple(islice(dict.fromkeys((*nearest, *further)), MOST_REFERENCES))


def _date(mail: Message) -> datetime | None:
    try:
        at = parsedate_to_datetime(_header(mail, "Date"))
        # "-0000" comes back without a zone and is in UTC (RFC 5322, 3.3)
        return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    except (ValueError, TypeError, OverflowError, IndexError):
        return None


def _is_automatic(mail: Message) -> bool:
    """Whether no person wrote it: RFC 3834, 5 (Auto-Submitted), an empty way back (RFC 5321, 6.1), lists, reports."""
    submitted = _header(mail, "Auto-Submitted").partition(";")[0].strip().lower()
    is_told = submitted not in ("", "no") or _header(mail, "Precedence").lower() in BULK
    is_report = mail.get_content_type() in ("multipart/report", "message/delivery-status")
    has_no_way_back = mail.get("Return-Path") is not None and _header(mail, "Return-Path") == "<>"
    return is_told or is_report or has_no_way_back or any(name in mail for name in AUTOMATIC_HEADERS)


# ---------------------------------------------------------------- the words


def _words(parts: list[Message]) -> str:
    """The first plain text, else the first HTML as text; attachments are never looked at."""
    for wanted, change in (("text/plain", str), ("text/html", html_words)):
        for part in parts:
            if part.get_content_type() == wanted and part.get_content_disposition() != "attachment":
                words = change(_decoded(part)[:MOST_TEXT])
                if words.strip():
                    return words
    return ""


def _decoded(part: Message) -> str:
    payload = part.get_payload(decode=True)
    if not isinstance(payload, bytes):
        return ""
    charset = str(part.get_content_charset() or "utf-8")
    try:
        return payload.decode(charset if charset != "us-ascii" else "utf-8", "replace")
    except (LookupError, ValueError):
        return payload.decode("utf-8", "replace")


def html_words(text: str) -> str:
    """HTML as lines of text, without quotations, styles and scripts.

    Not the library's parser: a mail made for it holds that one for half a minute. This one looks at each letter once.
    """
    found: list[str] = []
    unseen: list[str] = []
    for token in _TOKEN.finditer(_without_comments(text)):
        closing, tag, more, words = token.groups()
        if words is not None:
            found.append("" if unseen else html.unescape(words.replace("\n", " ")))
            continue
        tag = (tag or "").lower()
        if closing:
            if unseen and tag == unseen[-1]:
                unseen.pop()
        elif tag in _UNSEEN or (unseen and tag == unseen[-1]) or (tag == "div" and _QUOTE_CLASS.search(more or "")):
            unseen.append(tag)
        if tag in _BLOCKS:
            found.append("\n")
    return "".join(found)


def _without_comments(text: str) -> str:
    kept, at = [], 0
    while (start := text.find("<!--", at)) >= 0:
        kept.append(text[at:start])
        end = text.find("-->", start + 4)
        if end < 0:
            return "".join(kept)
        at = end + 3
    return "".join((*kept, text[at:]))


# ---------------------------------------------------------------- reports of non-delivery


def _bounces(mail: Message, parts: list[Message]) -> Iterator[Bounce]:
    """Recipients that failed for good; what is only late may still arrive."""
    if mail.get_content_type() != "multipart/report":
        return
    ids = tuple(dict.fromkeys(one for part in parts for one in _original_ids(part)))
    for part in parts:
        if part.get_content_type() != "message/delivery-status":
            continue
        blocks = part.get_payload()
        for block in islice(blocks if isinstance(blocks, list) else (), MOST_PARTS):
            status, action = _header(block, "Status"), _header(block, "Action").lower()
            recipient = _header(block, "Final-Recipient").rpartition(";")[2].strip().strip("<>").casefold()
            if action == "failed" and not status.startswith(("4", "2")) and recipient:
                said = _header(block, "Diagnostic-Code") or status
                yield Bounce(recipient=recipient, message_ids=ids, said=said[:200])


def _original_ids(part: Message) -> Iterator[str]:
    """The Message-ID of the message that came back, whole or only its headers."""
    kind = part.get_content_type()
    if kind == "message/rfc822":
        inner = part.get_payload()
        messages = [one for one in inner if isinstance(one, Message)] if isinstance(inner, list) else []
        yield from (one for message in messages if (one := _one(message, "Message-ID")))
    elif kind in ("text/rfc822-headers", "message/rfc822-headers"):
        headers = email.message_from_string(_decoded(part), policy=email.policy.compat32)
        if one := _one(headers, "Message-ID"):
            yield one
