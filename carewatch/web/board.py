"""The board: every machine with what it holds, tonight in words, what is due and who has it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from carewatch.web.context import Signed
from carewatch.web.render import page
from carewatch.web.views import board_of

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
