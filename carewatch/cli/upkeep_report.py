"""What nozzle bodies need, as plain text."""

from __future__ import annotations

from collections.abc import Iterator

from carewatch.cli.tables import table
from carewatch.duties.dry_connectors import listed_positions
from carewatch.duties.duty import DutyKind
from carewatch.duties.protect import Level
from carewatch.duties.upkeep.cautions import BEFORE_OPENING, WHILE_OPEN
from carewatch.duties.upkeep.decisions import Verdict, words_of
from carewatch.duties.upkeep.needs import Needs, Retrofit
from carewatch.duties.upkeep.round import FleetRound, Upkeep
from carewatch.duties.upkeep.visit import Choice
from carewatch.logbook.troubles import Trouble
from carewatch.notices.words import Reader
from carewatch.roster.model import Machine

TONIGHT = {
    Level.FREEZES: "FREEZES TONIGHT",
    Level.COULD: "COULD FREEZE TONIGHT",
    Level.NOT_ASSESSED: "TONIGHT NOT ASSESSED: treat as wet",
    Level.SAFE: "no ice to be expected tonight",
}
MOST_SAMPLES = 16
SHOWN_ELSEWHERE = frozenset({DutyKind.INSPECT, DutyKind.DRY_CONNECTORS})


def parts_lines(stop: Upkeep, reader: Reader) -> Iterator[str]:
    """Everything about one machine: what is open, what to take, what to buy, where to look first."""
    yield f"{stop.one.machine.name} ({stop.one.machine.id})"
    yield from _open_lines(stop, reader)
    yield from _pick_lines(stop)
    yield from _stock_lines(stop)
    yield from _where_to_look(stop)
    yield from _wear_lines(stop)
    yield f"Before a body is opened: {' '.join(BEFORE_OPENING)}"
    yield WHILE_OPEN


def round_lines(found: FleetRound) -> Iterator[str]:
    """The stops at one fleet and the sum of parts."""
    yield f"{found.fleet.name}"
    if not found.stops:
        yield "  no machine in use"
    for stop in found.stops:
        reader = Reader(units=found.fleet.units, zone=stop.one.site.tz)
        yield from _stop_lines(stop, reader)
    if found.parts:
        yield "  Parts to take for all of them, retrofits included"
        head = ["number", "part", "name", found.fleet.currency or "price"]
        rows = [[str(line.quantity), line.part.id, line.part.name, _money(line.cost)] for line in found.parts]
        yield from table(head, [*rows, ["", "", "together", _money(found.cost)]])


def _stop_lines(stop: Upkeep, reader: Reader) -> Iterator[str]:
    one, due = stop.one, stop.inspection
    places = {place.id: place.name for place in one.site.places}
    where = places.get(one.state.stands.place or "", "somewhere there")
    yield f"  {one.machine.name}, {one.site.name}, {where}: {TONIGHT[stop.tonight] if stop.tonight else ''}"
    yield f"    in it: {_contents(stop)}"
    if due.is_near:
        state = "is due" if due.is_reached else "is near"
        yield f"    inspection {state}: {due.since_h:.0f} of {due.every_h:.0f} h; start at {_first_samples(stop)}"
    yield from (f"  {line}" for line in _open_lines(stop, reader))
    yield from (f"  {line}" for line in _retrofit_lines(stop.needs, one.machine))
    for duty in (one for one in stop.duties if one.kind not in SHOWN_ELSEWHERE):
        yield f"    {duty.kind.value.replace('_', ' ')}: {' '.join(duty.because)}".rstrip(": ")
    if stop.leave_behind is not None:
        yield f"    Before you leave: {stop.leave_behind.question}"
        for number, choice in enumerate(stop.leave_behind.choices, start=1):
            yield f"      {number} {choice.words}: {_command(one.machine.id, choice)}"


def _command(machine: str, choice: Choice) -> str:
    words = [f"{name}={','.join(value) if isinstance(value, list) else value}" for name, value in choice.told.items()]
    quoted = [f"'{word}'" if " " in word else word for word in words]
    asked = [f"{name}=..." for name in choice.asks]
    return " ".join(["carewatch log", machine, choice.kind.value, *quoted, *asked, "--by ..."])


def _contents(stop: Upkeep) -> str:
    machine = stop.one.machine
    told = []
    for side in machine.sides:
        held = stop.one.state.contents[f"valve.{side.key}"]
        by = "" if held.who is not None else " (nobody said so)"
        told.append(f"{side.label} {held.fill.value} of {held.liquid.name.replace('_', ' ')}{by}")
    return "; ".join(told)


def _open_lines(stop: Upkeep, reader: Reader) -> Iterator[str]:
    machine, troubles = stop.one.machine, stop.one.bodies.troubles
    if stop.one.bodies.opened:
        told = listed_positions(body.position for body in stop.one.bodies.opened)
        yield f"  Opened, connectors not checked since: {told}"
    if not troubles:
        yield "  Nothing open."
        return
    verdicts = {
        (verdict.trouble.what, verdict.trouble.spots): verdict
        for need in stop.needs.bodies for verdict in need.verdicts
    }  # fmt: skip
    yield "  Open"
    for trouble in troubles:
        verdict = verdicts.get((trouble.what, trouble.spots))
        yield f"    {_place(trouble, machine):12} {_what(trouble)}, {_seen(trouble, reader)}{_decided(verdict)}"
        yield from (f"    {'':12} {line}" for line in _advice_lines(stop, trouble))
    for need in stop.needs.bodies:
        if need.is_body:
            yield f"    {need.position:<12} new body: {need.why_body}"


