"""Which entries are known, and in what order they happened as far as clocks can be trusted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from itertools import permutations

from carewatch.logbook.entries import Entry, EntryKind

CLOCK_DOUBT = timedelta(minutes=5)  # chosen: how far two people's clocks or memories of "just now" may lie apart
FEW = 4  # up to this many entries in doubt every possible order is tried (24 at most)

# One person's entries with the same time come from one answer ("flushed, then air"); work is done in this order.
_ORDER_OF_WORK = (
    EntryKind.HOURS_READ, EntryKind.SPRAYED, EntryKind.FILLED, EntryKind.RINSED, EntryKind.DRAINED,
    EntryKind.BLOWN_OUT, EntryKind.ANTIFREEZE_RUN, EntryKind.STRENGTH_MEASURED,
)  # fmt: skip
_OTHER_RANK = 90
# What is seen comes before what is done about it.
_CARE = (EntryKind.INSPECTED, EntryKind.PART_REPLACED, EntryKind.REVISION_FITTED, EntryKind.CONNECTORS_CHECKED)
_RANK = (
    {kind: rank for rank, kind in enumerate(_ORDER_OF_WORK)}
    | {kind: rank for rank, kind in enumerate(_CARE, start=_OTHER_RANK + 1)}
    | {EntryKind.MOVED: 98, EntryKind.HEAT_CHANGED: 99}
)
CHANGES_CONTENTS = frozenset(_ORDER_OF_WORK) - {EntryKind.HOURS_READ}


def effective_at(entry: Entry) -> datetime:
    """When it happened; nothing can have happened after it was recorded."""
    return min(entry.happened_at, entry.recorded_at)


def known_entries(
    machine_id: str, entries: Iterable[Entry], *, at: datetime, known_until: datetime | None
) -> tuple[Entry, ...]:
    """One machine's entries up to `at`, each once, in order of work; an entry within the clock doubt after `at` counts.

    Voiding is timeless: what turned out wrong was wrong all along, as far as it is known by `known_until`.
    """
    by_id: dict[str, Entry] = {}
    for entry in entries:
        if entry.machine != machine_id or (known_until is not None and entry.recorded_at > known_until):
            continue
        first = by_id.get(entry.id)
        if first is None or (first != entry and _sent_before(entry, first)):
            by_id[entry.id] = entry
    last_at = at + CLOCK_DOUBT
    in_time = (
        entry for entry in by_id.values() if entry.kind is EntryKind.VOIDED or effective_at(entry) <= last_at
    )  # fmt: skip
    return in_order(in_time)


def _sent_before(one: Entry, other: Entry) -> bool:
    """Of two entries with one id the first recorded counts; on a tie any fixed choice, so that arrival has no say."""
    return (one.recorded_at, repr(one)) < (other.recorded_at, repr(other))


def in_order(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Sorted by time, then by order of work."""
    return tuple(sorted(entries, key=_sort_key))


def _sort_key(entry: Entry) -> tuple[datetime, int, datetime, str]:
    return (effective_at(entry), _RANK.get(entry.kind, _OTHER_RANK), entry.recorded_at, entry.id)


def is_surely_after(later: Entry, earlier: Entry) -> bool:
    """Whether one entry happened after another for certain: by one writer's order, or by more than the clock doubt."""
    if later.by == earlier.by:
        return _sort_key(later) > _sort_key(earlier)
    return effective_at(later) > effective_at(earlier) + CLOCK_DOUBT


def groups_in_doubt(entries: Sequence[Entry]) -> Iterator[tuple[Entry, ...]]:
    """Cut sorted entries into groups; inside a group each lies within the clock doubt of its neighbour."""
    group: list[Entry] = []
    for entry in entries:
        if group and effective_at(entry) - effective_at(group[-1]) > CLOCK_DOUBT:
            yield tuple(group)
            group = []
        group.append(entry)
    if group:
        yield tuple(group)


def possible_orders(group: tuple[Entry, ...]) -> tuple[tuple[Entry, ...], ...]:
    """The orders a group may have happened in; one writer has one clock, so his entries keep theirs."""
    if len(group) == 1 or len({entry.by for entry in group}) == 1:
        return (group,)
    if len(group) <= FEW:
        return tuple(order for order in permutations(group) if _is_possible(order))
    wetting_last = (EntryKind.SPRAYED, EntryKind.RINSED, EntryKind.FILLED)
    return (group, *(tuple(sorted(group, key=lambda entry: entry.kind is last)) for last in wetting_last))


def _is_possible(order: tuple[Entry, ...]) -> bool:
    for place, earlier in enumerate(order):
        for later in order[place + 1 :]:
            ahead = effective_at(earlier) - effective_at(later)
            if ahead > CLOCK_DOUBT:
                return False
            if earlier.by == later.by and _sort_key(earlier) > _sort_key(later):
                return False
    return True
