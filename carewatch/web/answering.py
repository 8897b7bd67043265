"""The answer page of a notice, and the standing evening page of a machine: tap, see what was kept, take it back."""

from __future__ import annotations

import secrets
from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse

from carewatch.errors import BadInput
from carewatch.service.answer_pages import Page, Tap, page_of_machine, page_of_notice, take, undo
from carewatch.web.context import here
from carewatch.web.render import gone, message, page
from carewatch.web.views.answers import answer_views, kept_words
from carewatch.web.views.words import reader_for

router = APIRouter()
TAP_LETTERS = 40


class Kind(StrEnum):
    """What an answer page belongs to; the first part of its address."""

    NOTICE = "a"
    MACHINE = "m"


def _opened(request: Request, kind: Kind, token: str) -> Page | None:
    find = page_of_machine if kind is Kind.MACHINE else page_of_notice
    return find(here(request).work, token, now=here(request).now())


@router.get("/{kind}/{token}", include_in_schema=False)
def look(request: Request, kind: Kind, token: str) -> HTMLResponse:
    """Show what can be answered; changes nothing."""
    opened = _opened(request, kind, token)
    if opened is None:
        return gone()
    now = here(request).now()
    return page(
        "answer.html",
        title="Tonight" if kind is Kind.MACHINE else "Your answer",
        machines=answer_views(opened, now=now),
        people=[(one.id, one.name) for one in opened.people] if len(opened.people) > 1 else [],
        tap=secrets.token_urlsafe(12),
        path=f"/{kind.value}/{token}",
    )


@router.post("/{kind}/{token}", include_in_schema=False)
def answer(
    request: Request,
    kind: Kind,
    token: str,
    machine: Annotated[str, Form(max_length=40)],
    digit: Annotated[int, Form(ge=0, le=9)],
    tap: Annotated[str, Form(min_length=8, max_length=TAP_LETTERS, pattern=r"^[A-Za-z0-9_-]+$")],
    by: Annotated[str, Form(max_length=40)] = "",
    place: Annotated[str, Form(max_length=100)] = "",
    counter: Annotated[str, Form(max_length=20)] = "",
    tapped_at: Annotated[str, Form(max_length=40)] = "",
    take_back: Annotated[str, Form(max_length=1)] = "",
) -> HTMLResponse:
    """Keep one tap, or take it back."""
    opened = _opened(request, kind, token)
    if opened is None:
        return gone()
    now, path = here(request).now(), f"/{kind.value}/{token}"
    try:
        chosen = Tap(
            id=tap,
            machine=machine,
            digit=digit,
            by=by or None,
            place=place or None,
            counter_h=_counter(counter),
            tapped_at=_instant(tapped_at),
        )
        if take_back:
            count = undo(here(request).work, opened, chosen, now=now)
            words = "Taken back; the logbook keeps a trace of both." if count else "There was nothing to take back."
            return message("Taken back", words, back=path)
        taken = take(here(request).work, opened, chosen, now=now)
    except BadInput as refused:
        return message("Not kept yet", str(refused), status=422, back=path)
    reader = reader_for(opened.people[0], opened.machines[machine])
    return page(
        "kept.html",
        title="Kept",
        machine=taken.machine.name,
        words=kept_words(taken),
        remarks=taken.remarks,
        until=reader.clock(taken.until),
        form={"machine": machine, "digit": digit, "tap": tap, "by": by},
        path=path,
    )


def _counter(text: str) -> float | None:
    if not text.strip():
        return None
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise BadInput(
            f"{text!r} is no reading of the counter. Write a number such as 742.5, or leave it empty."
        ) from None
    if not 0.0 <= value < 1e6:
        raise BadInput(f"A reading of {value:g} hours is not possible.")
    return value


def _instant(text: str) -> datetime | None:
    """When the phone says it was tapped; without a zone, or unreadable: when it arrived."""
    try:
        at = datetime.fromisoformat(text) if text else None
    except ValueError:
        return None
    return at.astimezone(UTC) if at is not None and at.utcoffset() is not None else None
