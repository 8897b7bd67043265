"""The roster on pages: people, machines and sites of the own fleet, checked as `carewatch check` does."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from carewatch.errors import BadInput, FaultyFiles
from carewatch.service.access import Viewer
from carewatch.service.roster_editing import MAY_BE_NEW, FleetFile, Kind, change, fleet_file, keys_of
from carewatch.web.context import Signed, here, viewer
from carewatch.web.render import message, page

router = APIRouter()
NEW = "new"
HEADINGS = {Kind.PERSON: "People", Kind.MACHINE: "Machines", Kind.SITE: "Sites"}


def _not_for_you() -> HTMLResponse:
    return message("Not for you", "The roster is for managers and owners.", status=403, back="/")


@router.get("/roster", include_in_schema=False)
def roster(request: Request, seen: Signed) -> HTMLResponse:
    """Who and what there is."""
    if not seen.leads:
        return _not_for_you()
    try:
        file = fleet_file(here(request).fleet_paths, seen.person.fleet)
    except BadInput as trouble:
        return message("The roster cannot be edited here", str(trouble), status=503, back="/")
    lists = [(kind.value, HEADINGS[kind], file.ids[kind], kind in MAY_BE_NEW) for kind in Kind]
    return page("roster.html", title="Roster", person=seen.person.name, lists=lists, file=file.path.name)


@router.get("/roster/{kind}/{own_id}", include_in_schema=False)
def entry(request: Request, kind: Kind, own_id: str, seen: Signed) -> HTMLResponse:
    """The form of one entry."""
    if not seen.leads:
        return _not_for_you()
    try:
        file = fleet_file(here(request).fleet_paths, seen.person.fleet)
        return _form(seen, file, kind, own_id, said={}, troubles=())
    except BadInput as trouble:
        return message("There is no such entry", str(trouble), status=404, back="/roster")


def _form(
    seen: Viewer, file: FleetFile, kind: Kind, own_id: str, *, said: dict[str, str], troubles: tuple[str, ...]
) -> HTMLResponse:
    return page(
        "roster_entry.html",
        status=422 if troubles else 200,
        title=f"{kind.value} {'(new)' if own_id == NEW else own_id}",
        person=seen.person.name,
        kind=kind.value,
        id=own_id,
        keys=keys_of(file, kind, None if own_id == NEW else own_id),
        said=said,
        troubles=troubles,
        digest=file.digest,
    )


@router.post("/roster/{kind}/{own_id}", include_in_schema=False)
async def write(request: Request, kind: Kind, own_id: str) -> Response:
    """Write an entry back into the file."""
    form = {name: str(value)[:2000] for name, value in (await request.form()).items()}
    return await run_in_threadpool(_write, request, kind, own_id, form)


def _write(request: Request, kind: Kind, own_id: str, form: dict[str, str]) -> Response:
    seen, place = viewer(request), here(request)
    if not seen.leads:
        return _not_for_you()
    try:
        file = fleet_file(place.fleet_paths, seen.person.fleet)
        key = None if own_id == NEW else own_id
        try:
            change(place.work, place.fleet_paths, file, kind, key, form, by=seen.person, now=seen.now)
        except FaultyFiles as faulty:
            return _form(seen, file, kind, own_id, said=form, troubles=tuple(map(_fault_words, faulty.faults)))
    except BadInput as trouble:
        return message("Not written", str(trouble), status=409, back="/roster")
    return RedirectResponse("/roster", status_code=303)


def _fault_words(fault: object) -> str:
    return str(fault).rpartition("/")[2]
