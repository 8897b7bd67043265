"""The evening message: one per operator, before leaving the field, flushing and protecting in one order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from carewatch.duties.answers import answers_to
from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.duties.facts import MachineFacts, at_local
from carewatch.duties.flushing import FlushPlan, flush_plan
from carewatch.duties.protect import Level, level_of
from carewatch.duties.rinse import AFTER_SHIFT, BEFORE_SHIFT_END, leaves_field_at, rinse_key
from carewatch.fluids.liquid import LiquidKind
from carewatch.logbook.entries import EntryKind
from carewatch.notices.desk import Desk
from carewatch.notices.letter import Letter, Row
from carewatch.notices.night_lines import NOT_OFFICIAL, protect_steps, way_words
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.still_wet import late_at
from carewatch.notices.words import Reader, listed
from carewatch.roster.model import Person, Role

OPTIONS = (
    (1, "both sides flushed"),
    (2, "both, and air or indoors"),
    (3, "first side only"),
    (4, "second side only"),
    (5, "did not spray"),
    (6, "cannot"),
)
WANTS_A_HAND = frozenset({DutyState.OPEN, DutyState.LAPSED})
IDLE_TOLD_BEFORE = timedelta(hours=2)  # chosen: a machine without a shift is spoken of this long before the deadline


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """What one machine needs this evening: a flush, protection, an answer, or several of these."""

    one: MachineFacts
    rinse: Duty | None
    protect: Duty | None
    say: Duty | None

    @property
    def duties(self) -> tuple[Duty, ...]:
        """The duties in it."""
        return tuple(duty for duty in (self.rinse, self.protect, self.say) if duty is not None)


def evening_mails(desk: Desk) -> Iterator[Notice]:
    """The evening messages that are due now."""
    for person, items in _items_by_operator(desk).items():
        due = [item for item in items if _is_time(desk, item)]
        if not due:
            continue
        key = f"evening|{person.id}|{_evening(due)}"
        if not desk.was_sent(key) and _may_disturb(desk, person, due):
            yield _write(desk, person, items, key=key)


def _items_by_operator(desk: Desk) -> dict[Person, list[Item]]:
    groups: dict[Person, list[Item]] = {}
    for one in desk.facts.machines:
        item = _item(desk, one)
        person = desk.address.operator(one, last_user(one))
        if person is not None and item.duties:
            groups.setdefault(person, []).append(item)
    return groups


def _item(desk: Desk, one: MachineFacts) -> Item:
    def still_open(key: str | None) -> Duty | None:
        duty = desk.duties.get(key) if key else None
        return duty if duty and duty.state in WANTS_A_HAND and not _was_told(desk, duty) else None

    protect = desk.protect(one)
    if protect and (desk.now >= late_at(one, protect) or answers_to(protect.key, one.entries).declined_by):
        protect = None  # "still wet" speaks of it from here on
    say = f"{DutyKind.SAY}|{one.machine.id}|{desk.now.astimezone(one.site.tz).date()}"
    return Item(
        one=one,
        rinse=still_open(rinse_key(one)),
        protect=still_open(protect.key if protect else None),
        say=still_open(say),
    )


def _was_told(desk: Desk, duty: Duty) -> bool:
    return any(duty.key in notice.duties for notice in desk.told.sent if notice.kind is NoticeKind.EVENING)


def last_user(one: MachineFacts) -> str | None:
    """The person who sprayed with it last, if the logbook says so."""
    used = [entry for entry in one.entries if entry.kind is EntryKind.SPRAYED]
    last = max(used, key=lambda entry: entry.happened_at, default=None)
    return (last.on_behalf_of or last.by) if last else None


def _is_time(desk: Desk, item: Item) -> bool:
    """A rinse or a question opens at its time; protection alone waits for the shift's end or the deadline's eve."""
    if item.rinse or item.say:
        return True
    return item.protect is not None and desk.now >= protect_told_at(item.one, item.protect)


def protect_told_at(one: MachineFacts, duty: Duty) -> datetime:
    """When an operator hears that a machine must be protected, if there is nothing else to say."""
    leaves_at = leaves_field_at(one)
    if one.machine.shift_end is not None:
        shift_end = at_local(duty.night, one.machine.shift_end, one.site.tz) - BEFORE_SHIFT_END
        return max(duty.opened_at, min(shift_end, duty.due_at - IDLE_TOLD_BEFORE))
    is_todays = leaves_at is not None and duty.opened_at <= leaves_at
    return leaves_at if is_todays and leaves_at is not None else max(duty.opened_at, duty.due_at - IDLE_TOLD_BEFORE)


def _evening(items: list[Item]) -> date:
    """The evening it belongs to: the day the shift began."""
    return min(duty.night for item in items for duty in item.duties)


def _may_disturb(desk: Desk, person: Person, items: list[Item]) -> bool:
    """Quiet hours are passed until two hours after the last activity; later it is a matter for the morning."""
    active = [item.one.state.last_sprayed_at for item in items if item.one.state.last_sprayed_at]
    is_fresh = any(desk.now - at <= AFTER_SHIFT for at in active)
    if is_fresh:
        return True
    is_evening = any(desk.now <= duty.due_at + AFTER_SHIFT for item in items for duty in item.duties)
    return is_evening and not desk.address.is_quiet(person)


# ---------------------------------------------------------------- the words


def _write(desk: Desk, person: Person, items: list[Item], *, key: str) -> Notice:
    machines = [item.one for item in items]
    reader = desk.reader(person, machines)
    duties = [duty for item in items for duty in item.duties]
    letter = Letter(
        subject=_subject(desk, items, reader),
        opening="Before you leave the field." if any(item.rinse for item in items) else "Before it gets dark.",
        rows=tuple(_row(desk, item, reader) for item in items),
        steps=tuple(_steps(items, reader)),
        cautions=(
            "Relieve pressure before opening anything; label protective gear.",
            "Spray it out where the label allows, on the field just sprayed; keep moving, no spot twice.",
        ),
        answer=way_words(desk.told.ways, keeper=_keeper(desk, person)),
        options=_options(items),
        rest=(
            "Add where it stands if not at its home place, and the spray-hour counter if you can see it.",
            *_silence(desk, items, reader),
        ),
        footer=(NOT_OFFICIAL,) if any(item.protect for item in items) else (),
    )
    return desk.write(
        letter,
        key=key,
        kind=NoticeKind.EVENING,
        person=person,
        machines=machines,
        duties=duties,
        not_after=max(duty.due_at for duty in duties) + AFTER_SHIFT,
    )


def _keeper(desk: Desk, person: Person) -> str:
    managers = desk.facts.roster.fleet(person.fleet).people_with(Role.MANAGER)
    if not managers or managers[0].id == person.id:
        return "whoever keeps the logbook"
    return f"{managers[0].name} ({managers[0].phone})" if managers[0].phone else managers[0].name


def _level(desk: Desk, item: Item) -> Level:
    return level_of(item.one.outlook(desk.tonight(item.one)), item.one.fleet.threshold_tonight)


def _subject(desk: Desk, items: list[Item], reader: Reader) -> str:
    to_rinse = [item for item in items if item.rinse]
    to_protect = [item for item in items if item.protect]
    names = listed(item.one.machine.name for item in to_rinse or to_protect or items)
    if to_rinse:
        sides = to_rinse[0].one.state.unrinsed_sides
        is_half = len(to_rinse) == 1 and len(sides) < len(to_rinse[0].one.machine.sides)
        what = f"flush the {_labels(to_rinse[0].one, sides)} side too" if is_half else "flush both valve sides"
        both = [item for item in to_rinse if item.protect]
        word = "freezes" if any(_level(desk, item) is Level.FREEZES for item in both) else "could freeze"
        tail = f", then protect it: {word} tonight" if both else ""
        return f"{names}: {what} before you leave the field{tail}"
    if to_protect:
        due_at = min(item.protect.due_at for item in to_protect if item.protect)
        word = "freezes" if any(_level(desk, item) is Level.FREEZES for item in to_protect) else "could freeze"
        return f"{names}: protect by {reader.clock(due_at)}, {word} tonight"
    return f"{names}: did it spray today?"


def _labels(one: MachineFacts, sides: tuple[str, ...]) -> str:
    return listed(side.label for side in one.machine.sides if side.key in sides)


def _row(desk: Desk, item: Item, reader: Reader) -> Row:
    one, lines = item.one, []
    if item.rinse:
        sprayed_at = one.state.last_sprayed_at
        opened = one.state.last_opened_sides
        open_words = f" ({_labels(one, opened)} side open)" if opened and len(opened) < len(one.machine.sides) else ""
        lines.append(f"Sprayed until {reader.clock(sprayed_at)}{open_words}." if sprayed_at else "Sprayed today.")
        lines += [*item.rinse.because, "So open both."]
    if item.say:
        lines += item.say.because
    outlook = one.outlook(desk.tonight(one))
    if item.protect and outlook and outlook.coldest_air_c is not None:
        level = level_of(outlook, one.fleet.threshold_tonight)
        word = "Water left in it will freeze" if level is Level.FREEZES else "Water left in it could freeze"
        lines.append(f"Tonight {reader.temperature(outlook.coldest_air_c)}. {word}.")
    tag = "FLUSH" if item.rinse else "PROTECT" if item.protect else "SAY"
    return Row(tag=tag, machine=one.machine.name, lines=tuple(lines))


def _steps(items: list[Item], reader: Reader) -> Iterator[str]:
    for item in items:
        if item.rinse:
            prefix = f"{item.one.machine.name}: " if len(items) > 1 else ""
            yield prefix + _flush_step(
                item.one, flush_plan(item.one.machine, sides_needed=item.one.machine.side_keys), reader
            )
    to_protect = [item.one for item in items if item.protect]
    if to_protect:
        yield from protect_steps(to_protect, reader, is_flushed=all(item.rinse for item in items if item.protect))


def _flush_step(one: MachineFacts, plan: FlushPlan, reader: Reader) -> str:
    fertilizer = one.state.contents[one.machine.valve_parts[0]].liquid.kind is LiquidKind.FERTILIZER
    sides = " and ".join(f"{side.label} side about {_minutes(plan.minutes_per_side)}" for side in one.machine.sides)
    water = (
        f"Clean water {reader.volume(plan.water_l)} of the {reader.volume(one.machine.rinse_tank_l)} in the rinse tank"
    )
    short = " Short of water: both sides shorter rather than one side long." if plan.is_short else ""
    note = " Only if air or antifreeze follows: water freezes before this fertilizer does." if fertilizer else ""
    return f"{water}, {plan.passes} passes: {sides}.{short}{note}"


def _minutes(minutes: float) -> str:
    return f"{max(1, round(minutes))} min"


def _options(items: list[Item]) -> tuple[tuple[int, str], ...]:
    sides = items[0].one.machine.sides
    if len(items) > 1 or len(sides) != 2:
        return OPTIONS
    named = {3: f"{sides[0].label} only", 4: f"{sides[1].label} only"}
    return tuple((digit, named.get(digit, words)) for digit, words in OPTIONS)


def _silence(desk: Desk, items: list[Item], reader: Reader) -> Iterator[str]:
    fleet = items[0].one.fleet
    morning = at_local(desk.tonight(items[0].one) + timedelta(days=1), fleet.day_mail_at, fleet.tz)
    manager = next(iter(fleet.people_with(Role.MANAGER)), None)
    call = f" Too tired, or alone with trouble: stop, call {manager.phone}." if manager and manager.phone else ""
    if any(item.rinse for item in items):
        seen = f"the manager sees it at {reader.clock(morning)}"
        yield f"No answer: flush both sides tomorrow before the first fill; {seen}.{call}"
    else:
        yield f"No answer: the manager is told at the deadline.{call}"
