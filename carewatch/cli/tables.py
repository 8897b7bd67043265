"""Tables of plain text."""

from __future__ import annotations

from collections.abc import Iterator


def table(head: list[str], rows: list[list[str]]) -> Iterator[str]:
    """Columns as wide as they need; words to the left, numbers to the right."""
    wide = [max(len(row[at]) for row in [head, *rows]) for at in range(len(head))]
    words = [all(not row[at] or not row[at][-1].isdigit() or at == 0 for row in rows) for at in range(len(head))]
    for row in [head, *rows]:
        cells = [
            cell.ljust(width) if is_words else cell.rjust(width)
            for cell, width, is_words in zip(row, wide, words, strict=True)
        ]
        yield "  " + "  ".join(cells).rstrip()
