"""What a person was already told about a machine, so that the same advice is not given twice in one cold spell."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from carewatch.duties.duty import Duty, DutyState
from carewatch.duties.facts import MachineFacts
from carewatch.duties.protect import Level, protect_key
from carewatch.notices.desk import Desk
from carewatch.notices.night_lines import signature
from carewatch.notices.notice import NoticeKind
from carewatch.roster.model import LEAST_SHELTER_FIRST, Person, PlaceKind

SPELL_REMEMBERED = timedelta(days=3)  # chosen: in a long spell a manager hears the same at most every third day
A_SPELL_AGO = SPELL_REMEMBERED + timedelta(days=1)  # nights are counted, not hours: clocks change in between
EARLIER_BY = timedelta(minutes=60)
HANDLED = frozenset({DutyState.DONE, DutyState.ACCEPTED})
NIGHT_KINDS = (NoticeKind.DAY, NoticeKind.WORSE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What one notice said about one machine: the night, how it stood, by when, what it held."""

    night: date
    level: Level
    due_at: datetime
    signature: str

    def to_text(self) -> str:
        """As kept with the notice."""
        return f"{self.night};{self.level};{self.due_at.isoformat()};{self.signature}"

    @classmethod
    def from_text(cls, text: str) -> Said:
        """As read from an earlier notice."""
        night, level, due_at, held = text.split(";", 3)
        return cls(
            night=date.fromisoformat(night), level=Level(level), due_at=datetime.fromisoformat(due_at), signature=held
        )


def saying(one: MachineFacts, duty: Duty, level: Level) -> Said:
    """What a notice says now about this machine."""
    return Said(night=duty.night, level=level, due_at=duty.due_at, signature=signature(one))


def last_said(desk: Desk, person: Person, one: MachineFacts) -> Said | None:
    """The advice that still stands: given within three days, and followed or answered on every night since."""
    for notice in reversed(desk.sent_to(person.id, (*NIGHT_KINDS, NoticeKind.CANCELLED), within=A_SPELL_AGO)):
        if notice.kind is NoticeKind.CANCELLED and one.machine.id in notice.machines:
            return None  # taken back: when it is needed again, that is news
        text = dict(notice.facts).get(one.machine.id)
        if text is not None:
            said = Said.from_text(text)
            is_fresh = desk.tonight(one) - said.night < SPELL_REMEMBERED
            return said if is_fresh and _spell_holds(desk, one, said.night) else None
    return None


def _spell_holds(desk: Desk, one: MachineFacts, since: date) -> bool:
    """Whether every night from then to yesterday was flagged and handled; tonight itself always holds."""
    night, tonight = since, desk.tonight(one)
    while night < tonight:
        duty = desk.duties.get(protect_key(one.machine.id, night))
        if duty is None or duty.state not in HANDLED:
            return False
        night += timedelta(days=1)
    return True


def is_news(said: Said | None, now_said: Said) -> bool:
    """Whether it is worth a mail: a new machine, a changed action, or a deadline at least an hour earlier."""
    if said is None or (said.level is not Level.FREEZES and now_said.level is Level.FREEZES):
        return True
    if _is_other_action(said.signature, now_said.signature):
        return True
    same_clock = said.due_at + (now_said.night - said.night)
    return now_said.due_at <= same_clock - EARLIER_BY


def _is_other_action(before: str, now: str) -> bool:
    """Whether other hands or another place are needed; less liquid or more shelter than before is no news."""
    (held_before, place_before), (held_now, place_now) = (text.partition("@")[::2] for text in (before, now))
    (liquid_before, fill_before), (liquid_now, fill_now) = (
        text.partition("/")[::2] for text in (held_before, held_now)
    )
    (site_before, kind_before), (site_now, kind_now) = (text.partition("/")[::2] for text in (place_before, place_now))
    if liquid_before != liquid_now or site_before != site_now:
        return True
    is_fuller = fill_before == "pockets" and fill_now == "full"
    return is_fuller or _shelter(kind_now) > _shelter(kind_before)


def _shelter(kind: str) -> int:
    best_first = enumerate(reversed(LEAST_SHELTER_FIRST))
    return next((rank for rank, place in best_first if place.value == kind), len(PlaceKind))
