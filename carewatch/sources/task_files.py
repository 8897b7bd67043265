"""The files of one task-data set (ISO 11783-10): a folder's, or those in a .zip as task controllers export them.

Nothing is unpacked to disk, everything is bounded in number and size, and foreign XML is read through defusedxml only.
"""

from __future__ import annotations

import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from xml.etree.ElementTree import Element, ParseError  # types only; reading goes through defusedxml

from defusedxml.common import DefusedXmlException  # type: ignore[import-untyped]  # it has no types
from defusedxml.ElementTree import fromstring  # type: ignore[import-untyped]

from carewatch.errors import Fault, FaultyFiles

TASKDATA = "TASKDATA.XML"
MOST_XML_BYTES = 20_000_000  # chosen: a season of tasks is a tenth of it
MOST_LOG_BYTES = 64_000_000  # chosen: five days of a record a second with thirty values
MOST_BYTES = 256_000_000
MOST_MEMBERS = 5_000
MOST_RATIO = 200  # chosen: logs shrink to a twentieth; what shrinks to a two-hundredth is made to flood
RATIO_COUNTS_FROM = 1_000_000
ENCRYPTED = 0x1


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskFiles:
    """The files beside one TASKDATA.XML by their names in capitals; `name`: how the whole is called in messages."""

    name: str
    contents: dict[str, bytes]

    def called(self, member: str) -> str:
        """How one file of it is called in messages."""
        return self.name if member == TASKDATA and self.name.upper().endswith(".XML") else f"{self.name}/{member}"

    def xml(self, member: str) -> Element:
        """The root of one XML file; FaultyFiles if it is not there or cannot be read safely."""
        text = self.contents.get(member)
        if text is None:
            raise trouble(self.name, member, "is named, but is not there.", "Copy the whole folder, or the whole .zip.")
        if len(text) > MOST_XML_BYTES:
            problem = f"has {len(text):,} bytes, more than {MOST_XML_BYTES:,}."
            raise trouble(self.called(member), "(file)", problem, "Export fewer tasks at once.")
        try:
            root: Element = fromstring(text, forbid_dtd=True)
        except DefusedXmlException:
            problem, fix = "declares entities or a document type, which no task file needs.", "Export it again."
            raise trouble(self.called(member), "(file)", problem, fix) from None
        except (ParseError, ValueError, LookupError) as error:
            line = error.position[0] if isinstance(error, ParseError) else None
            problem = f"is not readable XML ({error})."
            raise trouble(self.called(member), "(file)", problem, "Export it again.", line=line) from None
        return root


def trouble(file: str, field: str, problem: str, fix: str, *, value: str = "", line: int | None = None) -> FaultyFiles:
    """One fault, to be raised."""
    return FaultyFiles([Fault(file=file, line=line, field=field, value=value, problem=problem, fix=fix)])


def task_files(path: Path, *, most_bytes: int = MOST_LOG_BYTES) -> TaskFiles:
    """The files a path stands for: a .zip, a TASKDATA.XML, or the folder of one. OSError where it cannot be read."""
    if path.is_dir():
        found = next((one for one in sorted(path.iterdir()) if one.name.upper() == TASKDATA), None)
        if found is None:
            raise trouble(path.as_posix(), "(folder)", f"holds no {TASKDATA}.", "Name the folder that does.")
        return _of_folder(found, most_bytes)
    return _of_zip(path, most_bytes) if path.suffix.lower() == ".zip" else _of_folder(path, most_bytes)


def _of_folder(path: Path, most_bytes: int) -> TaskFiles:
    """Any name will do for the main file; what it refers to must stand beside it."""
    contents = {TASKDATA: _bounded(path, most_bytes)}
    beside = [one for one in sorted(path.parent.iterdir()) if one.is_file() and one != path]
    total = len(contents[TASKDATA])
    for one in beside[:MOST_MEMBERS]:
        if one.suffix.upper() in (".XML", ".BIN") and one.name.upper() != TASKDATA:
            contents[one.name.upper()] = _bounded(one, most_bytes)
            total += len(contents[one.name.upper()])
            _refuse_flood(path.as_posix(), total)
    return TaskFiles(name=path.as_posix(), contents=contents)


def _bounded(path: Path, most_bytes: int) -> bytes:
    size = path.stat().st_size
    if size > most_bytes:
        problem = f"has {size:,} bytes, more than {most_bytes:,}."
        raise trouble(path.as_posix(), "(file)", problem, "Export fewer tasks at once.")
    return path.read_bytes()


def _of_zip(path: Path, most_bytes: int) -> TaskFiles:
    name = path.as_posix()
    try:
        with zipfile.ZipFile(path) as archive:
            return TaskFiles(name=name, contents=_members(archive, name, most_bytes))
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, UnicodeDecodeError) as error:
        raise trouble(name, "(file)", f"is no .zip that can be read ({error}).", "Export it again.") from None


def _members(archive: zipfile.ZipFile, name: str, most_bytes: int) -> dict[str, bytes]:
    listed = archive.infolist()
    if len(listed) > MOST_MEMBERS:
        raise trouble(name, "(file)", f"holds {len(listed):,} files.", f"At most {MOST_MEMBERS:,} are taken.")
    mains = [one for one in listed if PurePosixPath(one.filename).name.upper() == TASKDATA]
    if len(mains) != 1:
        number = "no" if not mains else f"{len(mains)}"
        raise trouble(name, "(file)", f"holds {number} {TASKDATA}.", "Give one .zip for each export.")
    folder = PurePosixPath(mains[0].filename).parent
    contents: dict[str, bytes] = {}
    for one in listed:
        member = PurePosixPath(one.filename)
        if member.parent == folder and member.suffix.upper() in (".XML", ".BIN"):
            left = MOST_BYTES - sum(map(len, contents.values()))
            contents[member.name.upper()] = _unpacked(archive, one, name, most=min(most_bytes, left))
    return contents


def _unpacked(archive: zipfile.ZipFile, one: zipfile.ZipInfo, name: str, *, most: int) -> bytes:
    """One file out of a .zip. What its directory says of the size is checked, but not believed."""
    if one.flag_bits & ENCRYPTED:
        raise trouble(name, one.filename, "is locked with a password.", "Export it without one.")
    if one.file_size > RATIO_COUNTS_FROM and one.file_size > MOST_RATIO * max(one.compress_size, 1):
        raise trouble(name, one.filename, "unpacks to far more than any task file.", "Export it again.")
    with archive.open(one) as member:
        content = member.read(most + 1)
    if len(content) > most:
        problem = f"unpacks to more than {most:,} bytes."
        raise trouble(name, one.filename, problem, "Export fewer tasks at once.")
    return content


def _refuse_flood(name: str, total: int) -> None:
    if total > MOST_BYTES:
        raise trouble(name, "(folder)", f"holds more than {MOST_BYTES:,} bytes.", "Export fewer tasks at once.")
