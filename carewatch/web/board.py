"""The board: every machine with what it holds, tonight in words, what is due and who has it; and the messages."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from carewatch.service.access import notice_lines
from carewatch.web.context import Signed, here
from carewatch.web.render import message, page
from carewatch.web.views.board import board_of, notice_rows

router = APIRouter()


@router.get("/", include_in_schema=False)
def board(
    seen: Signed,
    site: Annotated[str, Query(max_length=40)] = "",
    level: Annotated[str, Query(max_length=20)] = "",
    number: Annotated[int, Query(alias="page", ge=1, le=10_000)] = 1,
) -> HTMLResponse:
    """The machines the viewer may see, worst first."""
    shown = board_of(seen, site=site, level=level, page=number)
    return page("board.html", title="Machines", person=seen.person.name, board=shown, site=site, level=level)


@router.get("/notices", include_in_schema=False)
def notices(request: Request, seen: Signed) -> HTMLResponse:
    """What was sent to the people of the fleet, how far it got, and what they answered."""
    if not seen.leads:
        return message("Not for you", "This page is for managers and owners.", status=403, back="/")
    lines = notice_lines(here(request).work, seen)
    return page("notices.html", title="Messages", person=seen.person.name, notices=notice_rows(seen, lines))
