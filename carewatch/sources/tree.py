"""Walking through a JSON answer somebody else wrote: every surprise is an UpstreamTrouble, never a traceback."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import NoReturn

from carewatch.errors import BadInput, UpstreamTrouble
from carewatch.weather.intervals import parse_instant

Json = Mapping[str, object]


def decode(body: bytes, *, service: str) -> object:
    """The decoded body; bare NaN and infinite numbers are refused, for they are no JSON."""

    def refuse(constant: str) -> NoReturn:
        raise ValueError(f"{constant} is not a number")

    try:
        tree: object = json.loads(body.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise UpstreamTrouble(f"{service} sent something that is not valid JSON.") from error
    return tree


def decode_object(body: bytes, *, service: str) -> Json:
    """The decoded body, which must be an object."""
    return as_object(decode(body, service=service), service=service)


def as_object(tree: object, *, service: str) -> Json:
    """The same, known to be an object."""
    if not isinstance(tree, dict):
        raise UpstreamTrouble(f"{service} sent an answer of an unknown shape.")
    return tree


def dig(tree: object, *path: str) -> object:
    """What lies at a path of keys; None where the path ends early."""
    for key in path:
        if not isinstance(tree, Mapping):
            return None
        tree = tree.get(key)
    return tree


def objects(tree: object) -> Iterator[Json]:
    """The objects in a list; anything else is passed over."""
    if isinstance(tree, Sequence) and not isinstance(tree, str):
        yield from (item for item in tree if isinstance(item, dict))


def text(tree: object) -> str | None:
    """Text as text; None for anything else."""
    return tree if isinstance(tree, str) else None


def number(tree: object) -> float:
    """A finite number, also when written as text; NaN for null, truth values and everything else."""
    if isinstance(tree, bool) or not isinstance(tree, int | float | str):
        return math.nan
    try:
        value = float(tree)
    except (ValueError, OverflowError):
        return math.nan
    return value if math.isfinite(value) else math.nan


def instant(tree: object, *, service: str, what: str) -> datetime:
    """A moment that must be there."""
    moment = instant_or_none(tree)
    if moment is None:
        raise UpstreamTrouble(f"{service} does not say when {what}.")
    return moment


def instant_or_none(tree: object) -> datetime | None:
    """A moment, or None if there is none that can be read."""
    if not isinstance(tree, str):
        return None
    try:
        return parse_instant(tree)
    except BadInput:
        return None
