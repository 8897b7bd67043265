"""The line of every key in a TOML text: the parser of the standard library gives values without lines."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping

BARE_KEY = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-")
ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def lines_of(text: str) -> Mapping[str, int]:
    """Dotted path -> line of its key (`machine[2].home_site` -> 31), for a text that tomllib has already accepted.

    Elements of arrays count from 1, as people do. Tables stand under their own path; a path that is spread over
    several lines keeps the first.
    """
    return _Scanner(text.replace("\r\n", "\n")).run()


class _Scanner:
    """Walks over the text once. It trusts the syntax and looks only for keys, strings and brackets."""

    def __init__(self, text: str) -> None:
        self.text = text + "\n"
        self.at = 0
        self.lines: dict[str, int] = {}
        self.counts: dict[str, int] = {}  # arrays of tables seen so far
        self.line_ends = [i for i, character in enumerate(self.text) if character == "\n"]

    def run(self) -> dict[str, int]:
        table = ""
        while self.skip_blank_and_comments():
            if self.text.startswith("[[", self.at):
                table = self.header(brackets=2)
            elif self.text[self.at] == "[":
                table = self.header(brackets=1)
            else:
                self.pair(table)
        return self.lines

    # ------------------------------------------------------------ keys

    def header(self, *, brackets: int) -> str:
        start = self.at
        self.at += brackets
        keys = self.dotted_key()
        self.at += brackets
        path = ""
        for n, key in enumerate(keys):
            path = _join(path, key)
            if brackets == 2 and n == len(keys) - 1:
                self.note(path, start)
                self.counts[path] = self.counts.get(path, 0) + 1
            if path in self.counts:
                path += f"[{self.counts[path]}]"
            self.note(path, start)
        return path

    def pair(self, table: str) -> None:
        start = self.at
        path = table
        for key in self.dotted_key():
            path = _join(path, key)
            self.note(path, start)
        self.at += 1  # the equals sign
        self.value(path)

    def dotted_key(self) -> list[str]:
        keys = []
        while True:
            self.skip_blank()
            keys.append(self.key())
            self.skip_blank()
            if self.text[self.at] != ".":
                return keys
            self.at += 1

    def key(self) -> str:
        if self.text[self.at] in "\"'":
            start = self.at
            self.string()
            return _unquoted(self.text[start : self.at])
        start = self.at
        while self.text[self.at] in BARE_KEY:
            self.at += 1
        return self.text[start : self.at]

    # ------------------------------------------------------------ values

    def value(self, path: str) -> None:
        self.skip_blank()
        match self.text[self.at]:
            case '"' | "'":
                self.string()
            case "[":
                self.array(path)
            case "{":
                self.inline_table(path)
            case _:
                while self.text[self.at] not in ",]}\n#":
                    self.at += 1

    def string(self) -> None:
        quote = self.text[self.at]
        if self.text.startswith(quote * 3, self.at):
            self.long_string(quote)
            return
        self.at += 1
        while self.text[self.at] != quote:
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += 1

    def long_string(self, quote: str) -> None:
        self.at += 3
        while not self.text.startswith(quote * 3, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += 3
        for _ in range(2):  # up to two quotes may stand inside, right before the closing three
            if self.text[self.at] == quote:
                self.at += 1

    def array(self, path: str) -> None:
        self.at += 1
        n = 0
        while self.skip_blank_and_comments() and self.text[self.at] != "]":
            n += 1
            element = f"{path}[{n}]"
            self.note(element, self.at)
            self.value(element)
            self.skip_blank_and_comments()
            if self.text[self.at] == ",":
                self.at += 1
        self.at += 1

    def inline_table(self, path: str) -> None:
        self.at += 1
        while self.skip_blank_and_comments() and self.text[self.at] != "}":
            self.pair(path)
            self.skip_blank_and_comments()
            if self.text[self.at] == ",":
                self.at += 1
        self.at += 1

    # ------------------------------------------------------------ moving on

    def skip_blank(self) -> None:
        while self.text[self.at] in " \t":
            self.at += 1

    def skip_blank_and_comments(self) -> bool:
        """Move to the next character that means something; False at the end of the text."""
        while self.at < len(self.text):
            if self.text[self.at] in " \t\n":
                self.at += 1
            elif self.text[self.at] == "#":
                self.at = self.text.index("\n", self.at)
            else:
                return True
        return False

    def note(self, path: str, start: int) -> None:
        self.lines.setdefault(path, bisect_right(self.line_ends, start - 1) + 1)


def _join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


def _unquoted(quoted: str) -> str:
    if quoted[0] == "'":
        return quoted[1:-1]
    inner, out, at = quoted[1:-1], [], 0
    while at < len(inner):
        if inner[at] != "\\":
            out.append(inner[at])
            at += 1
        elif (letter := inner[at + 1]) in ESCAPES:
            out.append(ESCAPES[letter])
            at += 2
        else:  # \uXXXX or \UXXXXXXXX
            digits = 4 if letter == "u" else 8
            out.append(chr(int(inner[at + 2 : at + 2 + digits], 16)))
            at += 2 + digits
    return "".join(out)
