"""The day mail: at most one a day to a manager, only when somebody must act; "worse" when it changes after that."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from carewatch.duties.answers import answers_to
from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import MachineFacts, at_local, local_day
from carewatch.duties.protect import Level, level_of
from carewatch.notices.desk import Desk
from carewatch.notices.holding import place_sentence, short_state
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import (
    CAUTIONS,
    NOT_OFFICIAL,
    PROTECT_OPTIONS,
    ahead_line,
    answer_line,
    dark_step,
    machine_lines,
    protect_steps,
    source_line,
)
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.said import EARLIER_BY, NIGHT_KINDS, is_news, last_said, saying
from carewatch.notices.still_wet import late_at
from carewatch.notices.who import name_of
from carewatch.notices.words import Reader, listed, night_words
from carewatch.roster.model import Fleet, Person

NEEDS_A_HAND = frozenset({DutyState.OPEN, DutyState.LAPSED})
USED_LATELY = timedelta(days=3)  # chosen: sprayed this recently, it may well spray today
TAGS = {Level.FREEZES: "FREEZES", Level.COULD: "COULD", Level.NOT_ASSESSED: "UNKNOWN", Level.SAFE: "IF USED"}
IF_USED_REMEMBERED = timedelta(hours=70)  # chosen: three day mails, whatever the clocks do in between
DAMAGE_AIR_C = -3.9  # 25 °F with product left in the boom does damage (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """The machines of one person's mail, sorted by what they need."""

    freezes: tuple[MachineFacts, ...]
    could: tuple[MachineFacts, ...]
    if_used: tuple[MachineFacts, ...]
    unknown: tuple[MachineFacts, ...]
    promised: tuple[MachineFacts, ...]
    unflushed: tuple[tuple[MachineFacts, Duty], ...]
    quiet: tuple[MachineFacts, ...]

    @property
    def to_do(self) -> tuple[MachineFacts, ...]:
        """Those that need a hand tonight."""
        return self.freezes + self.could


def day_mails(desk: Desk) -> Iterator[Notice]:
    """The day mails that are due now."""
    for fleet, person, machines in _readers(desk):
        slot_at, key = _slot(desk, fleet, person)
        if desk.now < slot_at or desk.was_sent(key) or desk.address.is_quiet(person):
            continue
        if desk.now >= at_local(local_day(desk.now, fleet.tz), fleet.work_ends_at, fleet.tz):
            continue
        table = _sort(desk, machines)
        is_morning = desk.now < _morning_ends_at(desk, person, slot_at)
        if _is_worth_a_day_mail(desk, person, table, is_morning=is_morning):
            yield _write(desk, fleet, person, table, key=key, kind=NoticeKind.DAY)


def worse_mails(desk: Desk) -> Iterator[Notice]:
    """What got worse after the day mail: a new machine, a changed action, an earlier deadline; not its own use."""
    for fleet, person, machines in _readers(desk):
        _, day_key = _slot(desk, fleet, person)
        if not desk.was_sent(day_key) or desk.address.is_quiet(person) or _wrote_within(desk, person, EARLIER_BY):
            continue
        table = _sort(desk, machines)
        if any(not _was_used_today(desk, one) and _is_news(desk, person, one) for one in table.freezes):
            key = desk.next_key(f"worse|{person.id}|{local_day(desk.now, fleet.tz)}")
            yield _write(desk, fleet, person, table, key=key, kind=NoticeKind.WORSE)


def _readers(desk: Desk) -> Iterator[tuple[Fleet, Person, list[MachineFacts]]]:
    """Who gets the fleet's mails; where damage is known to be near, every contact of the site."""
    for fleet in desk.facts.roster.fleets:
        groups = desk.by_first_contact(fleet)
        for one in desk.facts.of(fleet):
            if _damage_is_near(desk, one):
                for person in desk.address.chain(one.site)[1:]:
                    if one not in groups.setdefault(person.id, []):
                        groups[person.id].append(one)
        for person_id, machines in groups.items():
            yield fleet, desk.facts.roster.person(person_id), machines


def _damage_is_near(desk: Desk, one: MachineFacts) -> bool:
    outlook = one.outlook(desk.tonight(one))
    if outlook is None or outlook.coldest_air_c is None or outlook.coldest_air_c > DAMAGE_AIR_C:
        return False
    return desk.level(one) is Level.FREEZES and bool(one.state.unrinsed_sides)


