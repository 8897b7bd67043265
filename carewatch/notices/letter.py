"""A letter: everything one message says, in order, before it is set as text and HTML."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One machine in a letter: a word that tells how it stands, its name, sentences."""

    tag: str
    machine: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """One message. Empty parts leave no gap. `options` are (digit, words); `steps` are numbered in their order."""

    subject: str
    opening: str
    rows: tuple[Row, ...] = ()
    steps_heading: str = ""
    steps: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    answer: str = ""
    options: tuple[tuple[int, str], ...] = ()
    rest: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()


def set_letter(letter: Letter) -> tuple[str, str]:
    """The letter as (plain text, HTML); the text is complete on its own."""
    environment, letter = _environments(), _tidied(letter)
    text = environment[0].get_template("letter.txt").render(letter=letter)
    html = environment[1].get_template("letter.html").render(letter=letter)
    return text.strip() + "\n", html


def tidy(text: str) -> str:
    """One line without control or direction characters: a name can neither break a header nor fake a line."""
    kept = "".join(letter if unicodedata.category(letter)[0] != "C" else " " for letter in text)
    return " ".join(kept.split())


def _tidied(letter: Letter) -> Letter:
    return Letter(
        subject=tidy(letter.subject),
        opening=tidy(letter.opening),
        rows=tuple(
            Row(tag=tidy(row.tag), machine=tidy(row.machine), lines=tuple(tidy(line) for line in row.lines if line))
            for row in letter.rows
        ),
        steps_heading=tidy(letter.steps_heading),
        steps=tuple(map(tidy, letter.steps)),
        cautions=tuple(map(tidy, letter.cautions)),
        answer=tidy(letter.answer),
        options=tuple((digit, tidy(words)) for digit, words in letter.options),
        rest=tuple(map(tidy, letter.rest)),
        footer=tuple(map(tidy, letter.footer)),
    )


def _environments() -> tuple[Environment, Environment]:
    if not _CACHE:
        loader = PackageLoader("carewatch.notices")
        common = {"loader": loader, "undefined": StrictUndefined, "trim_blocks": True, "lstrip_blocks": True}
        _CACHE.append(Environment(autoescape=False, **common))  # type: ignore[arg-type]  # noqa: S701  # plain text
        _CACHE.append(Environment(autoescape=True, **common))  # type: ignore[arg-type]
    return _CACHE[0], _CACHE[1]


_CACHE: list[Environment] = []  # compiling the templates once per process, not once per mail
