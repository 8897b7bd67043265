"""The link to the answer page of one notice. Its token is put in when the notice's bytes are fixed, not before."""

from __future__ import annotations

from dataclasses import replace

from carewatch.notices.notice import Notice

TOKEN_GOES_HERE = "answer-token-goes-here"  # noqa: S105 - as long as a token, so that lines break alike


def answer_url(public_url: str) -> str:
    """Where a letter says its reader can answer, with a stand-in for the token."""
    return f"{public_url}/a/{TOKEN_GOES_HERE}"


def offers_page(notice: Notice) -> bool:
    """Whether its letter names the answer page."""
    return TOKEN_GOES_HERE in notice.text


def with_token(notice: Notice, token: str) -> Notice:
    """The notice with its own link."""
    return replace(
        notice,
        text=notice.text.replace(TOKEN_GOES_HERE, token),
        html=notice.html.replace(TOKEN_GOES_HERE, token),
    )
