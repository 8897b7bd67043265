"""Links: 22 characters nobody can guess, kept as a hash, for one person and one purpose, for a while."""

from __future__ import annotations

import base64
import hmac
import secrets
from datetime import datetime, timedelta

from sqlalchemy import Connection

from carewatch.errors import BadInput
from carewatch.service.gather import current_roster
from carewatch.service.workplace import Workplace
from carewatch.store import links
from carewatch.store.links import Link

TOKEN_BYTES = 16  # 22 characters in URL-safe base 64
SIGN_IN, SESSION, ANSWER, MACHINE = "sign_in", "session", "answer", "machine"
FOR_EVER = timedelta(days=3650)  # a link on paper beside the machine; revoked by making a new one


def sign_in_link(work: Workplace, person: str, *, public_url: str | None, now: datetime, valid_for: timedelta) -> str:
    """A new link; BadInput if there is no such person or no address under which pages can be reached."""
    if public_url is None:
        raise BadInput(
            "No page can be reached here: set web.port, and service.public_url to the address people use in a browser."
        )
    with work.remembered.lock, work.database.reading() as rx:
        roster = current_roster(work, rx)
    known = [one.id for one in roster.people] if roster else []
    if person not in known:
        raise BadInput(f"There is no person {person!r} in the roster; known: {', '.join(known) or 'nobody'}.")
    return f"{public_url}/sign-in/{new_token(work, person=person, purpose=SIGN_IN, until=now + valid_for)}"


def new_token(work: Workplace, *, person: str, purpose: str, until: datetime) -> str:
    """A random token for a person and a purpose; only its hash is kept."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with work.database.transaction() as tx:
        links.add(tx, token_hash=links.hash_token(token), person=person, purpose=purpose, expires_at=until)
    return token


def answer_token(work: Workplace, tx: Connection, *, notice: str, person: str, until: datetime) -> str:
    """The token of the answer page of a notice: always the same for one notice, so that its bytes are, too."""
    mark = hmac.digest(work.secret, f"{ANSWER}|{notice}".encode(), "sha256")[:TOKEN_BYTES]
    token = base64.urlsafe_b64encode(mark).rstrip(b"=").decode()
    links.add(tx, token_hash=links.hash_token(token), person=person, purpose=f"{ANSWER}|{notice}", expires_at=until)
    return token


def find_link(work: Workplace, token: str, *, kind: str, now: datetime) -> Link | None:
    """The link of a token, if it is of that kind and works. Looking does not use it up."""
    with work.database.reading() as rx:
        found = links.find(rx, links.hash_token(token), now=now)
    return found if found is not None and found.purpose.partition("|")[0] == kind else None


def end_link(work: Workplace, token: str, *, now: datetime) -> None:
    """Revoke one link."""
    with work.database.transaction() as tx:
        links.revoke(tx, links.hash_token(token), at=now)
