"""Templates and small answers."""

from __future__ import annotations

from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

_TEMPLATES = Environment(
    loader=PackageLoader("carewatch.web"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


def page(template: str, *, status: int = 200, **context: object) -> HTMLResponse:
    """A page; `context` holds words and values, templates compute nothing."""
    return HTMLResponse(_TEMPLATES.get_template(template).render(**context), status_code=status)


def message(title: str, *lines: str, status: int = 200, back: str | None = None) -> HTMLResponse:
    """A page that only says something."""
    return page("message.html", status=status, title=title, lines=lines, back=back)


def gone() -> HTMLResponse:
    """What a link shows that is unknown, used, over or revoked: the same for each, so that nobody learns which."""
    return message(
        "This link does not work (any more)",
        "Nothing was changed. Links end after a while, or when they are used.",
        "Answer by mail, ask for a new link, or tell your manager.",
        status=404,
    )
