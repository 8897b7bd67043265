"""The words of the evening message: short enough to read with gloves on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from carewatch.duties.duty import Duty
from carewatch.duties.facts import MachineFacts, at_local
from carewatch.duties.flushing import flush_plan
from carewatch.duties.protect import Level
from carewatch.notices.desk import Desk
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import (
    NOT_OFFICIAL,
    PROTECT_OPTIONS,
    answer_line,
    may_hold_fertilizer,
    protect_choice,
    protect_steps,
    source_line,
    thaw_first,
)
from carewatch.notices.words import Reader, listed
from carewatch.roster.model import Person, Role

OPTIONS = (
    (1, "both sides flushed"),
    (2, "both, and air through both"),
    (3, "first side only"),
    (4, "second side only"),
    (5, "did not spray"),
    (6, "cannot"),
)
ONE_SIDE_OPTIONS = ((1, "flushed"), (2, "flushed, and air through it"), (5, "did not spray"), (6, "cannot"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """What one machine needs this evening: a flush, protection, an answer, or several of these.

    `asks_hours`: the spray-hour counter should be read as well; that alone is no reason to write.
    """

    one: MachineFacts
    level: Level
    rinse: Duty | None = None
    protect: Duty | None = None
    say: Duty | None = None
    asks_hours: bool = False

    @property
    def duties(self) -> tuple[Duty, ...]:
        """The duties in it."""
        return tuple(duty for duty in (self.rinse, self.protect, self.say) if duty is not None)


def evening_letter(desk: Desk, person: Person, items: Sequence[Item]) -> Letter:
    """The whole message."""
    machines = [item.one for item in items]
    reader = desk.reader(person, machines)
    is_rinse, is_protect = any(item.rinse for item in items), any(item.protect for item in items)
    return Letter(
        subject=_subject(items, reader),
        opening=_opening(is_rinse=is_rinse, is_protect=is_protect),
        rows=tuple(_row(desk, item, reader) for item in items),
        steps_heading="" if is_rinse or not is_protect else "Do the first that is possible:",
        steps=tuple(_steps(items, reader)),
        cautions=_cautions(is_rinse=is_rinse, is_protect=is_protect),
        answer=answer_line(desk, person, machines),
        options=_options(items),
        rest=(
            *((_welcome_words(items),) if is_rinse else ()),
            *_silence(desk, person, items, reader),
        ),
        footer=(source_line(machines, desk.tonight(machines[0]), reader, desk.now), NOT_OFFICIAL) if is_protect else (),
    )


def _welcome_words(items: Sequence[Item]) -> str:
    """What else an answer may hold."""
    counter = "" if any(item.asks_hours for item in items) else ", and the spray-hour counter if you can see it"
    return f"Indoors? Add it: 1 indoors. Say also where it stands{counter}."


def _opening(*, is_rinse: bool, is_protect: bool) -> str:
    if is_rinse:
        return f"Before you leave the field{', in this order' if is_protect else ''}:"
    return "Before you go home:" if is_protect else "What nobody says counts as sprayed."


def _cautions(*, is_rinse: bool, is_protect: bool) -> tuple[str, ...]:
    spread = "Spray the water out where the label allows, on the field just sprayed; keep moving, no spot twice."
    body = "Relieve pressure before opening anything; wear what the product label asks for."
    return (*((spread,) if is_rinse else ()), *((body,) if is_rinse or is_protect else ()))


def _subject(items: Sequence[Item], reader: Reader) -> str:
    to_rinse, to_protect = [item for item in items if item.rinse], [item for item in items if item.protect]
    names = listed(item.one.machine.name for item in to_rinse or to_protect or items)
    if to_rinse:
        both = [item for item in to_rinse if item.protect]
        it = "it" if len(to_rinse) == 1 else "them"
        tail = f", then protect {it}: {_cold_word(both)} tonight" if both else ""
        return f"{names}: {_flush_words(to_rinse)} before you leave the field{tail}"
    if to_protect:
        due_at = min(item.protect.due_at for item in to_protect if item.protect)
        return f"{names}: protect by {reader.clock(due_at)}, {_cold_word(to_protect)} tonight"
    if all(item.say and "spray" in item.say.because[0] for item in items):
        return f"{names}: did it spray today?"
    return f"{names}: please say how it stands"


def _cold_word(items: Sequence[Item]) -> str:
    return "freezes" if any(item.level is Level.FREEZES for item in items) else "could freeze"


def _flush_words(to_rinse: Sequence[Item]) -> str:
    one, sides = to_rinse[0].one, to_rinse[0].one.state.unrinsed_sides
    if len(to_rinse) == 1 and len(one.machine.sides) == 1:
        return "flush the valves"
    if len(to_rinse) == 1 and len(sides) < len(one.machine.sides):
        return f"flush the {_labels(one, sides)} side too"
    return "flush both valve sides"


def _labels(one: MachineFacts, sides: Sequence[str]) -> str:
    return listed(side.label for side in one.machine.sides if side.key in sides)


def _row(desk: Desk, item: Item, reader: Reader) -> Row:
    lines: list[str] = []
    if item.rinse:
        lines += _sprayed_lines(item.one, item.rinse, reader)
    if item.say:
        lines += item.say.because
    outlook = item.one.outlook(desk.tonight(item.one))
    if item.protect and outlook and outlook.coldest_air_c is not None:
        word = "will" if item.level is Level.FREEZES else "could"
        by = f" Protect it by {reader.clock(item.protect.due_at)}." if item.protect.due_at > desk.now else ""
        lines.append(f"Tonight {reader.temperature(outlook.coldest_air_c)}: what stays in it {word} freeze.{by}")
    lines += thaw_first(desk, item.one)
    if item.asks_hours:
        lines.append(_hours_line(item.one, reader))
    tag = "FLUSH" if item.rinse else "PROTECT" if item.protect else "SAY"
    return Row(tag=tag, machine=item.one.machine.name, lines=tuple(lines))


def _hours_line(one: MachineFacts, reader: Reader) -> str:
    """Asked for once a week where nothing else delivers the hours; any of the answers takes it."""
    read_at = one.state.hours.last_read_at
    known = "nobody has read it yet" if read_at is None else f"read last on {reader.day_of(read_at)}"
    return f'Add the spray-hour counter to your answer, such as "1, 812 h": {known}.'


def _sprayed_lines(one: MachineFacts, rinse: Duty, reader: Reader) -> Iterator[str]:
    sprayed_at, opened, sides = one.state.last_sprayed_at, one.state.last_opened_sides, one.machine.sides
    is_half = 0 < len(one.state.unrinsed_sides) < len(sides)
    open_words = f" ({_labels(one, opened)} side open)" if opened and len(opened) < len(sides) else ""
    yield f"Spraying reported until {reader.clock(sprayed_at)}{open_words}." if sprayed_at else "Sprayed today."
    yield from rinse.because
    if len(sides) > 1 and not is_half:
        yield "So open both."


def _steps(items: Sequence[Item], reader: Reader) -> Iterator[str]:
    for item in items:
        if item.rinse:
            prefix = f"{item.one.machine.name}: " if len(items) > 1 else ""
            yield prefix + _flush_step(item.one, reader)
    to_protect = [item.one for item in items if item.protect]
    if to_protect and any(item.rinse for item in items):
        yield protect_choice(to_protect, reader)
    elif to_protect:
        yield from protect_steps(to_protect, reader)


def _flush_step(one: MachineFacts, reader: Reader) -> str:
    if one.machine.rinse_tank_l <= 0.0:
        return "Bring clean water before it is parked, then flush every side that sprayed."
    plan = flush_plan(one.machine, sides_needed=one.state.unrinsed_sides or one.machine.side_keys)
    labels = [side.label for side in one.machine.sides if side.key in plan.sides]
    minutes = f"about {max(1, round(plan.minutes_per_side))} min"
    each = f"{' and '.join(f'{label} side {minutes}' for label in labels)}" if len(one.machine.sides) > 1 else minutes
    water = f"{reader.volume(plan.water_l)} of the {reader.volume(one.machine.rinse_tank_l)} in the rinse tank"
    if plan.water_l >= one.machine.rinse_tank_l:
        water = f"all {reader.volume(one.machine.rinse_tank_l)} of the rinse tank"
    short = " Short of water? Both sides shorter rather than one side long." if len(labels) > 1 else ""
    note = (
        " Only if the next step follows: water freezes before this fertilizer does." if may_hold_fertilizer(one) else ""
    )
    left = f" That leaves about {plan.left_fraction:.0%}: flush again before another crop." if plan.is_short else ""
    return f"Clean water, {water}, in {plan.passes} parts: {each}.{short}{left}{note}"


def _options(items: Sequence[Item]) -> tuple[tuple[int, str], ...]:
    """The digits of a flush, or those of protecting where that is all there is to do."""
    if all(item.protect and not item.rinse and not item.say for item in items):
        return PROTECT_OPTIONS
    if all(len(item.one.machine.sides) == 1 for item in items):
        return ONE_SIDE_OPTIONS
    labels = {tuple(side.label for side in item.one.machine.sides) for item in items}
    first, *others = labels
    if others or len(first) != 2:
        return OPTIONS
    named = {3: f"{first[0]} only", 4: f"{first[1]} only"}
    return tuple((digit, named.get(digit, words)) for digit, words in OPTIONS)


def _silence(desk: Desk, person: Person, items: Sequence[Item], reader: Reader) -> Iterator[str]:
    fleet = items[0].one.fleet
    morning = at_local(desk.tonight(items[0].one) + timedelta(days=1), fleet.day_mail_at, fleet.tz)
    manager = next(iter(fleet.people_with(Role.MANAGER)), None)
    call = ""
    if manager and manager.id != person.id and manager.phone:
        call = f" Too tired, or alone with trouble: stop, call {manager.phone}."
    due_at = min((item.protect.due_at for item in items if item.protect), default=None)
    if any(item.rinse for item in items):
        told = f"at {reader.clock(due_at)}" if due_at and due_at > desk.now else "now"
        late = f"the manager is told {told}. Not flushed tonight? Then " if due_at else "flush "
        yield f"No answer: {late}before the first fill; the manager sees it at {reader.clock(morning)}.{call}"
    elif due_at:
        yield f"No answer: the manager is told at {reader.clock(due_at)}.{call}"
    else:
        yield f"No answer: it counts as full of product until somebody says more.{call}"
