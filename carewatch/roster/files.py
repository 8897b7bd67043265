"""Fleet files from the disk, as texts by name; what cannot be read is a fault, never a crash."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from carewatch.errors import Fault

MOST_BYTES = 20_000_000  # chosen: ten thousand machines are 4 MB


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundFiles:
    """Texts by file name, in order, and the faults of files that could not be read."""

    texts: dict[str, str]
    faults: tuple[Fault, ...]


def read_texts(paths: Sequence[Path]) -> FoundFiles:
    """The texts of fleet files, of every `.toml` in the folders given, and of the CSV each of them names."""
    texts: dict[str, str] = {}
    faults: list[Fault] = []
    for path in paths:
        for file in _fleet_files(path, faults):
            _take(file, texts, faults)
            named = _named_csv(texts.get(file.as_posix(), ""))
            if named and (beside := file.parent / named).is_file():
                _take(beside, texts, faults)
    return FoundFiles(texts=texts, faults=tuple(faults))


def _fleet_files(path: Path, faults: list[Fault]) -> Iterator[Path]:
    if path.is_dir():
        found = sorted(file for file in path.glob("*.toml") if not file.name.startswith("."))
        yield from found
        if not found:
            faults.append(_fault(path, "is a folder without a .toml file.", "Put one file for each fleet into it."))
    elif path.is_file():
        yield path
    else:
        faults.append(_fault(path, "does not exist.", "Correct the path, or copy config/ and begin with its example."))


def _take(file: Path, texts: dict[str, str], faults: list[Fault]) -> None:
    try:
        if file.stat().st_size > MOST_BYTES:
            faults.append(_fault(file, "is larger than 20 MB.", "This cannot be a fleet file."))
            return
        texts[file.as_posix()] = file.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        fix = "Save it again as UTF-8 (in a spreadsheet: CSV UTF-8)."
        faults.append(_fault(file, "holds letters that are not UTF-8.", fix, line=line))
    except OSError as error:
        faults.append(_fault(file, f"cannot be read: {error.strerror}.", "Check the rights of file and folder."))


def _named_csv(text: str) -> str | None:
    try:
        fleet = tomllib.loads(text.removeprefix("\ufeff")).get("fleet")
    except (ValueError, RecursionError):
        return None  # reading.py says what is wrong with it
    named = fleet.get("machines_csv") if isinstance(fleet, dict) else None
    return named if isinstance(named, str) and Path(named).name == named else None


def _fault(path: Path, problem: str, fix: str, *, line: int | None = None) -> Fault:
    return Fault(file=path.as_posix(), line=line, field="(file)", value="", problem=problem, fix=fix)
