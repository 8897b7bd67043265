"""The day mail: at most one a day to a manager, only when somebody must act; "worse" when it changes after that."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from carewatch.duties.duty import UNDONE, Duty, DutyKind, DutyState
from carewatch.duties.facts import MachineFacts, at_local, local_day
from carewatch.duties.protect import Level, level_of
from carewatch.notices.day_words import Table, day_letter
from carewatch.notices.desk import Desk
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.notices.said import EARLIER_BY, NIGHT_KINDS, is_news, last_said, saying
from carewatch.notices.still_wet import late_at
from carewatch.roster.model import Fleet, Person

USED_LATELY = timedelta(days=3)  # chosen: sprayed this recently, it may well spray today
IF_USED_REMEMBERED = timedelta(hours=70)  # chosen: three day mails, whatever the clocks do in between
DAMAGE_AIR_C = -3.9  # 25 °F with product left in the boom does damage (common practice, no source)


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

    freezes, could = pick(Level.FREEZES, UNDONE), pick(Level.COULD, UNDONE)
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
        day_letter(desk, person, table, reader, is_worse=kind is NoticeKind.WORSE),
        key=key,
        kind=kind,
        person=person,
        machines=(*table.to_do, *table.if_used, *(one for one, _ in table.unflushed)),
        duties=duties,
        not_after=max(desk.now + EARLIER_BY, min([at for at in ice if at], default=ends_at)),
        said=said,
    )
