"""Does what is said about one machine fit together?"""

from __future__ import annotations

from collections.abc import Iterator

from carewatch.errors import Fault
from carewatch.roster.document import ABSENT, advice
from carewatch.roster.drafts import Written
from carewatch.roster.model import PLUMBING_PARTS, valve_part
from carewatch.roster.tables import MachineTable, in_metric

# Published boom figures: 120 ft holds 35 US gal, 90 ft 25, 80 ft 18 (Purdue, quoted by Ohio State Extension, Sprayer
# cleanout, wayne.osu.edu/news/sprayer-cleanout), that is 2.8 to 3.6 L per metre of boom.
HELD_L_PER_M = 3.2  # chosen: the middle of those figures; stands where nobody has measured
LEAST_HELD_L_PER_M, MOST_HELD_L_PER_M = 0.4, 8.0  # chosen: the bare pipe alone holds 0.5; about twice the figures
CLOSEST_M, WIDEST_APART_M = 0.15, 1.2  # chosen: nozzle bodies stand 0.25 to 0.76 m apart on nearly every boom


def check_machine(machine: Written[MachineTable]) -> Iterator[Fault]:
    """Faults inside one machine that no single key shows."""
    sides = _sides(machine)
    yield from machine.twice("sides")
    yield from machine.twice("plumbing")
    yield from _of_sides(machine, "side_labels", sides)
    yield from _of_sides(machine, "iso_sides", sides)
    yield from _figures(machine, sides)
    if machine.table is not None:
        yield from _rinse_tank(machine, machine.table)
        yield from _spacing(machine, machine.table)
        yield from _held(machine, machine.table)


def _sides(machine: Written[MachineTable]) -> list[str]:
    written = [side for _, side in machine.texts("sides")]
    return written or ["front", "rear"]


def _of_sides(machine: Written[MachineTable], key: str, sides: list[str]) -> Iterator[Fault]:
    told = machine.raw.get(key)
    for side, word in told.items() if isinstance(told, dict) else ():
        if side not in sides:
            yield machine.fault((key, side), word, "is no side of this machine.", advice(side, sides))


def _figures(machine: Written[MachineTable], sides: list[str]) -> Iterator[Fault]:
    figures = machine.raw.get("figures")
    parts = [valve_part(side) for side in sides] + list(_plumbing(machine))
    for part in figures if isinstance(figures, dict) else {}:
        if part not in parts:
            problem = "is no wetted part of this machine."
            yield machine.fault(("figures", part), ABSENT, problem, advice(part, parts))


def _plumbing(machine: Written[MachineTable]) -> tuple[str, ...]:
    return tuple(part for _, part in machine.texts("plumbing")) if "plumbing" in machine.raw else PLUMBING_PARTS


def _rinse_tank(machine: Written[MachineTable], table: MachineTable) -> Iterator[Fault]:
    litres, tank_l = in_metric(table, "rinse_tank_l"), in_metric(table, "tank_l")
    if litres is None:
        return
    if litres == 0 and table.plumbing and "rinse_tank" in table.plumbing:
        path = ("plumbing", table.plumbing.index("rinse_tank"))
        fix = "Delete it here, or write how much it holds."
        yield machine.fault(path, "rinse_tank", "is listed, but rinse_tank_l is 0.", fix)
    elif litres > 0 and table.plumbing is not None and "rinse_tank" not in table.plumbing:
        fix = "Add it: it can freeze as well."
        yield machine.fault(("plumbing",), table.plumbing, 'lacks "rinse_tank", but rinse_tank_l is not 0.', fix)
    if tank_l is not None and litres > tank_l:
        fix = "Exchange the two numbers, or correct one."
        yield machine.fault(("rinse_tank_l",), litres, f"is more than the tank holds ({tank_l:g} L).", fix)


def _spacing(machine: Written[MachineTable], table: MachineTable) -> Iterator[Fault]:
    width_m, positions = in_metric(table, "boom_width_m"), sum(table.sections)
    if width_m is None:
        return
    apart_m = width_m / positions
    if not CLOSEST_M <= apart_m <= WIDEST_APART_M:
        problem = f"give {positions} nozzle bodies on {width_m:.4g} m of boom: one every {apart_m:.2f} m."
        fix = "Correct the numbers of bodies or the width (feet go under boom_width_ft)."
        yield machine.fault(("sections",), table.sections, problem, fix, is_warning=True)


def _held(machine: Written[MachineTable], table: MachineTable) -> Iterator[Fault]:
    width_m, held_l = in_metric(table, "boom_width_m"), in_metric(table, "held_l")
    if width_m is None:
        return
    if held_l is None and table.held_is_measured:
        fix = "Write held_l = the litres that were measured, or delete this line."
        yield machine.fault(("held_is_measured",), table.held_is_measured, "is true, but no held_l is given.", fix)
    elif held_l is not None and not LEAST_HELD_L_PER_M <= held_l / width_m <= MOST_HELD_L_PER_M:
        key = "held_l" if table.held_l is not None else "held_gal"
        problem = f"is {held_l / width_m:.2g} L per metre of boom; published figures are 2.8 to 3.6."
        fix = "Measure again: empty the boom, then count what it takes until the last nozzle runs."
        yield machine.fault((key,), getattr(table, key), problem, fix, is_warning=True)