def _advice_lines(stop: Upkeep, trouble: Trouble) -> Iterator[str]:
    for advice in stop.advice:
        if advice.trouble == trouble:
            for number, cause in enumerate(advice.causes, start=1):
                yield f"{number} {cause.what}: {cause.attempt}"
            take = f"Take along: {', '.join(part.id for part in advice.take)}." if advice.take else ""
            told = " ".join([*advice.notes, take]).strip()
            if told:
                yield told


def _place(trouble: Trouble, machine: Machine) -> str:
    labels = {side.key: side.label for side in machine.sides}
    if len(trouble.positions) == machine.positions:
        return "somewhere"
    side = trouble.side if len(machine.sides) > 1 else None
    return f"{listed_positions(trouble.positions)}{f' {labels[side]}' if side else ''}"


def _what(trouble: Trouble) -> str:
    slight = ", slight" if trouble.finding is not None and trouble.finding.is_slight else ""
    text = f' "{trouble.text}"' if trouble.text else ""
    return f"{trouble.what.replace('_', ' ')}{slight}{text}"


def _seen(trouble: Trouble, reader: Reader) -> str:
    on = f"{trouble.last_at.astimezone(reader.zone):%d %b %Y}"
    return f"{on}{f', {trouble.times} days in a year' if trouble.times > 1 else ''}"


def _decided(verdict: Verdict | None) -> str:
    if verdict is None:
        return ""
    decision = words_of(verdict.decision) if verdict.decision is not None else "?"
    return f": {decision} ({verdict.because})"


def _pick_lines(stop: Upkeep) -> Iterator[str]:
    needs, fleet, machine = stop.needs, stop.one.fleet, stop.one.machine
    labels = {side.key: side.label for side in machine.sides}
    if needs.lines:
        yield "  Take along"
        rows = []
        for line in needs.lines:
            places = ", ".join(f"{position}{f' {labels[side]}' if side else ''}" for position, side in line.spots)
            rows.append([str(line.quantity), line.part.id, line.part.name, places, _money(line.cost)])
        yield from table(["number", "part", "name", "at", fleet.currency or "price"], rows)
        yield (
            f"  As advised {_money(needs.cost)}; all mended with parts {_money(needs.mend_cost)}; "
            f"new bodies there {_money(needs.bodies_cost)}."
        )
    if needs.missing:
        yield "  No body is in the parts list: what is not mended cannot be picked. Add a [[part]] to the fleet file."
    yield from _retrofit_lines(needs, machine)


def _retrofit_lines(needs: Needs, machine: Machine) -> Iterator[str]:
    for left in needs.retrofits:
        yield f"  Retrofit: {left.revision.name}, {_left(left, machine)}. Told apart by: {left.revision.tell_apart}."


def _left(left: Retrofit, machine: Machine) -> str:
    positions = {position for position, _ in left.spots}
    where = "at every position" if len(positions) == machine.positions else f"at {listed_positions(positions)}"
    pays = f", paid by {left.revision.paid_by}" if left.is_paid_by_other else f", {_money(left.cost)}"
    return f"{left.quantity} left {where}{pays}"


def _stock_lines(stop: Upkeep) -> Iterator[str]:
    if not stop.restock:
        return
    yield "  Spares of this machine"
    rows = [
        [
            line.part.id,
            "not counted" if line.on_hand is None else str(line.on_hand),
            str(line.least),
            str(line.needed),
            str(line.buy),
            _money(line.cost) if line.buy else "",
            "more taken than put there: count them" if line.is_overdrawn else "",
        ]
        for line in stop.restock
    ]
    yield from table(["part", "there", "least", "to put in", "buy", stop.one.fleet.currency or "price", ""], rows)


def _where_to_look(stop: Upkeep) -> Iterator[str]:
    yield f"  Look first at {_first_samples(stop)}."
    for step in stop.steps:
        asks = "renew the set" if step.renew_all else "look at all of it"
        yield f"  Section {step.section}: {step.failed} of {step.looked} looked at take a part: {asks}."


def _first_samples(stop: Upkeep) -> str:
    shown = [str(spot.position) for spot in stop.sample[:MOST_SAMPLES]]
    more = len(stop.sample) - len(shown)
    return f"position {', '.join(shown)}{f' and {more} more' if more else ''}"


def _wear_lines(stop: Upkeep) -> Iterator[str]:
    labels = {side.key: side.label for side in stop.one.machine.sides}
    rows = [
        [
            str(wear.section),
            labels[wear.side],
            f"{wear.worn} of {wear.looked}",
            "" if wear.change is None else f"{wear.change:+.0%}",
        ]
        for wear in stop.wear if wear.looked
    ]  # fmt: skip
    if rows:
        yield "  Wear along the boom, from the left, at the last inspection"
        yield from table(["section", "side", "worn", "change"], rows)
    rinses = stop.one.bodies.rinses
    if rinses.shifts:
        yield f"  Of {rinses.shifts} shifts {rinses.missed} ended without a flush, {rinses.half} with one side only."


def _money(cost: float | None) -> str:
    return "not known" if cost is None else f"{cost:.2f}"
