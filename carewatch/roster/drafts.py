"""A fleet file half read: every table with its place in the file, checked one by one but not yet against each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from pydantic import ValidationError

from carewatch.errors import Fault
from carewatch.roster.complaints import faults_of
from carewatch.roster.document import ABSENT, Document, Path, advice, nearest
from carewatch.roster.machine_rows import Row
from carewatch.roster.part_tables import PartTable, RevisionTable
from carewatch.roster.tables import EITHER_UNIT, MAY_BE_MISSING, FleetTable, MachineTable, PersonTable, SiteTable, Table

KINDS = ("site", "person", "machine", "part", "revision")
AnyTable = TypeVar("AnyTable", bound=Table, covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Written(Generic[AnyTable]):
    """One table as it was written; `table` is None if something in it is wrong, `raw` is there to check the rest."""

    document: Document
    path: Path
    raw: Mapping[str, Any]
    table: AnyTable | None

    def text(self, key: str) -> str | None:
        """The value of a key if it is a text."""
        value = self.raw.get(key)
        return value if isinstance(value, str) else None

    def texts(self, key: str) -> Iterator[tuple[Path, str]]:
        """The texts of a list and where each stands."""
        values = self.raw.get(key)
        for n, value in enumerate(values if isinstance(values, list) else []):
            if isinstance(value, str):
                yield (key, n), value

    def twice(self, key: str) -> Iterator[Fault]:
        """A fault for each text that has stood in the same list before."""
        seen: set[str] = set()
        for path, word in self.texts(key):
            if word in seen:
                yield self.fault(path, word, "stands twice in this list.", "Keep the first.")
            seen.add(word)

    def tables(self, key: str) -> Iterator[Written[Table]]:
        """The tables of a list inside this one."""
        values = self.raw.get(key)
        for n, value in enumerate(values if isinstance(values, list) else []):
            if isinstance(value, dict):
                yield Written(document=self.document, path=(*self.path, key, n), raw=value, table=None)

    def fault(self, path: Path, value: object, problem: str, fix: str, *, is_warning: bool = False) -> Fault:
        """A fault at a path inside this table."""
        return self.document.fault((*self.path, *path), value, problem, fix, is_warning=is_warning)


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetDraft:
    """What one fleet file says."""

    document: Document
    fleet: Written[FleetTable]
    sites: list[Written[SiteTable]] = field(default_factory=list)
    people: list[Written[PersonTable]] = field(default_factory=list)
    machines: list[Written[MachineTable]] = field(default_factory=list)
    parts: list[Written[PartTable]] = field(default_factory=list)
    revisions: list[Written[RevisionTable]] = field(default_factory=list)


def draft_fleet(document: Document, rows: list[Row]) -> tuple[FleetDraft, list[Fault]]:
    """Every table of a fleet file and of its CSV, with what is wrong inside each."""
    faults = [*_heading_faults(document)]
    fleet = _one(document, ("fleet",), document.data.get("fleet", {}), FleetTable, faults)
    draft = FleetDraft(
        document=document,
        fleet=fleet,
        sites=_several(document, "site", SiteTable, faults),
        people=_several(document, "person", PersonTable, faults),
        machines=_several(document, "machine", MachineTable, faults),
        parts=_several(document, "part", PartTable, faults),
        revisions=_several(document, "revision", RevisionTable, faults),
    )
    for row in rows:
        path: Path = ("machine", row.number)
        draft.machines.append(_one(row.document, path, row.table, MachineTable, faults))
    faults.extend(_emptiness_faults(draft))
    return draft, faults


def _heading_faults(document: Document) -> Iterator[Fault]:
    for key in document.data:
        if key not in ("fleet", *KINDS):
            fix = advice(key, ["fleet", *KINDS])
            yield document.fault((key,), ABSENT, "is not a heading here.", fix)
    if "fleet" not in document.data:
        yield document.fault(("fleet",), ABSENT, "is missing.", "Begin the file with [fleet], id, name and zone.")


def _emptiness_faults(draft: FleetDraft) -> Iterator[Fault]:
    misspelt = {nearest(key, KINDS) for key in draft.document.data if key not in ("fleet", *KINDS)}
    for kind, found in (("site", draft.sites), ("person", draft.people), ("machine", draft.machines)):
        if not found and kind not in draft.document.data and kind not in misspelt:
            problem = f"is missing: the fleet has no {kind}."
            yield draft.document.fault((kind,), ABSENT, problem, f"Add one [[{kind}]] for each.")


def _several(document: Document, kind: str, model: type[AnyTable], faults: list[Fault]) -> list[Written[AnyTable]]:
    values = document.data.get(kind, [])
    if not isinstance(values, list):
        faults.append(document.fault((kind,), values, "is not a list.", f"Write [[{kind}]] with two brackets."))
        return []
    return [_one(document, (kind, n), value, model, faults) for n, value in enumerate(values)]


def _one(
    document: Document, path: Path, value: object, model: type[AnyTable], faults: list[Fault]
) -> Written[AnyTable]:
    raw = value if isinstance(value, dict) else {}
    if "figures" in raw:
        raw = {**raw, "figures": flat_figures(raw["figures"])}
    table: AnyTable | None = None
    try:
        table = model.model_validate(raw if isinstance(value, dict) else value)
    except ValidationError as error:
        if path != ("fleet",) or "fleet" in document.data:  # a missing [fleet] has been named already
            faults.extend(faults_of(error, model, document, path))
    written = Written(document=document, path=path, raw=raw, table=table)
    faults.extend(_unit_faults(written, model))
    return written


def flat_figures(figures: object) -> object:
    """Figures by part key, also where `[machine.figures.valve.front]` was written without quotation marks."""
    if not isinstance(figures, dict) or not isinstance(figures.get("valve"), dict):
        return figures
    sides = {f"valve.{side}": value for side, value in figures["valve"].items()}
    return {key: value for key, value in figures.items() if key != "valve"} | sides


def _unit_faults(written: Written[Table], model: type[Table]) -> Iterator[Fault]:
    """Both units given, or neither of them."""
    for key, (us_key, _) in EITHER_UNIT.items():
        if key not in model.model_fields:
            continue
        if key in written.raw and us_key in written.raw:
            problem = f"is given twice, as {key} and as {us_key}."
            yield written.fault((us_key,), written.raw[us_key], problem, "Keep one of the two.")
        elif key not in written.raw and us_key not in written.raw and key not in MAY_BE_MISSING and written.raw:
            example = (model.model_fields[key].examples or [0])[0]
            fix = f"Write {key} = {example}, or in US units {us_key} = {example / EITHER_UNIT[key][1]:.0f}."
            yield written.fault((key,), ABSENT, "is missing.", fix)
