"""JSON lines of every change, in a folder. A run that was killed leaves lines that never counted: they are trimmed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from carewatch.service.documents import instant

NAMES = ("outlooks", "duties", "notices")


class LineRecorder:
    """`outlooks.jsonl`, `duties.jsonl`, `notices.jsonl`; lines are written before their run is committed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def write(self, name: str, lines: Sequence[dict[str, Any]], *, at: datetime) -> None:
        """Add lines; `at` is the run they belong to. Nothing waits for the disk: a replay can be made again."""
        if not lines:
            return
        with self._path(name).open("a", encoding="utf-8") as file:
            for line in lines:
                file.write(json.dumps({"at": instant(at), **line}, ensure_ascii=False, allow_nan=False) + "\n")

    def trim(self, *, after: datetime | None) -> None:
        """Drop lines of runs later than `after` (None: all): they were written, but their run was never committed."""
        kept_until = instant(after) or ""
        for name in NAMES:
            path = self._path(name)
            # split, not splitlines: a name may hold one of the other characters that Unicode calls a line's end
            *whole, _broken_off = (
                path.read_text(encoding="utf-8", errors="replace").split("\n") if path.exists() else [""]
            )
            kept = [line for line in whole if json.loads(line)["at"] <= kept_until]
            half = path.with_suffix(".part")
            half.write_text("".join(f"{line}\n" for line in kept), encoding="utf-8")
            half.replace(path)

    def _path(self, name: str) -> Path:
        return self.folder / f"{name}.jsonl"