def _slot(desk: Desk, fleet: Fleet, person: Person) -> tuple[datetime, str]:
    today = local_day(desk.now, fleet.tz)
    return at_local(today, fleet.day_mail_at, fleet.tz), f"day|{person.id}|{today}"


def _morning_ends_at(desk: Desk, person: Person, slot_at: datetime) -> datetime:
    """Until when a first mail of the day is the morning's; after that one comes only if the day brought something."""
    zone = desk.facts.roster.fleet(person.fleet).tz
    if person.quiet is not None and desk.address.is_quiet(person, slot_at):
        slot_at = max(slot_at, at_local(local_day(slot_at, zone), person.quiet.end, zone))
    return slot_at + EARLIER_BY


def _sort(desk: Desk, machines: Sequence[MachineFacts]) -> Table:
    levels = {one.machine.id: desk.level(one) for one in machines}
    duties = {one.machine.id: desk.protect(one) for one in machines}

    def pick(level: Level, states: frozenset[DutyState]) -> tuple[MachineFacts, ...]:
        return tuple(
            one
            for one in machines
            if levels[one.machine.id] is level and (duty := duties[one.machine.id]) and duty.state in states
        )

    freezes, could = pick(Level.FREEZES, NEEDS_A_HAND), pick(Level.COULD, NEEDS_A_HAND)
    promised = pick(Level.FREEZES, frozenset({DutyState.PROMISED})) + pick(Level.COULD, frozenset({DutyState.PROMISED}))
    unknown = tuple(one for one in machines if levels[one.machine.id] is Level.NOT_ASSESSED)
    if_used = tuple(one for one in machines if levels[one.machine.id] is Level.SAFE and _freezes_if_used(desk, one))
    shown = {one.machine.id for one in (*freezes, *could, *promised, *unknown, *if_used)}
    return Table(
        freezes=freezes,
        could=could,
        if_used=if_used,
        unknown=unknown,
        promised=promised,
        unflushed=tuple(_unflushed(desk, machines)),
        quiet=tuple(one for one in machines if one.machine.id not in shown),
    )


def _freezes_if_used(desk: Desk, one: MachineFacts) -> bool:
    sprayed_at = one.state.last_sprayed_at
    if sprayed_at is None or desk.now - sprayed_at > USED_LATELY or one.state.season_ended:
        return False
    outlook = one.outlook_if_used(desk.tonight(one))
    return level_of(outlook, one.fleet.threshold_tonight) is Level.FREEZES


def _unflushed(desk: Desk, machines: Sequence[MachineFacts]) -> Iterator[tuple[MachineFacts, Duty]]:
    """Shifts that ended without a flush, and the night hour has passed; each is shown once."""
    ids = {one.machine.id for one in machines}
    for one, duty in desk.open_duties(DutyKind.RINSE):
        was_shown = any(notice.kind in NIGHT_KINDS for notice in desk.about(duty))
        if one.machine.id in ids and duty.due_at <= desk.now and not was_shown:
            yield one, duty


def _is_worth_a_day_mail(desk: Desk, person: Person, table: Table, *, is_morning: bool) -> bool:
    """Something nobody told this person yet; later in the day a machine's own use is the evening message's matter."""
    news = [one for one in table.freezes if _is_news(desk, person, one)]
    if table.unflushed or any(is_morning or not _was_used_today(desk, one) for one in news):
        return True
    told = desk.sent_to(person.id, NIGHT_KINDS, within=IF_USED_REMEMBERED)
    told_if_used = {machine for notice in told for machine in notice.machines}
    return is_morning and any(one.machine.id not in told_if_used for one in table.if_used)


def _is_news(desk: Desk, person: Person, one: MachineFacts) -> bool:
    duty = desk.protect(one)
    if duty is None or desk.now >= late_at(one, duty):
        return False  # "still wet" speaks of it from its deadline on
    return is_news(last_said(desk, person, one), saying(one, duty, desk.level(one)))


def _was_used_today(desk: Desk, one: MachineFacts) -> bool:
    sprayed_at = one.state.last_sprayed_at
    return sprayed_at is not None and local_day(sprayed_at, one.site.tz) == local_day(desk.now, one.site.tz)


