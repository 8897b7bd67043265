"""Live edits: which roster counts now. A broken edit keeps the last good version."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from carewatch.errors import Fault, FaultyFiles
from carewatch.roster.files import FoundFiles
from carewatch.roster.model import Roster
from carewatch.roster.reading import parse_roster


@dataclass(frozen=True, slots=True, kw_only=True)
class RosterInUse:
    """The roster that counts, the texts it came from, and what is wrong with the files as they are now.

    `fingerprint` belongs to what was found on the disk: whoever tells the manager about `faults` once per fingerprint
    tells once per content. `is_last_good`: the files are broken, an earlier version counts.
    """

    roster: Roster
    texts: Mapping[str, str]
    warnings: tuple[Fault, ...]
    faults: tuple[Fault, ...]
    fingerprint: str

    @property
    def is_last_good(self) -> bool:
        """Whether an earlier version counts because the present one is broken."""
        return bool(self.faults)


def choose_roster(last_good: Mapping[str, str] | None, found: FoundFiles) -> RosterInUse:
    """What counts after a look at the files: they themselves, else the last good texts with the faults beside them.

    Raises FaultyFiles with the faults of the present files if there is no earlier version, or it is of no use either.
    """
    fingerprint = fingerprint_of(found)
    try:
        roster, warnings = parse_roster(found.texts, found.faults)
    except FaultyFiles as broken:
        if last_good is None:
            raise
        return _earlier(last_good, fingerprint, broken)
    return RosterInUse(roster=roster, texts=found.texts, warnings=warnings, faults=(), fingerprint=fingerprint)


def _earlier(last_good: Mapping[str, str], fingerprint: str, broken: FaultyFiles) -> RosterInUse:
    try:
        roster, warnings = parse_roster(last_good)
    except FaultyFiles:
        raise broken from None
    return RosterInUse(roster=roster, texts=last_good, warnings=warnings, faults=broken.faults, fingerprint=fingerprint)


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
