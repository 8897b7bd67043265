"""Answer pages in words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from carewatch.logbook.kinds import HELP
from carewatch.notices.evening_words import ONE_SIDE_OPTIONS, OPTIONS
from carewatch.notices.holding import holds_sentence, place_sentence
from carewatch.notices.morning_after import OPTIONS as THAW_OPTIONS
from carewatch.notices.night_lines import PROTECT_OPTIONS
from carewatch.notices.reply_deeds import Asked, Options
from carewatch.notices.words import Reader
from carewatch.service.answer_pages import Page, Taken
from carewatch.web.views.words import reader_for


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerView:
    """One machine on an answer page. `buttons`: digit and words; `places`: value and words."""

    id: str
    name: str
    asked_for: str
    holds: str
    stands: str
    is_over: bool
    buttons: tuple[tuple[int, str], ...]
    places: tuple[tuple[str, str], ...]


def answer_views(opened: Page, *, now: datetime) -> list[AnswerView]:
    """The machines of an answer page."""
    return [_answer_view(opened, asked, now=now) for asked in opened.asked]


def _answer_view(opened: Page, asked: Asked, *, now: datetime) -> AnswerView:
    one = opened.machines[asked.machine.id]
    reader = reader_for(opened.people[0], one)
    return AnswerView(
        id=asked.machine.id,
        name=asked.machine.name,
        asked_for=_asked_words(asked, reader),
        holds=holds_sentence(one, opened.roster, reader, now),
        stands=place_sentence(one),
        is_over=asked.is_over,
        buttons=_buttons(asked, is_standing=opened.notice is None),
        places=tuple(
            (f"{site.id}/{place.id}", f"{place.name}, {site.name}") for site in asked.sites for place in site.places
        ),
    )


def _asked_words(asked: Asked, reader: Reader) -> str:
    if asked.options is Options.THAW:
        return "Was anything frozen?"
    if asked.options is Options.PROTECT:
        by = f" by {reader.clock(asked.protect_due_at)}" if asked.protect_due_at else ""
        return f"How is it protected{by}?"
    return "What was done after spraying?"


def _buttons(asked: Asked, *, is_standing: bool) -> tuple[tuple[int, str], ...]:
    if asked.options is Options.THAW:
        return THAW_OPTIONS
    if asked.options is Options.PROTECT:
        return tuple(
            (digit, "I will, by the deadline" if digit == 4 else words)
            for digit, words in PROTECT_OPTIONS
            if digit != 6 or asked.may_leave
        )
    return tuple((digit, words) for digit, words in _evening_buttons(asked) if not is_standing or digit <= 4)


def _evening_buttons(asked: Asked) -> tuple[tuple[int, str], ...]:
    labels = [side.label for side in asked.machine.sides]
    if len(labels) < 2:
        return ONE_SIDE_OPTIONS
    named = {3: f"{labels[0]} side only", 4: f"{labels[1]} side only"}
    return tuple((digit, named.get(digit, words)) for digit, words in OPTIONS)


def kept_words(taken: Taken) -> list[str]:
    """What a tap was kept as."""
    first = "Kept:" if taken.is_new else "That was kept before:"
    return [f"{first} {HELP[kind]}" for kind in taken.kinds]
