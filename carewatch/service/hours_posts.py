"""Hours a telematics bridge posts: parsed JSON in, ordinary readings out. Who may post is the web layer's question.

    {"machine": "sprayer-3", "readings": [{"at": "2026-10-19T19:10:00Z", "counter_h": 812.5, "side": "front"}],
     "spells": [{"started_at": "2026-10-19T13:00:00Z", "ended_at": "2026-10-19T17:30:00Z", "hours": 3.8}]}

A reading is what a lifetime counter shows; a spell is time with liquid flowing. The same post again adds nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, Strict, ValidationError, model_validator

from carewatch.errors import BadInput
from carewatch.logbook.entries import Channel, Entry, HoursRead
from carewatch.logbook.line_models import Instant, Word
from carewatch.service.answering import write_entries
from carewatch.service.hours_files import reading_entry
from carewatch.service.usecase import Outcome
from carewatch.service.workplace import Workplace

BRIDGE = "bridge"
MOST_AT_ONCE = 1000  # chosen: a reading a minute over a shift
SPILL = timedelta(minutes=1)  # chosen: seconds are rounded; a spell may seem this much shorter than its hours

Counter = Annotated[float, Strict(), Field(ge=0.0, le=1_000_000.0, allow_inf_nan=False)]


class _Told(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ReadingTold(_Told):
    """What a lifetime counter showed."""

    at: Instant
    counter_h: Counter
    side: Word | None = None
    is_estimate: Annotated[bool, Strict()] = False


class SpellTold(_Told):
    """Time with liquid flowing; `hours` None: all of it."""

    started_at: Instant
    ended_at: Instant
    hours: Annotated[float, Strict(), Field(ge=0.0, le=72.0, allow_inf_nan=False)] | None = None
    side: Word | None = None
    is_estimate: Annotated[bool, Strict()] = False

    @model_validator(mode="after")
    def _fits(self) -> SpellTold:
        if self.ended_at <= self.started_at:
            raise ValueError("ended_at must lie after started_at")
        if self.hours is not None and timedelta(hours=self.hours) > self.ended_at - self.started_at + SPILL:
            raise ValueError("hours must not be more than the time from started_at to ended_at")
        return self


class Post(_Told):
    """One post about one machine."""

    machine: Word
    readings: Annotated[tuple[ReadingTold, ...], Field(max_length=MOST_AT_ONCE)] = ()
    spells: Annotated[tuple[SpellTold, ...], Field(max_length=MOST_AT_ONCE)] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of a post."""

    new: int
    known: int
    outcome: Outcome


def take_post(work: Workplace, told: Mapping[str, Any], *, now: datetime, machine: str | None = None) -> Taken:
    """Keep what a post says, all or nothing, and run the plan.

    `machine`: the one this sender may speak for (None: any). BadInput names field, value and what to write instead.
    """
    post = _parsed(told)
    if machine is not None and post.machine != machine:
        raise BadInput(f"machine = {post.machine}: this sender may speak for {machine} only.")
    entries = list(_entries(post, now=now))
    if not entries:
        raise BadInput("readings and spells are both empty. Send at least one of them.")
    new, outcome = write_entries(work, entries, now=now)
    return Taken(new=len(new), known=len({entry.id for entry in entries}) - len(new), outcome=outcome)


def _parsed(told: Mapping[str, Any]) -> Post:
    try:
        return Post.model_validate(dict(told))
    except ValidationError as trouble:
        raise BadInput(" ".join(_words(found) for found in trouble.errors(include_url=False)[:5])) from None


def _words(found: Any) -> str:  # noqa: ANN401 - pydantic's own description of an error
    field = ".".join(str(step + 1 if isinstance(step, int) else step) for step in found["loc"]) or "post"
    told = {"missing": "is missing.", "extra_forbidden": "is no field here."}.get(found["type"])
    if found["type"] == "carewatch":
        told = f"{found['ctx']['problem']} {found['ctx']['fix']}"
    shown = found["input"] if isinstance(found["input"], str | int | float | bool) else ""
    value = f" = {str(shown)[:60]}" if shown != "" and found["type"] != "missing" else ""
    return f"{field}{value}: {told or found['msg'].replace('Input should', 'It must') + '.'}"


def _entries(post: Post, *, now: datetime) -> Iterator[Entry]:
    for one in post.readings:
        reading = HoursRead(counter_h=one.counter_h, side=one.side, counter=BRIDGE, is_estimate=one.is_estimate)
        yield reading_entry(post.machine, one.at, reading, by=BRIDGE, channel=Channel.BRIDGE, now=now)
    for spell in post.spells:
        span_h = (spell.ended_at - spell.started_at) / timedelta(hours=1)
        reading = HoursRead(
            counter_h=round(span_h if spell.hours is None else min(spell.hours, span_h), 4),
            side=spell.side,
            counter=f"{BRIDGE}, from {spell.started_at:%Y-%m-%dT%H:%M:%SZ}",
            from_zero=True,
            is_estimate=spell.is_estimate,
        )
        yield reading_entry(post.machine, spell.ended_at, reading, by=BRIDGE, channel=Channel.BRIDGE, now=now)
