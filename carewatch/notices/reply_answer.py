"""The plain word back to a reply that changed nothing, or of which something has to be known: short, at most once."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from carewatch.notices.evening_words import ONE_SIDE_OPTIONS
from carewatch.notices.evening_words import OPTIONS as EVENING_OPTIONS
from carewatch.notices.letter import Letter, set_letter, tidy
from carewatch.notices.morning_after import OPTIONS as THAW_OPTIONS
from carewatch.notices.night_lines import PROTECT_OPTIONS
from carewatch.notices.notice import Notice, NoticeKind, SentNotice
from carewatch.notices.reply_deeds import Asked, Options

WORTH_SENDING_FOR = timedelta(hours=24)
NOTHING = "Your answer changed nothing"
_DIGITS = {Options.EVENING: EVENING_OPTIONS, Options.PROTECT: PROTECT_OPTIONS, Options.THAW: THAW_OPTIONS}


def unclear_letter(notice: SentNotice, reason: str, asked: Sequence[Asked]) -> Letter:
    """What was not clear, and the digits once more."""
    how = "one digit" if len(asked) == 1 else "machine and digit"
    return Letter(
        subject=f"Not clear: {notice.subject}",
        opening=f"{NOTHING}. {reason}",
        answer=f"Please reply to the first message again with {how} at the start:" if asked else "",
        options=_options(asked),
    )


def over_letter(notice: SentNotice) -> Letter:
    """It came too late."""
    return Letter(
        subject=f"Too late: {notice.subject}",
        opening=f"{NOTHING}: what that message asked is over.",
        rest=("If something was done that the logbook should know, tell whoever keeps it.",),
    )


def remarks_letter(notice: SentNotice, remarks: Sequence[str]) -> Letter:
    """It was taken; this has to be known."""
    return Letter(
        subject=f"Taken down, but: {notice.subject}", opening="Your answer is in the logbook.", rest=tuple(remarks)
    )


def untied_letter() -> Letter:
    """Somebody we know wrote, but to no message of ours."""
    return Letter(
        subject=NOTHING,
        opening=f"{NOTHING}: I cannot tell which message it belongs to.",
        rest=('Please open the message that asked and use "Reply" there; leave its last line (Ref: ...) in the text.',),
    )


def foreign_letter() -> Letter:
    """The message was another person's: nothing of it is told."""
    return Letter(
        subject=NOTHING,
        opening=f"{NOTHING}: that message was sent to another address, and only that address can answer it.",
    )


def word_back(letter: Letter, *, key: str, to: str, person: str, refers_to: SentNotice | None, now: datetime) -> Notice:
    """The letter as a message to one address."""
    text, html = set_letter(letter)
    return Notice(
        key=key,
        kind=NoticeKind.ANSWER,
        person=person,
        to=to,
        machines=(),
        duties=(),
        subject=tidy(letter.subject),
        text=text,
        html=html,
        created_at=now,
        not_after=now + WORTH_SENDING_FOR,
        refers_to=refers_to.key if refers_to else None,
    )


def _options(asked: Sequence[Asked]) -> tuple[tuple[int, str], ...]:
    sets = {one.options for one in asked}
    if len(sets) != 1:
        return ()
    if sets == {Options.EVENING} and all(len(one.machine.sides) == 1 for one in asked):
        return ONE_SIDE_OPTIONS
    return _DIGITS[sets.pop()]
