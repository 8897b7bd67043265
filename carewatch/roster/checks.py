"""What must be right between the tables: ids and names are unique, references lead somewhere, hours are in order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from typing import Any

from carewatch.errors import Fault
from carewatch.roster.document import Path, advice
from carewatch.roster.drafts import FleetDraft, Written
from carewatch.roster.model import Fleet
from carewatch.roster.part_checks import check_parts, check_technicians
from carewatch.roster.reach_checks import check_reach
from carewatch.roster.tables import FleetTable, SiteTable, Table
from carewatch.roster.zones import Agreement, installed_finder, mistake_in_coordinates, zone_agreement

TableList = Iterable[Written[Table]]
USUAL: dict[str, Any] = {field.name: field.default for field in fields(Fleet)}  # what counts where nothing is written


def check_between(drafts: Sequence[FleetDraft]) -> Iterator[Fault]:
    """Every fault that only shows when tables, and fleets, are laid side by side."""
    yield from _duplicates("id", "fleet", [draft.fleet for draft in drafts])
    yield from _duplicates("id", "site", [site for draft in drafts for site in draft.sites])
    yield from _duplicates("id", "person", [person for draft in drafts for person in draft.people])
    yield from _duplicates("id", "machine", [machine for draft in drafts for machine in draft.machines])
    yield from _duplicates("serial", "machine", [machine for draft in drafts for machine in draft.machines])
    yield from _duplicates("iso_device", "machine", [machine for draft in drafts for machine in draft.machines])
    yield from check_technicians(drafts)
    for draft in drafts:
        yield from _duplicates("name", "machine", draft.machines)
        yield from _duplicates("id", "part", draft.parts)
        yield from _duplicates("name", "part", draft.parts)
        yield from _duplicates("id", "revision", draft.revisions)
        yield from check_parts(draft)
        yield from _references(draft)
        yield from check_reach(draft)
        yield from _hours(draft.fleet)
        for site in draft.sites:
            yield from _places(site)
            yield from _coordinates(site)


# ---------------------------------------------------------------- ids and names


def _duplicates(key: str, kind: str, tables: TableList) -> Iterator[Fault]:
    seen: dict[str, Written[Table]] = {}
    for table in tables:
        word = table.text(key)
        if word is None:
            continue
        first = seen.setdefault(" ".join(word.split()).casefold(), table)
        if first is not table:
            line = first.document.line_of((*first.path, key))
            where = first.document.name if line is None else f"{first.document.name}:{line}"
            problem = f"is the {key} of another {kind} ({where})."
            article = "an" if key[0] == "i" else "a"
            fix = f"Give this {kind} {article} {key} of its own; two are never merged."
            yield table.fault((key,), word, problem, fix)


def _places(site: Written[SiteTable]) -> Iterator[Fault]:
    yield from _duplicates("id", "place at this site", site.tables("place"))


# ---------------------------------------------------------------- references


def _ids(tables: TableList) -> list[str]:
    return [word for table in tables if (word := table.text("id")) is not None]


def _references(draft: FleetDraft) -> Iterator[Fault]:
    people = _ids(draft.people)
    places = {site.text("id"): _ids(site.tables("place")) for site in draft.sites}
    sites = [site for site in places if site is not None]
    for site in draft.sites:
        yield from _unknown_in_list(site, "contacts", people, "person")
    for person in draft.people:
        yield from _unknown(person, ("told_by",), person.text("told_by"), people, "person")
        for absence in person.tables("absence"):
            yield from _unknown(absence, ("deputy",), absence.text("deputy"), people, "person")
    for machine in draft.machines:
        yield from _unknown_in_list(machine, "operators", people, "person")
        home = machine.text("home_site")
        yield from _unknown(machine, ("home_site",), home, sites, "site")
        if places.get(home):
            yield from _unknown(
                machine, ("home_place",), machine.text("home_place"), places[home], "place of this site"
            )
        yield from _winter_place(machine, home, places)


def _unknown(table: Written[Table], path: Path, word: str | None, known: list[str], kind: str) -> Iterator[Fault]:
    if word is not None and word not in known:
        otherwise = f"Add it, or delete the line: there is no {kind} yet."
        yield table.fault(path, word, f"is not the id of a {kind}.", advice(word, known, otherwise=otherwise))


def _unknown_in_list(table: Written[Table], key: str, known: list[str], kind: str) -> Iterator[Fault]:
    for path, word in table.texts(key):
        yield from _unknown(table, path, word, known, kind)
    yield from table.twice(key)


def _winter_place(machine: Written[Table], home: str | None, places: dict[str | None, list[str]]) -> Iterator[Fault]:
    word = machine.text("winter_place")
    if word is None:
        return
    site, slash, place = word.rpartition("/")
    known = [f"{site_id}/{place_id}" for site_id, ids in places.items() for place_id in ids]
    if f"{site if slash else home}/{place}" not in known:
        at_home = places.get(home, [])
        problem = "is no place: write a place of the home site, or site/place."
        yield machine.fault(("winter_place",), word, problem, advice(word, at_home if not slash else known))


# ---------------------------------------------------------------- hours and thresholds of a fleet


def _hours(fleet: Written[FleetTable]) -> Iterator[Fault]:
    """Hours in an order no working day has, and a threshold that is stricter for later nights."""
    table = fleet.table
    if table is None:
        return
    starts, ends, night = (
        table.work_starts_at or USUAL["work_starts_at"],
        table.work_ends_at or USUAL["work_ends_at"],
        table.night_at or USUAL["night_at"],
    )
    if starts >= ends:
        key = "work_ends_at" if table.work_ends_at else "work_starts_at"
        problem = f"makes the working day end ({ends:%H:%M}) before it begins ({starts:%H:%M})."
        yield fleet.fault((key,), f"{getattr(table, key):%H:%M}", problem, "Correct one of the two hours.")
    elif starts < night < ends:
        key = "night_at" if table.night_at else "work_ends_at"
        problem = f"puts the hour of the night ({night:%H:%M}) into the working day ({starts:%H:%M} to {ends:%H:%M})."
        yield fleet.fault((key,), f"{getattr(table, key):%H:%M}", problem, "Correct one of the two hours.")
    if table.threshold_tonight is not None and table.threshold_tonight > (
        table.threshold_ahead or USUAL["threshold_ahead"]
    ):
        problem = "is above the threshold for later nights: tonight would be told later than nights 2 to 5."
        fix = "Write a smaller one here, or a larger threshold_ahead."
        yield fleet.fault(("threshold_tonight",), table.threshold_tonight, problem, fix, is_warning=True)


# ---------------------------------------------------------------- coordinates


def _coordinates(site: Written[SiteTable]) -> Iterator[Fault]:
    table = site.table
    lat, lon, zone = site.raw.get("lat_deg"), site.raw.get("lon_deg"), site.raw.get("zone")
    if lat == 0 and lon == 0:
        fix = "Write the coordinates of the yard, with two decimals or more."
        yield site.fault(("lat_deg",), lat, "and lon_deg are both 0: that is in the ocean off Africa.", fix)
        return
    if table is None:
        return
    find = installed_finder()
    agreement, there = zone_agreement(table.zone, table.lat_deg, table.lon_deg, find=find)
    if agreement is Agreement.FITS:
        return
    place = f"{table.lat_deg:g}, {table.lon_deg:g}"
    found = f" ({there})" if there else ""
    question = mistake_in_coordinates(table.zone, table.lat_deg, table.lon_deg, find=find)
    otherwise = f'Write zone = "{there}", or correct the coordinates.' if there else "Check zone and coordinates."
    fix = question or otherwise
    if agreement is Agreement.DOUBTFUL:
        problem = f"may contradict the coordinates {place}: another clock is kept there{found}."
        fix = f"{fix} Leave it if people there keep this clock."
        yield site.fault(("zone",), zone, problem, fix, is_warning=True)
    else:
        yield site.fault(("zone",), zone, f"contradicts the coordinates {place}{found}.", fix)
