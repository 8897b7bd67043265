"""One machine in the middle of the fold: its parts, its unrinsed sides, and what one entry makes of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import assert_never

from carewatch.fluids.freezing import freezes_at_c
from carewatch.fluids.liquid import WATER, Liquid
from carewatch.logbook.antifreeze import (
    filled_with,
    judged,
    liquid_or_unknown_strength,
    measured,
    mixed_with,
    volume_to_fill_l,
)
from carewatch.logbook.contents import (
    AT_THE_START,
    Held,
    Part,
    emptied,
    held_since,
    joined_by,
    merged,
    taken_but_ends,
    taken_by,
)
from carewatch.logbook.effects import Action, Effect, effect_of
from carewatch.logbook.entries import AntifreezeRun, Entry, Filled, Rinsed, Sprayed, StrengthMeasured
from carewatch.logbook.order import CHANGES_CONTENTS, effective_at, groups_in_doubt, possible_orders
from carewatch.logbook.shift import is_next_shift, is_rinse_enough
from carewatch.logbook.state import StrengthReading
from carewatch.roster.model import Machine, valve_part


@dataclass(frozen=True, slots=True, kw_only=True)
class Boom:
    """What every part holds and which sides still have product in them."""

    parts: Mapping[str, Part]
    unrinsed: frozenset[str] = frozenset()
    sprayed_at: datetime | None = None
    strengths: tuple[StrengthReading, ...] = ()


def boom_after(machine: Machine, entries: Sequence[Entry]) -> Boom:
    """The boom after sorted entries; where clocks leave the order open, every order counts and the worse one shows."""
    boom = Boom(parts=dict.fromkeys(machine.wetted_parts, AT_THE_START))
    for group in groups_in_doubt([entry for entry in entries if entry.kind in CHANGES_CONTENTS]):
        orders = possible_orders(group)
        ends = [_after(boom, machine, order) for order in orders]
        boom = ends[0] if len(ends) == 1 else worse_boom(ends)
    return boom


def worse_boom(booms: Sequence[Boom]) -> Boom:
    """One boom that has whatever any of the stories left in it."""
    first, *others = booms
    for other in others:
        first = Boom(
            parts={name: merged(part, other.parts[name]) for name, part in first.parts.items()},
            unrinsed=first.unrinsed | other.unrinsed,
            sprayed_at=max((at for at in (first.sprayed_at, other.sprayed_at) if at), default=None),
            strengths=tuple(one for one in first.strengths if one in other.strengths),
        )
    return first


def _after(boom: Boom, machine: Machine, entries: Sequence[Entry]) -> Boom:
    for entry in entries:
        boom = step(boom, machine, entry)
    return boom


def step(boom: Boom, machine: Machine, entry: Entry) -> Boom:
    """The boom after one entry."""
    if isinstance(entry.detail, StrengthMeasured):
        return _measured(boom, machine, entry, entry.detail)
    effect = effect_of(entry.detail, machine)
    if not effect.actions:
        return boom
    new = held_since(entry, _liquid(entry))
    done: dict[tuple[int, Action], Part] = {}  # parts that share their past share what becomes of them
    changed = {}
    for name, action in effect.actions.items():
        part = boom.parts[name]
        if (after_it := done.get((id(part), action))) is None:
            after_it = done[id(part), action] = _acted_on(part, action, new, machine, entry, boom, effect)
        changed[name] = after_it
    unrinsed, sprayed_at = boom.unrinsed, boom.sprayed_at
    match entry.detail:
        case Sprayed():
            unrinsed, sprayed_at = frozenset(machine.side_keys), effective_at(entry)
        case Rinsed() as rinse if is_rinse_enough(rinse, machine):
            unrinsed = boom.unrinsed - effect.opened
        case _:
            pass
    return Boom(
        parts={**boom.parts, **changed},
        unrinsed=unrinsed,
        sprayed_at=sprayed_at,
        strengths=_still_valid(boom, changed) if boom.strengths else (),
    )


def _acted_on(
    part: Part, action: Action, new: Held, machine: Machine, entry: Entry, boom: Boom, effect: Effect
) -> Part:
    match action:
        case Action.KEEPS:
            return part
        case Action.TAKES:
            return taken_by(new)
        case Action.JOINS:
            return joined_by(part, new)
        case Action.TAKES_BUT_ENDS:
            return taken_but_ends(part, new, is_next_shift=_starts_a_shift(boom, entry))
        case Action.WARMS:
            return joined_by(part, new) if _would_warm(part, new) else part
        case Action.CANCELS:
            return joined_by(part, new) if part.is_protected else part
        case Action.POCKETS:
            return emptied(part, entry)
        case Action.MIXES:
            return _mixed(boom, part, machine, entry, effect)
        case Action.POURS:
            return _poured(part, machine, entry)
        case _:
            assert_never(action)


def _poured(part: Part, machine: Machine, entry: Entry) -> Part:
    if not isinstance(entry.detail, Filled):
        return part
    return filled_with(part, entry, entry.detail, held_l=machine.held_l)


def _mixed(boom: Boom, part: Part, machine: Machine, entry: Entry, effect: Effect) -> Part:
    if not isinstance(entry.detail, AntifreezeRun):
        return part
    route = [
        boom.parts[name] for name, action in effect.actions.items() if action is Action.MIXES
    ]  # fmt: skip
    return mixed_with(part, entry, entry.detail, in_the_way_l=volume_to_fill_l(route, machine.held_l))


def _liquid(entry: Entry) -> Liquid:
    """The liquid an entry brings."""
    match entry.detail:
        case Sprayed(product=product):
            return liquid_or_unknown_strength(product, None)
        case Filled(liquid=liquid, strength_vol_pct=strength_vol_pct):
            return liquid_or_unknown_strength(liquid, strength_vol_pct)
        case _:
            return WATER


def _would_warm(part: Part, new: Held) -> bool:
    return part.is_protected or part.freezes_at_c < freezes_at_c(new.liquid)


def _starts_a_shift(boom: Boom, entry: Entry) -> bool:
    if boom.sprayed_at is None or not isinstance(entry.detail, Sprayed):
        return True
    started_at = effective_at(entry) - timedelta(hours=entry.detail.hours or 0.0)
    return is_next_shift(boom.sprayed_at, started_at)


# ---------------------------------------------------------------- readings


def _measured(boom: Boom, machine: Machine, entry: Entry, detail: StrengthMeasured) -> Boom:
    """A reading at a nozzle tells of its side, and of everything the same run of antifreeze came through to it."""
    name = valve_part(detail.side)
    valve = boom.parts.get(name)
    if valve is None:
        return boom
    judgement = judged(valve, detail)
    way = {name: valve}
    if valve.run is not None:
        way |= {
            other: boom.parts[other]
            for other in machine.plumbing
            if (run := boom.parts[other].run) is not None and run.known_by == valve.run.known_by
        }
    strength = StrengthReading(
        entry=entry.id,
        section=detail.section,
        side=detail.side,
        first_ice_c=None if judgement.liquid is None else freezes_at_c(judgement.liquid),
        why_not=judgement.why_not,
    )
    return replace(
        boom,
        parts={**boom.parts, **{other: measured(part, entry, detail) for other, part in way.items()}},
        strengths=(*boom.strengths, strength),
    )


def _still_valid(boom: Boom, changed: Mapping[str, Part]) -> tuple[StrengthReading, ...]:
    """Readings of sides whose contents were not exchanged since."""
    return tuple(
        one
        for one in boom.strengths
        if (part := changed.get(valve_part(one.side))) is None or part.run == boom.parts[valve_part(one.side)].run
    )