def _wrote_within(desk: Desk, person: Person, span: timedelta) -> bool:
    return bool(desk.sent_to(person.id, NIGHT_KINDS, within=span))


# ---------------------------------------------------------------- the words


def _write(desk: Desk, fleet: Fleet, person: Person, table: Table, *, key: str, kind: NoticeKind) -> Notice:
    machines = (*table.to_do, *table.if_used, *table.unknown, *table.promised, *table.quiet)
    reader = desk.reader(person, machines)
    duties = [duty for one in table.to_do if (duty := desk.protect(one))] + [duty for _, duty in table.unflushed]
    said = {
        one.machine.id: saying(one, duty, desk.level(one)).to_text()
        for one in table.to_do
        if (duty := desk.protect(one))
    }
    today = local_day(desk.now, fleet.tz)
    ends_at = at_local(today + timedelta(days=1), fleet.day_mail_at, fleet.tz)
    ice = [outlook.first_ice_at for one in table.freezes if (outlook := one.outlook(desk.tonight(one)))]
    return desk.write(
        _letter(desk, person, table, reader, is_worse=kind is NoticeKind.WORSE),
        key=key,
        kind=kind,
        person=person,
        machines=(*table.to_do, *table.if_used, *(one for one, _ in table.unflushed)),
        duties=duties,
        not_after=max(desk.now + EARLIER_BY, min([at for at in ice if at], default=ends_at)),
        said=said,
    )


def _letter(desk: Desk, person: Person, table: Table, reader: Reader, *, is_worse: bool) -> Letter:
    rows = [
        *_rows(desk, table.freezes, Level.FREEZES, reader, table.unflushed),
        *_rows(desk, table.could, Level.COULD, reader, table.unflushed),
    ]
    rows += [_if_used_row(desk, one, reader) for one in table.if_used]
    rows += [
        Row(tag="FLUSH", machine=one.machine.name, lines=_unflushed_lines(desk, one, duty))
        for one, duty in table.unflushed
        if one not in table.to_do
    ]
    shown = (*table.to_do, *table.if_used)
    everyone = (*shown, *table.unknown, *table.promised, *table.quiet)
    night = desk.tonight(everyone[0]) if everyone else local_day(desk.now, reader.zone)
    return Letter(
        subject=_subject(desk, table, reader, is_worse=is_worse),
        opening=f"Tonight, {night_words(night)}: {_count_words(len(table.to_do), len(everyone))}",
        rows=tuple(rows),
        steps_heading="Do the first that is possible:" if table.to_do else "",
        steps=protect_steps(table.to_do, reader) if table.to_do else (),
        cautions=CAUTIONS if shown or table.unflushed else (),
        answer=answer_line(desk, person, table.to_do) if table.to_do else "",
        options=PROTECT_OPTIONS if table.to_do else (),
        rest=tuple(_rest(desk, table, reader)),
        footer=(source_line(everyone, night, reader), NOT_OFFICIAL),
    )


def _rows(
    desk: Desk,
    machines: Sequence[MachineFacts],
    level: Level,
    reader: Reader,
    unflushed: Sequence[tuple[MachineFacts, Duty]],
) -> list[Row]:
    rows = []
    for one in machines:
        outlook, duty = one.outlook(desk.tonight(one)), desk.protect(one)
        if outlook is not None and duty is not None:
            by = f"Protect by {reader.clock(duty.due_at)}." if duty.due_at > desk.now else "Protect now."
            lines = (by, *machine_lines(desk, one, outlook, level, reader))
            lines += tuple(text for found, rinse in unflushed if found is one for text in rinse.because)
            rows.append(Row(tag=TAGS[level], machine=one.machine.name, lines=lines))
    return rows


def _if_used_row(desk: Desk, one: MachineFacts, reader: Reader) -> Row:
    outlook = one.outlook_if_used(desk.tonight(one))
    cold = (
        f"Coldest air {reader.temperature(outlook.coldest_air_c)}."
        if outlook and outlook.coldest_air_c is not None
        else ""
    )
    lines = (
        "Safe as it stands. If it sprays today it freezes tonight; its operator is told before the shift ends.",
        cold,
        place_sentence(one),
    )
    return Row(tag=TAGS[Level.SAFE], machine=one.machine.name, lines=lines)


