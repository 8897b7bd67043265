"""Fleet files from the disk, as texts by name; what cannot be read is a fault, never a crash."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

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
            named = machines_csv(_parsed(texts.get(file.as_posix(), "")))
            beside = csv_beside(file.as_posix(), named) if isinstance(named, str) else None
            if beside and Path(beside).is_file():
                _take(Path(beside), texts, faults)
    return FoundFiles(texts=texts, faults=tuple(faults))


def fingerprint_of(found: FoundFiles) -> str:
    """Short name of a content: the same files give the same, any change another."""
    digest = hashlib.sha256()
    for name, text in sorted(found.texts.items()):
        for piece in (name, text):
            data = piece.encode("utf-8", "surrogatepass")
            digest.update(len(data).to_bytes(8, "big") + data)
    for fault in found.faults:
        digest.update(str(fault).encode("utf-8", "surrogatepass"))
    return digest.hexdigest()[:16]


def machines_csv(fleet_file: Mapping[str, object]) -> object:
    """What a fleet file, parsed but not checked, names as the CSV with its machines; None if nothing."""
    fleet = fleet_file.get("fleet")
    return fleet.get("machines_csv") if isinstance(fleet, dict) else None


def csv_beside(fleet_file: str, named: str) -> str | None:
    """The name under which a CSV beside a fleet file is known; None if it is not beside it."""
    if "/" in named or "\\" in named or not named.endswith(".csv") or named.startswith("."):
        return None
    return str(PurePosixPath(fleet_file).parent / named)


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


def _parsed(text: str) -> Mapping[str, object]:
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError):
        return {}  # reading.py says what is wrong with it


def _fault(path: Path, problem: str, fix: str, *, line: int | None = None) -> Fault:
    return Fault(file=path.as_posix(), line=line, field="(file)", value="", problem=problem, fix=fix)
