"""Mail as files: each message one .eml in a folder, for the demo, for replays and for trying out."""

from __future__ import annotations

import contextlib
import email
import email.policy
import hashlib
import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path

from carewatch.channels.port import ChannelDown

LONGEST_SLUG = 40
"""Chosen: names stay readable and under every file system's limit."""


@dataclass(frozen=True, slots=True)
class FileChannel:
    """A folder. The same message written twice is one file: its name ends with a mark of its Message-ID."""

    folder: Path

    def send(self, raw: bytes, *, sender: str, recipient: str) -> None:  # noqa: ARG002 -- the port's arguments
        """Write one message; it is there whole, or not at all."""
        target = self.folder / file_name(raw, recipient)
        half = target.with_suffix(f".{os.getpid()}.part")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            _write_through(half, raw)
            half.replace(target)
            _sync_folder(self.folder)
        except OSError as error:
            with contextlib.suppress(OSError):
                half.unlink()
            raise ChannelDown(f"{self.folder} cannot take the message: {error.strerror}.") from error


def file_name(raw: bytes, recipient: str) -> str:
    """Give the name of a message's file: time, kind, machine and a mark of message and recipient."""
    headers = email.message_from_bytes(raw, policy=email.policy.compat32)
    identity = f"{headers.get('Message-ID', hashlib.sha256(raw).hexdigest())}|{recipient}"
    mark = hashlib.sha256(identity.encode("utf-8", "replace")).hexdigest()[:8]
    kind = _slug(headers.get("X-Carewatch-Kind"), "message")
    machine = _slug(headers.get("X-Carewatch-Machines"), "")
    return "-".join(part for part in (_stamp(headers.get("Date")), kind, machine, mark) if part) + ".eml"


def _stamp(date: object) -> str:
    try:
        at = parsedate_to_datetime(str(date))
    except ValueError:
        return "undated"
    # A Date of "-0000" comes back without a zone and is in UTC (RFC 5322, 3.3).
    aware: datetime = at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    return aware.strftime("%Y%m%dT%H%M%SZ")


def _slug(value: object, default: str) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", str(value if value is not None else default).lower())
    return plain[:LONGEST_SLUG].strip("-")


def _write_through(path: Path, raw: bytes) -> None:
    with path.open("wb") as file:
        file.write(raw)
        file.flush()
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    # Without it a power cut may lose the new name though the bytes are on disk.
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
