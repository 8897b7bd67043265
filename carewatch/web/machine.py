"""One machine: contents as a picture, duties, nights, logbook; give a duty to somebody, write an entry."""

from __future__ import annotations

import secrets
from datetime import UTC, date
from io import BytesIO
from typing import Annotated

import segno
from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from carewatch.duties.facts import MachineFacts
from carewatch.errors import BadInput
from carewatch.logbook.entries import EntryKind
from carewatch.logbook.kinds import HELP
from carewatch.notices.holding import place_sentence
from carewatch.service.access import Viewer
from carewatch.service.answering import write_entry
from carewatch.service.night_course import night_course
from carewatch.service.page_entries import entry_of_form, fields_of, link_of_machine
from carewatch.web.context import Signed, here, viewer
from carewatch.web.picture import machine_picture
from carewatch.web.render import message, page
from carewatch.web.views.machine import hour_rows, log_lines, night_picture, night_rows, part_views
from carewatch.web.views.words import duty_words, open_duties, part_name, reader_for, who_words

router = APIRouter()


def _missing() -> HTMLResponse:
    return message("There is no such machine", "Or it is not one of yours.", status=404, back="/")


@router.get("/machine/{machine_id}", include_in_schema=False)
def machine(machine_id: str, seen: Signed) -> HTMLResponse:
    """What is known of a machine."""
    one = seen.machine(machine_id)
    if one is None:
        return _missing()
    reader, parts = reader_for(seen.person, one), part_views(seen, one)
    duties = open_duties(seen).get(machine_id, ())
    return page(
        "machine.html",
        title=one.machine.name,
        person=seen.person.name,
        id=machine_id,
        site=one.site.name,
        stands=place_sentence(one),
        parts=parts,
        picture=machine_picture(parts),
        nights=night_rows(seen, one),
        duties=[(duty.key, duty_words(duty, reader), who_words(duty, seen.facts.roster)) for duty in duties],
        people=[(person.id, person.name) for person in one.fleet.people] if seen.leads else [],
        log=log_lines(seen, one, one.entries),
        kinds=[(kind.value, kind.value.replace("_", " ")) for kind in EntryKind if kind is not EntryKind.VOIDED],
        leads=seen.leads,
    )


@router.get("/machine/{machine_id}/night/{night}", include_in_schema=False)
def one_night(request: Request, machine_id: str, night: date, seen: Signed) -> HTMLResponse:
    """Air, part and ice over the hours of one night, with margin, reasons, and the same as a table."""
    one = seen.machine(machine_id)
    row = next((found for found in night_rows(seen, one) if found.on == night.isoformat()), None) if one else None
    if one is None or row is None:
        return _missing()
    found = night_course(here(request).work, one, night, now=seen.now)
    outlook = one.outlook(night)
    worst = outlook.worst_part if outlook is not None else None
    return page(
        "night.html",
        title=f"{one.machine.name}, {row.night}",
        person=seen.person.name,
        id=machine_id,
        row=row,
        part=part_name(one, worst) if worst else "",
        picture=night_picture(seen, one, found) if found is not None else "",
        hours=hour_rows(seen, one, found) if found is not None else [],
    )


@router.get("/machine/{machine_id}/entry/{kind}", include_in_schema=False)
def entry_form(machine_id: str, kind: str, seen: Signed) -> HTMLResponse:
    """The form of one kind of entry."""
    one = seen.machine(machine_id)
    if one is None or kind not in {known.value for known in EntryKind}:
        return _missing()
    return _form(seen, one, EntryKind(kind), said={}, trouble="")


def _form(seen: Viewer, one: MachineFacts, kind: EntryKind, *, said: dict[str, str], trouble: str) -> HTMLResponse:
    local = seen.now.astimezone(one.site.tz)
    return page(
        "entry.html",
        status=422 if trouble else 200,
        title=f"{one.machine.name}: {kind.value.replace('_', ' ')}",
        person=seen.person.name,
        id=one.machine.id,
        kind=kind.value,
        help=HELP[kind],
        fields=fields_of(kind, one.machine),
        said=said,
        trouble=trouble,
        at=said.get("at") or f"{local:%Y-%m-%dT%H:%M}",
        tap=said.get("tap") or secrets.token_urlsafe(12),
        people=[(person.id, person.name) for person in one.fleet.people] if seen.leads else [],
    )


@router.post("/machine/{machine_id}/entry/{kind}", include_in_schema=False)
async def write(request: Request, machine_id: str, kind: str) -> Response:
    """Keep an entry written in the form."""
    form = {name: str(value)[:2000] for name, value in (await request.form()).items()}
    return await run_in_threadpool(_write, request, machine_id, kind, form)


def _write(request: Request, machine_id: str, kind: str, form: dict[str, str]) -> Response:
    seen = viewer(request)
    one = seen.machine(machine_id)
    if one is None or kind not in {known.value for known in EntryKind}:
        return _missing()
    try:
        entry = entry_of_form(one, EntryKind(kind), form, by=seen.person, leads=seen.leads, now=seen.now)
        write_entry(here(request).work, entry, now=seen.now)
    except BadInput as refused:
        return _form(seen, one, EntryKind(kind), said=form, trouble=str(refused))
    return RedirectResponse(f"/machine/{machine_id}#logbook", status_code=303)


@router.post("/machine/{machine_id}/assign", include_in_schema=False)
def assign(
    request: Request,
    machine_id: str,
    seen: Signed,
    duty: Annotated[str, Form(max_length=200)],
    to: Annotated[str, Form(max_length=40)],
    tap: Annotated[str, Form(max_length=40)] = "",
) -> Response:
    """Give a duty to somebody of the fleet."""
    one = seen.machine(machine_id)
    if one is None or not seen.leads or to not in {person.id for person in one.fleet.people}:
        return _missing()
    form = {"duty": duty, "to": to, "tap": tap or secrets.token_urlsafe(12), "at": ""}
    entry = entry_of_form(one, EntryKind.ASSIGNED, form, by=seen.person, leads=True, now=seen.now)
    try:
        write_entry(here(request).work, entry, now=seen.now)
    except BadInput as refused:
        return message("Not given", str(refused), status=422, back=f"/machine/{machine_id}")
    return RedirectResponse(f"/machine/{machine_id}", status_code=303)


@router.post("/machine/{machine_id}/paper", include_in_schema=False)
def paper(request: Request, machine_id: str, seen: Signed) -> HTMLResponse:
    """A sheet with the address of the machine's evening page, to hang up beside it; an older sheet stops working."""
    one = seen.machine(machine_id)
    if one is None or not seen.leads:
        return _missing()
    url = link_of_machine(here(request).work, machine_id, pages_url=here(request).pages_url, now=seen.now)
    return page(
        "paper.html",
        title=f"{one.machine.name}: evening page",
        name=one.machine.name,
        url=url,
        code=_code(url),
        made=f"{seen.now.astimezone(UTC):%d %b %Y}",
    )


def _code(url: str) -> str:
    """The address as a QR code (ISO/IEC 18004), as inline SVG."""
    drawn = BytesIO()
    code = segno.make(url, error="m", micro=False)
    code.save(drawn, kind="svg", xmldecl=False, scale=8, border=4, title="Address of the evening page")
    return drawn.getvalue().decode()
