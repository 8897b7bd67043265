"""A message is one file, whole or not there, and no name leaves its folder."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.channels.files import FileChannel, file_name
from carewatch.channels.port import ChannelDown

SENDER, MANAGER = "watch@farm.example", "manager@farm.example"


def raw(*, date: str = "Mon, 19 Oct 2026 22:15:00 +0200", kind: str = "day", machine: str = "sprayer-3") -> bytes:
    head = f"Date: {date}\nX-Carewatch-Kind: {kind}\nX-Carewatch-Machines: {machine}\nMessage-ID: <a@farm.example>\n\n"
    return head.encode("utf-8", "replace") + b"Rinse.\n"


def test_the_name_says_time_kind_and_machine() -> None:
    assert re.fullmatch(r"20261019T201500Z-day-sprayer-3-[0-9a-f]{8}\.eml", file_name(raw(), MANAGER))


@pytest.mark.parametrize("date", ["", "yesterday", "Mon, 99 Xxx 2026 99:99:99 +9999", "0"])
def test_a_date_nobody_can_read_is_said_so(date: str) -> None:
    assert file_name(raw(date=date), MANAGER).startswith("undated-day-")


@given(st.text(max_size=300), st.text(max_size=300), st.text(max_size=50))
def test_no_name_leaves_its_folder(kind: str, machine: str, recipient: str) -> None:
    assert re.fullmatch(r"[A-Za-z0-9-]{1,120}\.eml", file_name(raw(kind=kind, machine=machine), recipient))


@given(st.binary(max_size=400))
def test_bytes_that_are_no_mail_still_get_a_name(anything: bytes) -> None:
    assert re.fullmatch(r"[A-Za-z0-9-]{1,120}\.eml", file_name(anything, MANAGER))


def test_sending_again_after_a_crash_makes_no_second_file(tmp_path: Path) -> None:
    channel = FileChannel(tmp_path)
    for _ in range(2):
        channel.send(raw(), sender=SENDER, recipient=MANAGER)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [raw()]


def test_a_write_that_fails_leaves_no_half_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ChannelDown, match="No space left"):
        FileChannel(tmp_path).send(raw(), sender=SENDER, recipient=MANAGER)
    assert list(tmp_path.iterdir()) == []
