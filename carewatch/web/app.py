"""The pages, put together. Everything a page needs is handed in; nothing here decides anything."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException
from starlette.staticfiles import StaticFiles

from carewatch.errors import StoreTrouble
from carewatch.service.workplace import Workplace
from carewatch.web import answering, board, machine, roster, signing_in, state
from carewatch.web.context import Here, NotSignedIn
from carewatch.web.guard import Guard
from carewatch.web.render import message

STATIC = Path(str(files("carewatch.web") / "static"))
RETRY_S = "10"


def make_app(
    work: Workplace,
    *,
    now: Callable[[], datetime],
    pages_url: str,
    fleet_paths: tuple[Path, ...],
    health: Callable[[], dict[str, Any]],
) -> FastAPI:
    """The application over a workplace; `health`: the document of /health."""
    app = FastAPI(title="carewatch", openapi_url=None, docs_url=None, redoc_url=None)
    app.state.here = Here(work=work, now=now, pages_url=pages_url, fleet_paths=fleet_paths, health=health)
    for router in (signing_in.router, board.router, machine.router, roster.router, state.router):
        app.include_router(router)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_api_route("/sw.js", _service_worker, include_in_schema=False)
    app.include_router(answering.router)
    app.add_exception_handler(NotSignedIn, _to_sign_in)
    app.add_exception_handler(RequestValidationError, _not_filled_in)
    app.add_exception_handler(HTTPException, _no_such_page)
    app.add_exception_handler(StoreTrouble, _busy)
    app.add_middleware(Guard)
    return app


def _service_worker() -> Response:
    """At the top, so that it may serve every page of ours."""
    return FileResponse(STATIC / "sw.js", media_type="text/javascript", headers={"cache-control": "no-cache"})


def _to_sign_in(request: Request, error: Exception) -> Response:
    del request, error
    return RedirectResponse("/sign-in", status_code=303)


def _not_filled_in(request: Request, error: Exception) -> Response:
    del request
    wrong = error.errors() if isinstance(error, RequestValidationError) else []
    names = sorted({str(one["loc"][-1]) for one in wrong})
    return message("Not understood", f"Check: {', '.join(names)}. Nothing was changed.", status=422)


def _no_such_page(request: Request, error: Exception) -> Response:
    del request
    status = error.status_code if isinstance(error, HTTPException) else 404
    return message("There is no such page", "Check the address. Nothing was changed.", status=status, back="/")


def _busy(request: Request, error: Exception) -> Response:
    del request, error
    found = message(
        "Not just now", "The database is busy or its disk is full. Nothing was kept; try again.", status=503
    )
    found.headers["retry-after"] = RETRY_S
    return found
