"""What pages need from outside: the workplace, the clock, who has signed in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated

from fastapi import Depends, Request

from carewatch.service.access import Viewer, viewer_of
from carewatch.service.workplace import Workplace


@dataclass(frozen=True, slots=True, kw_only=True)
class Here:
    """The installation behind the pages. `pages_url`: where people reach them; `fleet_paths`: the
    fleet files and folders; `health`: the state as a document."""

    work: Workplace
    now: Callable[[], datetime]
    pages_url: str
    fleet_paths: tuple[Path, ...]
    health: Callable[[], dict[str, object]]

    @property
    def is_secure(self) -> bool:
        """Whether browsers reach the pages over HTTPS."""
        return self.pages_url.startswith("https://")

    @property
    def cookie(self) -> str:
        """Name of the session's cookie; the prefix binds it to this host over HTTPS (RFC 6265bis, 4.1.3.2)."""
        return "__Host-care" if self.is_secure else "care"


class NotSignedIn(Exception):
    """Raised where a page needs somebody; app.py sends them to sign in."""


def here(request: Request) -> Here:
    """The installation."""
    found: Here = request.app.state.here
    return found


def viewer(request: Request) -> Viewer:
    """Who has signed in; a page that asks for this exists for nobody else."""
    place = here(request)
    found = viewer_of(place.work, request.cookies.get(place.cookie), now=place.now())
    if found is None:
        raise NotSignedIn
    return found


Signed = Annotated[Viewer, Depends(viewer)]
"""The argument of a page that is for people who have signed in."""
