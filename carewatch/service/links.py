"""Sign-in links: 22 random characters, kept as a hash, for one person, for a while."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta

from carewatch.errors import BadInput
from carewatch.service.gather import current_roster
from carewatch.service.workplace import Workplace
from carewatch.store import links

TOKEN_BYTES = 16  # 22 characters in URL-safe base 64
SIGN_IN = "sign_in"


def sign_in_link(work: Workplace, person: str, *, public_url: str | None, now: datetime, valid_for: timedelta) -> str:
    """A new link; BadInput if there is no such person or no address under which pages can be reached."""
    if public_url is None:
        raise BadInput("No page can be reached here: set service.public_url to the address people use in a browser.")
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    known = [one.id for one in roster.people] if roster else []
    if person not in known:
        raise BadInput(f"There is no person {person!r} in the roster; known: {', '.join(known) or 'nobody'}.")
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with work.database.transaction() as tx:
        links.add(tx, token_hash=links.hash_token(token), person=person, purpose=SIGN_IN, expires_at=now + valid_for)
    return f"{public_url}/sign-in/{token}"
