"""Sign in by a mailed link, sign out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from carewatch.service.links import end_link
from carewatch.service.signing_in import SESSION_LASTS, begin_session, person_of_link, send_link
from carewatch.web.context import here
from carewatch.web.render import gone, message, page

router = APIRouter()


@router.get("/sign-in", include_in_schema=False)
def ask() -> HTMLResponse:
    """Ask for the address."""
    return page("sign_in.html", title="Sign in")


@router.post("/sign-in", include_in_schema=False)
def send(request: Request, address: Annotated[str, Form(max_length=320)]) -> HTMLResponse:
    """Mail a link; the answer is the same whether anybody has that address."""
    place = here(request)
    send_link(place.work, address, pages_url=place.pages_url, now=place.now())
    return message(
        "Look into your mail",
        "If that address is known here, a link is on its way. It works once, for half an hour.",
        "Nothing comes? Ask whoever runs carewatch to check your address.",
    )


@router.get("/sign-in/{token}", include_in_schema=False)
def confirm(request: Request, token: str) -> HTMLResponse:
    """Show a button; opening a link signs nobody in."""
    person = person_of_link(here(request).work, token, now=here(request).now())
    return gone() if person is None else page("confirm.html", title="Sign in", name=person.name, token=token)


@router.post("/sign-in/{token}", include_in_schema=False)
def begin(request: Request, token: str) -> Response:
    """Begin a session."""
    place = here(request)
    session = begin_session(place.work, token, now=place.now())
    if session is None:
        return gone()
    answer = RedirectResponse("/", status_code=303)
    answer.set_cookie(
        place.cookie,
        session.token,
        max_age=int(SESSION_LASTS.total_seconds()),
        secure=place.is_secure,
        httponly=True,
        samesite="lax",
        path="/",
    )
    return answer


@router.post("/sign-out", include_in_schema=False)
def leave(request: Request) -> Response:
    """End the session, also for whoever copied its cookie."""
    place = here(request)
    session = request.cookies.get(place.cookie)
    if session:
        end_link(place.work, session, now=place.now())
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.delete_cookie(place.cookie, secure=place.is_secure, httponly=True, samesite="lax", path="/")
    return answer