def _subject(desk: Desk, table: Table, reader: Reader, *, is_worse: bool) -> str:
    could = f" ({listed(one.machine.name for one in table.could)} could)" if table.could else ""
    if table.freezes:
        due_at = min(duty.due_at for one in table.freezes if (duty := desk.protect(one)))
        names = listed(one.machine.name for one in table.freezes)
        start = "Now freezes tonight" if is_worse else "Freezes tonight"
        by = f"by {reader.clock(due_at)}" if due_at > desk.now else "now"
        return f"{start}: protect {names} {by}{could}"
    if table.unflushed:
        names = listed(dict.fromkeys(one.machine.name for one, _ in table.unflushed))
        frozen = any(_must_thaw(desk, one) for one, _ in table.unflushed)
        before = "thaw and look, then flush" if frozen else "flush before the first fill"
        return f"Not flushed after work: {names} - {before}{could}"
    return f"Freezes tonight if used: {listed(one.machine.name for one in table.if_used)}{could}"


def _count_words(count: int, total: int) -> str:
    if count == 0:
        return "as they stand now, no machine has to be protected."
    if count == total == 1:
        return "it needs a hand."
    return f"{count} of {total} machines {'needs' if count == 1 else 'need'} a hand."


def _rest(desk: Desk, table: Table, reader: Reader) -> Iterator[str]:
    if table.to_do:
        yield dark_step(table.to_do)
    yield from _others(desk, table, reader)
    for site in dict.fromkeys(one.site.id for one in (*table.to_do, *table.if_used)):
        weather = desk.facts.weather.get(site)
        yield from weather.official if weather else ()
    ahead = ahead_line((*table.to_do, *table.quiet, *table.if_used), desk.now, reader)
    if ahead:
        yield ahead
    if table.freezes:
        due_at = min(duty.due_at for one in table.freezes if (duty := desk.protect(one)))
        when = f"at {reader.clock(due_at)}" if due_at > desk.now else "at its deadline"
        yield f"I write again only if a machine is still wet {when} or the night gets worse."


def _others(desk: Desk, table: Table, reader: Reader) -> Iterator[str]:
    """The machines without a row, in one paragraph; what was not assessed comes first."""
    words = []
    if table.unknown:
        names = listed(one.machine.name for one in table.unknown)
        words.append(f"Not assessed: {names} - treat as wet and freezing.")
    if table.promised:
        words.append(f"Promised: {', '.join(_promise_words(desk, one, reader) for one in table.promised)}.")
    left = [one for one in table.quiet if (duty := desk.protect(one)) and duty.state is DutyState.ACCEPTED]
    if left:
        words.append(f"Left as they are, by decision: {listed(one.machine.name for one in left)}.")
    spoken_of = {one.machine.id for one in (*left, *(one for one, _ in table.unflushed))}
    quiet = [_quiet_words(desk, one, reader) for one in table.quiet if one.machine.id not in spoken_of]
    if quiet:
        words.append(f"Nothing to do: {', '.join(quiet)}.")
    if words:
        yield " ".join(words)


def _quiet_words(desk: Desk, one: MachineFacts, reader: Reader) -> str:
    outlook = one.outlook(desk.tonight(one))
    return f"{one.machine.name} ({short_state(one, reader, desk.now, outlook.coldest_air_c if outlook else None)})"


def _promise_words(desk: Desk, one: MachineFacts, reader: Reader) -> str:
    duty = desk.protect(one)
    answers = answers_to(duty.key, one.entries, since=duty.opened_at) if duty else None
    if answers is None or answers.promised_by is None or answers.promised_until is None:
        return one.machine.name
    who = name_of(desk.facts.roster, answers.promised_by)
    return f"{one.machine.name} ({who}, by {reader.clock(answers.promised_until)})"


def _must_thaw(desk: Desk, one: MachineFacts) -> bool:
    return any(found is one for found, _ in desk.open_duties(DutyKind.THAW))


def _unflushed_lines(desk: Desk, one: MachineFacts, duty: Duty) -> tuple[str, ...]:
    missing = [side.label for side in one.machine.sides if side.key in one.state.unrinsed_sides]
    which = "both sides" if len(missing) > 1 else f"the {missing[0]} side" if len(one.machine.sides) > 1 else "it"
    what = f"Flush {which} before the first fill"
    return (*duty.because, f"{what}, but thaw and look first." if _must_thaw(desk, one) else f"{what}.")
