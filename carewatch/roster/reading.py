"""Reading fleet files: `read_roster` for paths, `parse_roster` for texts. Every fault is named at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath

from carewatch.errors import Fault, FaultyFiles
from carewatch.roster.building import build_fleet
from carewatch.roster.checks import check_between
from carewatch.roster.document import Document, advice, parse_toml
from carewatch.roster.drafts import FleetDraft, draft_fleet
from carewatch.roster.files import csv_beside, machines_csv, read_texts
from carewatch.roster.machine_checks import check_machine
from carewatch.roster.machine_rows import Row, read_rows
from carewatch.roster.model import Roster


def read_roster(paths: Path | Sequence[Path]) -> tuple[Roster, tuple[Fault, ...]]:
    """The roster of fleet files, or folders of them, and what is doubtful in it; FaultyFiles if it cannot be used."""
    found = read_texts([paths] if isinstance(paths, Path) else paths)
    return parse_roster(found.texts, found.faults)


def parse_roster(texts: Mapping[str, str], earlier: Sequence[Fault] = ()) -> tuple[Roster, tuple[Fault, ...]]:
    """The roster from texts by file name (`fleets/a.toml`, `fleets/machines.csv`), and warnings.

    Raises FaultyFiles with every fault, those found `earlier` (files that could not be read) included.
    """
    faults = list(earlier)
    drafts = []
    for name, text in texts.items():
        if name.endswith(".toml"):
            draft = _draft(name, text, texts, faults)
            drafts.extend([draft] if draft else [])
    faults.extend(check_between(drafts))
    for draft in drafts:
        for machine in draft.machines:
            faults.extend(check_machine(machine))
    if not drafts and not faults:
        faults.append(_nothing_found(texts))
    if any(not fault.is_warning for fault in faults):
        raise FaultyFiles(_in_order(faults))
    return Roster(fleets=tuple(build_fleet(draft) for draft in drafts)), _in_order(faults)


def _draft(name: str, text: str, texts: Mapping[str, str], faults: list[Fault]) -> FleetDraft | None:
    try:
        document = parse_toml(name, text)
    except FaultyFiles as error:
        faults.extend(error.faults)
        return None
    draft, found = draft_fleet(document, _rows(document, texts, faults))
    faults.extend(found)
    return draft


def _rows(document: Document, texts: Mapping[str, str], faults: list[Fault]) -> list[Row]:
    """The machines of the CSV a fleet file names."""
    named = machines_csv(document.data)
    if not isinstance(named, str):
        return []
    path = csv_beside(document.name, named)
    if path is None or path not in texts:
        beside = [PurePosixPath(name).name for name in texts if name.endswith(".csv")]
        problem = "is not a file beside this one." if path else "must be the name of a .csv file beside this one."
        fix = advice(named, beside, otherwise="Write the name alone, without a folder.")
        faults.append(document.fault(("fleet", "machines_csv"), named, problem, fix))
        return []
    rows, found = read_rows(path, texts[path])
    faults.extend(found)
    if not rows and not found:
        faults.append(document.fault(("fleet", "machines_csv"), named, "holds no machine.", "Add one row for each."))
    return rows


def _nothing_found(texts: Mapping[str, str]) -> Fault:
    return Fault(
        file=", ".join(texts) or "(no file)",
        line=None,
        field="fleet",
        value="",
        problem="is missing: there is no fleet file.",
        fix="Put a file ending in .toml there; config/fleets/example.toml shows how.",
    )


def _in_order(faults: Sequence[Fault]) -> tuple[Fault, ...]:
    return tuple(sorted(dict.fromkeys(faults), key=lambda fault: (fault.file, fault.line or 0)))
