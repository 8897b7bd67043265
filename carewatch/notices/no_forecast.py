"""No usable forecast three hours before the evening: said out loud, because silence must never mean safe."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from carewatch.duties.duty import DutyState
from carewatch.duties.facts import MachineFacts, at_local, local_day
from carewatch.duties.protect import Level
from carewatch.logbook.state import Fill
from carewatch.notices.desk import Desk
from carewatch.notices.holding import place_sentence
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import CAUTIONS, NOT_OFFICIAL, protect_steps
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.words import Reader, listed
from carewatch.roster.model import Person

BEFORE_EVENING = timedelta(hours=3)
NIGHT_LASTS = timedelta(hours=12)


def no_forecast_mails(desk: Desk) -> Iterator[Notice]:
    """One mail a person and day about the machines whose night could not be worked out."""
    for fleet in desk.facts.roster.fleets:
        evening = at_local(local_day(desk.now, fleet.tz), fleet.work_ends_at, fleet.tz)
        if not evening - BEFORE_EVENING <= desk.now < evening + BEFORE_EVENING:
            continue
        for person_id, machines in desk.by_first_contact(fleet).items():
            blind = [
                one
                for one in machines
                if desk.level(one) is Level.NOT_ASSESSED
                and not _is_asked_for(desk, one)
                and _may_freeze(one, evening + NIGHT_LASTS)
            ]
            key = f"no_forecast|{person_id}|{local_day(desk.now, fleet.tz)}"
            person = desk.facts.roster.person(person_id)
            if blind and not desk.was_sent(key) and not desk.address.is_quiet(person):
                yield _write(desk, person, blind, key=key, evening=evening)


def _is_asked_for(desk: Desk, one: MachineFacts) -> bool:
    """Whether an earlier forecast flagged the night and it is not settled: then its own messages speak of it."""
    duty = desk.protect(one)
    return duty is not None and duty.state not in (DutyState.CANCELLED, DutyState.DONE)


def _may_freeze(one: MachineFacts, morning: datetime) -> bool:
    """Whether it holds anything, unless it stands in a heated shop that counts as heated until the morning."""
    return not one.is_heated_until(morning) and any(
        contents.fill is not Fill.DRY for contents in one.state.contents.values()
    )


def _write(desk: Desk, person: Person, blind: list[MachineFacts], *, key: str, evening: datetime) -> Notice:
    reader = desk.reader(person, blind)
    names = listed(one.machine.name for one in blind)
    letter = Letter(
        subject=f"No usable forecast for tonight: treat {names} as freezing, or look yourself",
        opening="The forecast services gave nothing fit to say that tonight is safe.",
        rows=tuple(Row(tag="UNKNOWN", machine=one.machine.name, lines=_lines(desk, one, reader)) for one in blind),
        steps_heading="If the night may be cold where you are:",
        steps=protect_steps(blind, reader),
        cautions=CAUTIONS,
        rest=("I go on asking, and write again only if a forecast comes that shows ice: no word does not mean safe.",),
        footer=(NOT_OFFICIAL,),
    )
    return desk.write(
        letter,
        key=key,
        kind=NoticeKind.NO_FORECAST,
        person=person,
        machines=blind,
        not_after=evening + timedelta(hours=6),
    )


def _lines(desk: Desk, one: MachineFacts, reader: Reader) -> tuple[str, ...]:
    outlook = one.outlook(desk.tonight(one))
    weather = desk.facts.weather.get(one.site.id)
    reasons = outlook.because if outlook else weather.because if weather else ()
    return (place_sentence(one), *(reader.reason(text) for text in reasons[:3]))
