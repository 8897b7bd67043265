"""The words of the day mail: which machines, what is in them, what to do first, by when."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from carewatch.duties.answers import answers_to
from carewatch.duties.duty import Duty, DutyState
from carewatch.duties.facts import MachineFacts, local_day
from carewatch.duties.protect import Level
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
from carewatch.notices.who import name_of
from carewatch.notices.words import Reader, listed, night_words
from carewatch.roster.model import Person

TAGS = {Level.FREEZES: "FREEZES", Level.COULD: "COULD", Level.NOT_ASSESSED: "UNKNOWN", Level.SAFE: "IF USED"}


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


def day_letter(desk: Desk, person: Person, table: Table, reader: Reader, *, is_worse: bool) -> Letter:
    """The whole mail."""
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
        footer=(source_line(everyone, night, reader, desk.now), NOT_OFFICIAL),
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
            lines += tuple(_flush_words(one, rinse) for found, rinse in unflushed if found is one)
            rows.append(Row(tag=TAGS[level], machine=one.machine.name, lines=lines))
    return rows


def _flush_words(one: MachineFacts, rinse: Duty) -> str:
    is_half = len(one.state.unrinsed_sides) < len(one.machine.sides)
    return " ".join(rinse.because) if is_half else "Not flushed after work."


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
        frozen = any(desk.must_thaw(one) for one, _ in table.unflushed)
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


def _unflushed_lines(desk: Desk, one: MachineFacts, duty: Duty) -> tuple[str, ...]:
    missing = [side.label for side in one.machine.sides if side.key in one.state.unrinsed_sides]
    which = "both sides" if len(missing) > 1 else f"the {missing[0]} side" if len(one.machine.sides) > 1 else "it"
    what = f"Flush {which} before the first fill"
    return (*duty.because, f"{what}, but thaw and look first." if desk.must_thaw(one) else f"{what}.")
