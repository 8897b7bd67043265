"""One notice for tests that care about its way, not about its words."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from carewatch.notices.notice import Notice, NoticeKind


def day_notice(key: str, *, at: datetime, hours: float = 6, person: str = "manager", **changes: Any) -> Notice:
    """The morning mail about one machine, written at `at` and of use for so many hours; the rest as told."""
    usual = Notice(
        key=key,
        kind=NoticeKind.DAY,
        person=person,
        to=f"{person}@farm.example",
        machines=("sprayer-3",),
        duties=(),
        subject="Sprayer 3 freezes tonight",
        text="Rinse both sides.",
        html="<p>Rinse both sides.</p>",
        created_at=at,
        not_after=at + timedelta(hours=hours),
    )
    return replace(usual, **changes)
