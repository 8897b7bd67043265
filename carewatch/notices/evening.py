"""The evening message: one per operator, before leaving the field, flushing and protecting in one order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta

from carewatch.duties.duty import UNDONE, Duty, DutyKind, DutyState
from carewatch.duties.facts import MachineFacts, local_day
from carewatch.duties.rinse import AFTER_SHIFT, BEFORE_SHIFT_END, leaves_field_at, planned_end_at, rinse_key, told_at
from carewatch.notices.desk import Desk
from carewatch.notices.evening_words import Item, evening_letter
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.still_wet import late_at
from carewatch.notices.who import last_user
from carewatch.roster.model import Person

IDLE_TOLD_BEFORE = timedelta(hours=2)  # chosen: a machine without a shift is spoken of this long before the deadline


def evening_mails(desk: Desk) -> Iterator[Notice]:
    """The evening messages that are due now."""
    for person, items in _items_by_person(desk).items():
        due = [item for item in items if _is_time(desk, item, person)]
        if not due or not _may_disturb(desk, person, due):
            continue
        stem = f"evening|{person.id}|{_evening(due)}"
        is_first = not any(key.startswith(f"{stem}|") for key in desk.sent_keys)
        if is_first or any(_breaks_in(desk, item, person) for item in due):
            together = [item for item in items if item in due or not _flush_comes(desk, item)]
            yield _write(desk, person, together, key=desk.next_key(stem))


def _items_by_person(desk: Desk) -> dict[Person, list[Item]]:
    """What to say to whom: the operator, or whoever the protecting was given to; without an operator, the contact."""
    groups: dict[Person, list[Item]] = {}
    for one in desk.facts.machines:
        operator = desk.address.operator(one, last_user(one)) or next(iter(desk.address.chain(one.site)), None)
        rinse, protect, say = _open_duties(desk, one)
        doer = desk.address.given_to(protect.assigned_to if protect else None) or operator
        is_late = protect is not None and desk.now >= late_at(one, protect)
        for person in dict.fromkeys((operator, doer)):
            if person is None:
                continue
            to_rinse = _untold(desk, rinse, person) if person == operator else None
            # From its deadline on "still wet" speaks of it, unless it belongs into one order with a flush.
            speaks_of_it = person == doer and (not is_late or to_rinse is not None)
            item = Item(
                one=one,
                level=desk.level(one),
                rinse=to_rinse,
                protect=_untold(desk, protect, person) if speaks_of_it else None,
                say=_untold(desk, say, person) if person == operator else None,
                asks_hours=person == operator and _asks_hours(desk, one),
            )
            if item.duties:
                groups.setdefault(person, []).append(item)
    return groups


def _asks_hours(desk: Desk, one: MachineFacts) -> bool:
    """Whether the spray-hour counter should be read; that goes along with a message, it is none of its own."""
    return any(
        duty.kind is DutyKind.READ_HOURS and duty.state is DutyState.OPEN
        for duty in desk.of_machine.get(one.machine.id, ())
    )


def _open_duties(desk: Desk, one: MachineFacts) -> tuple[Duty | None, Duty | None, Duty | None]:
    """Flush, protect and question of this evening; what nobody did last evening is a matter for the morning."""
    rinse = desk.duties.get(rinse_key(one, desk.of_machine.get(one.machine.id, ())) or "")
    protect = desk.protect(one)
    say = desk.duties.get(f"{DutyKind.SAY}|{one.machine.id}|{local_day(desk.now, one.site.tz)}")
    if rinse and not _is_evening_of(desk, one, rinse):
        rinse = None
    if say and desk.now > say.due_at:
        say = None
    return tuple(duty if duty and duty.state in UNDONE else None for duty in (rinse, protect, say))  # type: ignore[return-value]


def _is_evening_of(desk: Desk, one: MachineFacts, rinse: Duty) -> bool:
    leaves_at = leaves_field_at(one)
    protect = desk.protect(one)
    protect_by = protect.due_at if protect and protect.state in UNDONE else None
    is_time = leaves_at is not None and told_at(one, leaves_at=leaves_at, protect_by=protect_by) <= desk.now
    return is_time and desk.now <= rinse.due_at


def _untold(desk: Desk, duty: Duty | None, person: Person) -> Duty | None:
    """The duty, unless an operator heard of it since it was opened; whoever it was given to hears it himself."""
    if duty is None:
        return None
    told = [notice for notice in desk.about(duty) if notice.created_at >= duty.opened_at]
    if duty.assigned_to == person.id:
        return None if any(notice.person == person.id for notice in told) else duty
    return None if any(notice.kind is NoticeKind.EVENING for notice in told) else duty


def _is_time(desk: Desk, item: Item, person: Person) -> bool:
    """A flush or a question opens at its time; protection alone waits for the shift's end or the deadline's eve."""
    if item.rinse or item.say:
        return True
    protect = item.protect
    return protect is not None and (protect.assigned_to == person.id or desk.now >= protect_told_at(item.one, protect))


def _flush_comes(desk: Desk, item: Item) -> bool:
    """Whether it is still at work: then it is spoken of when it leaves the field, in one order."""
    leaves_at = leaves_field_at(item.one)
    return bool(item.one.state.unrinsed_sides) and leaves_at is not None and leaves_at > desk.now


def _breaks_in(desk: Desk, item: Item, person: Person) -> bool:
    """Whether it is worth a second message in one evening: a flush, protection needed again or given to somebody."""
    if item.rinse:
        return True
    protect = item.protect
    return protect is not None and (protect.assigned_to == person.id or bool(desk.about(protect)))


def protect_told_at(one: MachineFacts, duty: Duty) -> datetime:
    """When an operator hears that a machine must be protected, if there is nothing else to say."""
    shift_end, leaves_at = planned_end_at(one, duty.night), leaves_field_at(one)
    if shift_end is not None:
        leaves_at = shift_end - BEFORE_SHIFT_END
        return max(duty.opened_at, told_at(one, leaves_at=leaves_at, protect_by=duty.due_at))
    if leaves_at is not None and duty.opened_at <= leaves_at:
        return leaves_at
    return max(duty.opened_at, duty.due_at - IDLE_TOLD_BEFORE)


def _evening(items: Sequence[Item]) -> date:
    """The evening it belongs to: the day the shift began."""
    return min(duty.night for item in items for duty in item.duties)


def _may_disturb(desk: Desk, person: Person, items: Sequence[Item]) -> bool:
    """Quiet hours are passed until two hours after the last activity; later it is a matter for the morning."""
    active = [item.one.state.last_sprayed_at for item in items if item.rinse and item.one.state.last_sprayed_at]
    return any(desk.now - at <= AFTER_SHIFT for at in active) or not desk.address.is_quiet(person)


def _write(desk: Desk, person: Person, items: Sequence[Item], *, key: str) -> Notice:
    machines = [item.one for item in items]
    duties = [duty for item in items for duty in item.duties]
    return desk.write(
        evening_letter(desk, person, items),
        key=key,
        kind=NoticeKind.EVENING,
        person=person,
        machines=machines,
        duties=duties,
        not_after=max(duty.due_at for duty in duties) + AFTER_SHIFT,
    )
