"""The state of the service, for whoever runs it and for managers: the same reasons as /health."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from carewatch.web.context import Signed, here
from carewatch.web.render import message, page

router = APIRouter()


@router.get("/state", include_in_schema=False)
def state(request: Request, seen: Signed) -> HTMLResponse:
    """How the service is."""
    if not seen.leads:
        return message("Not for you", "This page is for managers and owners.", status=403, back="/")
    found = here(request).health()
    return page("state.html", title="State of the service", person=seen.person.name, found=found)
