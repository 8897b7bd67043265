"""Spray hours in words: what a counter did, and when an inspection is due."""

from __future__ import annotations

from datetime import date

from carewatch.duties.facts import MachineFacts
from carewatch.duties.inspect import InspectionDue
from carewatch.logbook.counters import FASTER_H, CounterBreak
from carewatch.notices.who import name_of
from carewatch.notices.words import Reader
from carewatch.roster.model import Roster

ABOUT_SAME_H = 0.5  # chosen: less than this between weighted and counted hours is not worth a word


def break_sentence(odd: CounterBreak, one: MachineFacts, roster: Roster, reader: Reader) -> str:
    """What a counter did that cannot be, what was made of it, and what to do if it was a slip."""
    label = next((side.label for side in one.machine.sides if side.key == odd.side), None)
    which = f"counter of the {label} side" if label else "counter"
    read = f"{reader.day_of(odd.at)}, read by {name_of(roster, odd.who)}"
    if odd.is_back:
        return (
            f"The {which} went back from {odd.was_h:.1f} to {odd.now_h:.1f} h ({read}): another controller, or set "
            "back. The hours before it are kept. If it was a slip, take that reading back."
        )
    return (
        f"The {which} went from {odd.was_h:.1f} to {odd.now_h:.1f} h within {odd.elapsed_h:.0f} h ({read}): that "
        f"cannot be, {odd.elapsed_h + FASTER_H:.0f} h of it count. If it was a slip, take that reading back."
    )


def breaks_since(one: MachineFacts) -> tuple[CounterBreak, ...]:
    """What is odd about the counters since the last inspection, once for each entry."""
    since = one.state.hours.inspected_at
    found = {odd.entry: odd for odd in one.state.hours.breaks if since is None or odd.at > since}
    return tuple(found.values())


def since_sentence(due: InspectionDue, one: MachineFacts, reader: Reader) -> str:
    """`741 of 750 spray hours on the front side since the inspection of Mar 2.`"""
    if one.state.hours.known_until is None:
        return "No spray hours are known yet."
    label = next((side.label for side in one.machine.sides if side.key == due.side), "")
    where = f" on the {label} side" if label else ""
    since = (
        "; no inspection is in the logbook"
        if due.inspected_at is None
        else f" since the inspection of {reader.day_of(due.inspected_at)}"
    )
    return f"{due.since_h:.0f} of {due.every_h:.0f} spray hours{where}{since}."


def pace_sentence(due: InspectionDue, one: MachineFacts, reader: Reader, today: date) -> str:
    """When it will be due, as far as recent use tells; empty when it is due or nothing is known."""
    if due.is_reached or one.state.hours.known_until is None:
        return ""
    if due.about_on is None or due.about_on < today:
        return f"{due.left_h:.0f} h are left; it was not used lately, so no date can be named."
    pace = f"At the pace of its last weeks ({one.state.hours.a_day * 7:.0f} h a week)"
    return f"{pace} it is due about {date_words(due.about_on, reader, today)}."


def date_words(on: date, reader: Reader, today: date) -> str:
    """Nov 14 or 14 Nov, with the year where it is another one."""
    day = f"{on:%b} {on.day}" if reader.is_us else f"{on.day} {on:%b}"
    return day if on.year == today.year else f"{day} {on.year}"


def caveats(one: MachineFacts) -> tuple[str, ...]:
    """What should be known about the figures."""
    hours = one.state.hours
    told = []
    extra = max((hours.weighted_by_side[side] - hours.by_side[side] for side in hours.by_side), default=0.0)
    if extra >= ABOUT_SAME_H:
        told.append("Hours with abrasive products count more (practice, not standard).")
    if hours.has_estimates:
        told.append("Some of it is time in working position, an estimate.")
    return tuple(told)
