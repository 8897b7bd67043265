"""Reads an answer that came by mail: one digit, with the machine's name or number where a notice names several.

Whatever is not plainly said changes nothing: the reader is told what was not clear, and may answer again.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from carewatch.errors import BadInput
from carewatch.notices.notice import NoticeKind
from carewatch.notices.reply_deeds import Asked, Deed, Options, deeds_of
from carewatch.notices.reply_text import own_words
from carewatch.notices.reply_words import has_name, name_pattern, without_name
from carewatch.roster.model import Machine

MOST_LINES = 12  # chosen: an answer is one line for each machine; more is a letter
MOST_LETTERS = 2_000
REFERENCE = re.compile(r"\bref\s*[:.]?\s*((?:[A-Z2-7]{4}-){3}[A-Z2-7]{4})\b", re.IGNORECASE)

_GREETING = re.compile(
    r"^(?:hi|hello|hey|good (?:morning|evening|afternoon)|dear|hallo|moin|thanks|ok|okay)\b[^\d]{0,40}$", re.IGNORECASE
)
_WORD = r"(?:(?:my\s+)?(?:answer|reply|option|digit|number)\b\s*(?:is\b)?\s*[:#=]?\s*|#)?"
# a digit by itself: not part of a number, a time of day, an amount
_DIGIT = (
    r"(?P<digit>[0-9])(?![\w%]|[:.,]\d|\s?(?:[ap]\.?\s?m\b|h\b|hrs?\b|hours?\b|gal|l\b|lit|°|%)"
    r"|\s?(?:st|nd|rd|th)\b)"
)
_FLAG = re.IGNORECASE
_BETWEEN = r"\s*[:=,.\-–>)]*\s*"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadReply:
    """What an answer says. `unclear` is empty, or says why nothing at all is taken from it."""

    deeds: tuple[Deed, ...] = ()
    unclear: str = ""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Statement:
    """One digit about one machine, and the words behind it."""

    asked: Asked
    digit: int
    tail: str


def options_of(kind: NoticeKind, duties: Sequence[str], *, of_notice: Sequence[str]) -> Options | None:
    """Which digits a notice of this kind offered for a machine with these duties; None: it asked nothing of it.

    One message offers one set of digits: a flush of any machine (`of_notice`: all its duties) decides for all of them.
    """
    kinds = {duty.partition("|")[0] for duty in duties}
    match kind:
        case NoticeKind.EVENING:
            is_flush = any(not duty.startswith("protect|") for duty in of_notice)
            return None if not kinds else Options.EVENING if is_flush else Options.PROTECT
        case NoticeKind.DAY | NoticeKind.WORSE | NoticeKind.STILL_WET:
            return Options.PROTECT if "protect" in kinds else None
        case NoticeKind.MORNING_AFTER:
            return Options.THAW if "thaw" in kinds else None
        case _:
            return None


def references_in(text: str) -> tuple[str, ...]:
    """The reference lines of our messages that stand in a text, quoted or not."""
    return tuple(dict.fromkeys(found.group(1).upper() for found in REFERENCE.finditer(text)))


def read_reply(
    text: str, *, asked: Sequence[Asked], others: Sequence[Machine] = (), at: datetime, sent_text: str = ""
) -> ReadReply:
    """Read one answer. `others`: machines the notice did not ask about; `at`: when it was written."""
    lines = [line for line in own_words(REFERENCE.sub(" ", text), sent_text=sent_text) if line]
    while lines and _GREETING.match(lines[0]):
        lines.pop(0)
    try:
        statements = _statements(lines[:MOST_LINES], asked)
        _refuse_others(lines[:MOST_LINES], asked, others)
        deeds: list[Deed] = []
        remarks: list[str] = []
        for statement in statements:
            done, told = deeds_of(statement.asked, statement.digit, statement.tail, at=at)
            deeds += done
            remarks += told
    except BadInput as trouble:
        return ReadReply(unclear=str(trouble))
    return ReadReply(deeds=tuple(deeds), remarks=tuple(remarks))


def _statements(lines: Sequence[str], asked: Sequence[Asked]) -> list[_Statement]:
    if not lines:
        raise BadInput("I found no words of yours in it.")
    if sum(map(len, lines)) > MOST_LETTERS:
        raise BadInput("That is too long for an answer.")
    if len(asked) == 1:
        return [_single(lines, asked[0])]
    found = _several(lines, asked)
    digits: dict[str, int] = {}
    for statement in found:
        if digits.setdefault(statement.asked.machine.id, statement.digit) != statement.digit:
            raise BadInput(f"There are two different digits for {statement.asked.machine.name}.")
    return list({statement.asked.machine.id: statement for statement in reversed(found)}.values())[::-1]


def _single(lines: Sequence[str], asked: Asked) -> _Statement:
    text = "\n".join(lines)
    name = _reference_pattern(asked.machine, (asked.machine,))
    found = re.match(rf"(?:{name}{_BETWEEN})?{_WORD}{_DIGIT}", text, re.IGNORECASE) or re.match(
        rf"{_WORD}{_DIGIT}", text, re.IGNORECASE
    )
    if found is None:
        raise BadInput("It does not begin with one digit.")
    return _Statement(asked=asked, digit=int(found["digit"]), tail=_own_tail(asked.machine, text[found.end() :]))


def _several(lines: Sequence[str], asked: Sequence[Asked]) -> list[_Statement]:
    text = "\n".join(lines)
    all_of_them = re.match(rf"all(?: of them)?{_BETWEEN}{_WORD}{_DIGIT}", text, re.IGNORECASE)
    if all_of_them:
        tail = text[all_of_them.end() :]
        return [_Statement(asked=one, digit=int(all_of_them["digit"]), tail=tail) for one in asked]
    machines = tuple(one.machine for one in asked)
    marks = []
    for one in asked:
        name = _reference_pattern(one.machine, machines)
        pattern = rf"(?:^|(?<=\n)|[,;&]\s*|\.\s+|\band\s+){name}{_BETWEEN}{_WORD}{_DIGIT}"
        marks += [(found.start(), found.end(), int(found["digit"]), one) for found in re.finditer(pattern, text, _FLAG)]
    marks.sort(key=lambda mark: mark[:2])
    if not marks or re.search(r"\d", text[: marks[0][0]]):
        raise BadInput(f"Write machine and digit, for example: {_example(asked)}")
    ends = [start for start, *_ in marks[1:]] + [len(text)]
    return [
        _Statement(asked=one, digit=digit, tail=_own_tail(one.machine, text[start:end]))
        for (_, start, digit, one), end in zip(marks, ends, strict=True)
    ]


def _reference_pattern(machine: Machine, among: Sequence[Machine]) -> str:
    """Name, id, or the number in its name where only one of these machines has it."""
    patterns = [pattern for name in (machine.name, machine.id) if (pattern := name_pattern(name))]
    number = _number_in(machine.name)
    if number and sum(_number_in(other.name) == number for other in among) == 1:
        patterns.append(rf"(?<!\w)(?:nr\.?|no\.?|#|machine|sprayer)?\s*{number}(?!\w|[:.]\d)")
    return f"(?:{'|'.join(patterns)})" if patterns else r"(?!)"


def _number_in(name: str) -> str | None:
    numbers = re.findall(r"\d+", name)
    return numbers[0] if len(numbers) == 1 else None


def _own_tail(machine: Machine, tail: str) -> str:
    for name in (machine.name, machine.id):
        tail = without_name(name, tail)
    return tail


def _example(asked: Sequence[Asked]) -> str:
    return f"{_number_in(asked[0].machine.name) or asked[0].machine.name} 5"


def _refuse_others(lines: Sequence[str], asked: Sequence[Asked], others: Sequence[Machine]) -> None:
    text = "\n".join(lines)
    for one in asked:
        text = _own_tail(one.machine, text)
    for machine in others:
        if has_name(machine.name, text) or has_name(machine.id, text):
            raise BadInput(f"That message did not ask about {machine.name}. Answer the message about it.")
