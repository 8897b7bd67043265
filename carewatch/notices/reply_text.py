"""What somebody wrote in a reply: without the quoted message, the signature and what mail programs add."""

from __future__ import annotations

import re
import unicodedata

MOST_CHARACTERS = 20_000  # chosen: an answer is a line; what stands beyond a page of own words is not read
SHORTEST_QUOTE = 18  # chosen: a line of ours this long in a reply was quoted, not typed

# Everything from such a line on is the old message. No standard says how replies quote; these are the lines that the
# common mail programs write (seen in use, no published source).
_OLD_MESSAGE = re.compile(
    r"^\s*(?:-{2,}\s*(?:original|forwarded|ursprüngliche|message d'origine|mensaje original)\b.*"
    r"|_{10,}|(?:from|von|de|da|van)\s*:\s.*@.*|on\b.{6,200}\bwrote\s*:?|begin forwarded message\s*:?)\s*$",
    re.IGNORECASE,
)
_FROM = re.compile(r"^\s*(?:from|von|de|da|van)\s*:", re.IGNORECASE)
_SENT = re.compile(
    r"^\s*(?:sent|date|to|gesendet|datum|an|envoyé|date d'envoi|à|enviado|fecha|inviato|data|verzonden|aan)\s*:",
    re.IGNORECASE,
)
_ADDED = re.compile(
    r"^\s*(?:sent from|sent with|get outlook|gesendet|envoyé de|enviado desde|inviato da)\b", re.IGNORECASE
)
_SIGNATURE = re.compile(r"^--\s?$")  # RFC 3676, 4.3
_INVISIBLE = frozenset({"Cf", "Mn", "Me", "Cc", "Cs", "Co"})


def own_words(text: str, *, sent_text: str = "") -> tuple[str, ...]:
    """Give the lines a person typed, tidied, empty ones left out. `sent_text`: the message that was answered."""
    ours = _squeezed(sent_text)
    lines, is_cut = _logical_lines(text), False
    typed: list[str] = []
    for number, line in enumerate(lines):
        if line.startswith(">"):
            is_cut = False  # below a quotation somebody may answer
        elif _SIGNATURE.match(line) or _begins_old_message(lines, number) or _is_ours(line, ours):
            if typed:
                break
            is_cut = True
        elif line and not is_cut and not _introduces_quote(lines, number) and not _ADDED.match(line):
            typed.append(line)
    return tuple(typed)


def plain_line(line: str) -> str:
    """One line in plain digits and letters: full-width forms and key caps become what they show."""
    folded = unicodedata.normalize("NFKC", line)
    spaced = "".join(" " if unicodedata.category(letter) == "Cc" else letter for letter in folded)
    return " ".join("".join(letter for letter in spaced if unicodedata.category(letter) not in _INVISIBLE).split())


def _logical_lines(text: str) -> list[str]:
    lines = [plain_line(line) for line in text[:MOST_CHARACTERS].splitlines()]
    # "On Monday, October 19, 2026, carewatch" / "<...> wrote:" is one line that was wrapped
    for number in range(len(lines) - 1):
        both = f"{lines[number]} {lines[number + 1]}"
        if re.match(r"(?i)^on\b", lines[number]) and re.search(r"(?i)\bwrote\s*:$", lines[number + 1]):
            lines[number], lines[number + 1] = both, ""
    return lines


def _begins_old_message(lines: list[str], number: int) -> bool:
    """Whether the old message begins here: a line that says so, or its headers one below the other."""
    following = next((line for line in lines[number + 1 :] if line), "")
    return bool(_OLD_MESSAGE.match(lines[number]) or (_FROM.match(lines[number]) and _SENT.match(following)))


def _introduces_quote(lines: list[str], number: int) -> bool:
    """Whether it is the line before a quotation, in whatever language: `... schrieb:`."""
    if not lines[number].endswith(":"):
        return False
    following = next((line for line in lines[number + 1 :] if line), "")
    return following.startswith(">")


def _is_ours(line: str, ours: str) -> bool:
    squeezed = _squeezed(line)
    return len(squeezed) >= SHORTEST_QUOTE and squeezed in ours


def _squeezed(text: str) -> str:
    return " ".join(plain_line(line) for line in text.splitlines()).replace(" ", "").casefold()
