"""A TOML text a person wrote: its values, the line of each, and what is wrong with its syntax."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from carewatch.errors import Fault, FaultyFiles
from carewatch.roster.toml_lines import lines_of

SHOWN_LENGTH = 60  # chosen: longer values are cut in messages
HOW_CLOSE = 0.55  # chosen: share of letters in common below which a guess would rather confuse

Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """One file: name as the person knows it, its values, and the line of each dotted path."""

    name: str
    data: Mapping[str, Any]
    lines: Mapping[str, int]

    def line_of(self, path: Path) -> int | None:
        """Line of a path, or of the nearest table around it."""
        for length in range(len(path), 0, -1):
            line = self.lines.get(dotted(path[:length]))
            if line is not None:
                return line
        return None

    def fault(self, path: Path, value: object, problem: str, fix: str, *, is_warning: bool = False) -> Fault:
        """A fault at a path of this file."""
        return Fault(
            file=self.name,
            line=self.line_of(path),
            field=visible(dotted(path)),
            value=shown(value),
            problem=visible(problem),
            fix=visible(fix),
            is_warning=is_warning,
        )


class Absent:
    """Stands for a value that is not there (None would be shown)."""


ABSENT = Absent()


def dotted(path: Iterable[str | int]) -> str:
    """`machine[2].home_site`: list elements count from 1."""
    out = ""
    for key in path:
        if isinstance(key, int):
            out += f"[{key + 1}]"
        else:
            out += f".{key}" if out else key
    return out


def shown(value: object) -> str:
    """A value as it is shown in a message: short, on one line, control characters made visible."""
    if isinstance(value, Absent):
        return ""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = f'"{visible(value)}"'
    elif isinstance(value, dict | list):
        text = "{...}" if isinstance(value, dict) else _shown_list(value)
    elif isinstance(value, int) and abs(value) > 10**SHOWN_LENGTH:
        text = "a number of more than 60 digits"
    else:
        text = str(value)
    return text if len(text) <= SHOWN_LENGTH else text[: SHOWN_LENGTH - 3] + "..."


def visible(text: str) -> str:
    """A text on one line, with what cannot be printed written as an escape."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def _shown_list(values: list[object]) -> str:
    return "[" + ", ".join(shown(value) for value in values[:SHOWN_LENGTH]) + "]"


def nearest(value: object, known: Iterable[str]) -> str | None:
    """The known word that comes closest to what was written."""
    words = list(known)
    written = str(value)[:SHOWN_LENGTH]
    by_lower = {word.lower(): word for word in words}
    close = get_close_matches(written.lower(), by_lower, n=1, cutoff=HOW_CLOSE)
    return by_lower[close[0]] if close else None


def advice(value: object, known: Iterable[str], *, otherwise: str = "") -> str:
    """`Did you mean x?`, else the words there are, else what to do when there are none."""
    words = list(known)
    if not words:
        return otherwise or "Correct it, or delete the line."
    guess = nearest(value, words)
    if guess is not None:
        return f'Did you mean "{guess}"?'
    listed = ", ".join(words[:12]) + (", ..." if len(words) > 12 else "")
    return f"Known: {listed}." + (f" {otherwise}" if otherwise else "")


def parse_toml(name: str, text: str) -> Document:
    """A document from a TOML text; FaultyFiles names line and remedy of a syntax error."""
    text = text.removeprefix("\ufeff")  # some editors begin a file with a byte-order mark
    try:
        return Document(name=name, data=tomllib.loads(text), lines=lines_of(text))
    except RecursionError as error:
        fault = _syntax_fault(name, None, "", "brackets are nested too deeply", "Remove some.")
        raise FaultyFiles([fault]) from error
    except ValueError as error:  # TOMLDecodeError, and numbers or dates Python itself refuses
        raise FaultyFiles([_explained(name, text, str(error))]) from error


def _explained(name: str, text: str, message: str) -> Fault:
    """A syntax error with the line it is on, the line itself and the most likely remedy."""
    lines = text.replace("\r\n", "\n").split("\n")
    found = re.search(r"\(at line (\d+), column \d+\)", message)
    number = int(found[1]) if found else len(lines)
    line = lines[number - 1].strip() if number <= len(lines) else ""
    reason = re.sub(r"\s*\(at .*\)$", "", message).rstrip(".")
    written = "(hidden)" if re.search(r"(?i)password|secret|token|_key", line) else line
    return _syntax_fault(name, number, written, reason, remedy(line, reason))


def _syntax_fault(name: str, line: int | None, written: str, reason: str, fix: str) -> Fault:
    rest = "The rest of this file is checked once this is right."
    return Fault(
        file=name,
        line=line,
        field="(syntax)",
        value=shown(written) if written else "",
        problem=f"this is not TOML: {reason[:1].lower()}{reason[1:]}.",
        fix=f"{fix} {rest}",
    )


REMEDIES = (
    (r"[\u201c\u201d\u201e\u2018\u2019]", 'Use straight quotation marks: "...".'),
    (r"^[^=#\"']+=\s*-?\d+,\d+\s*(#.*)?$", "Write the decimal with a point: 36.5."),
    (r"^[^=#]+=\s*0\d+\s*(#.*)?$", 'A number cannot begin with 0; put a code in quotes: "04".'),
    (r"^[^=#]+=\s*(True|False|Yes|No|yes|no|on|off)\b", "Write true or false in small letters."),
    (r"^[^=#]+=\s*\d{1,2}:\d\d\s*(#.*)?$", 'Put times in quotes: "06:30".'),
    (r"^[^=#]+=\s*(#.*)?$", "Write a value after the equals sign, or delete the line."),
    (r"^[^=#\[]+$", "A line is: key = value. Text that is only for readers begins with #."),
    (r"^[^=#]+=\s*[^\s\"'\[{\d+-]", 'Put text in quotation marks: key = "text".'),
    (r"^[^=#]+=\s*[\"'][^\"']*$", "Close the quotation marks at the end of the text."),
    (r"^\[+[^\]]*$", "Close the brackets: [fleet] or [[machine]]."),
    (r"\\", r"Write a backslash twice (\\), or use single quotes around the text."),
)


def remedy(line: str, reason: str) -> str:
    """What to write instead, guessed from the line the parser stopped at."""
    if line.startswith("[") and ("overwrite" in reason or "twice" in reason):
        return "This heading stands here twice: lists need two brackets every time, [[machine]]; others stand once."
    if "overwrite" in reason or "twice" in reason:
        return "The same key or table stands here twice: delete or rename one of them."
    if "control" in reason.lower() or "Illegal" in reason:
        return "A text has to end on its own line, with closing quotation marks and without control characters."
    for pattern, fix in REMEDIES:
        if re.search(pattern, line):
            return fix
    return "Look at this line and the one before it: a bracket, comma or quotation mark is missing or too many."
