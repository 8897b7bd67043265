"""Any machine written down, as a table or as a row, is read back as it was."""

from __future__ import annotations

import csv
import io
import json
from datetime import date, time
from types import MappingProxyType

from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.roster.model import PLUMBING_PARTS, Machine, PartFigures, Side
from carewatch.roster.reading import parse_roster
from tests.roster.broken_rosters import FILE, FLEET

names = st.text(
    st.characters(exclude_categories=("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")), min_size=1, max_size=80
).filter(lambda text: text == text.strip())
days = st.dates(date(2000, 1, 1), date(2099, 12, 31))
minutes = st.builds(time, st.integers(0, 23), st.integers(0, 59))
litres = st.floats(0.1, 1000)
side_keys = st.lists(st.from_regex(r"[a-z][a-z0-9_]{0,19}", fullmatch=True), min_size=1, max_size=4, unique=True)


@st.composite
def machines(draw) -> Machine:
    """A machine of the sound fleet with anything in it that the checks allow."""
    plumbing = draw(
        st.lists(st.sampled_from(PLUMBING_PARTS), min_size=1, unique=True).filter(lambda p: "rinse_tank" in p)
    )
    sides = tuple(Side(key=key, label=draw(names)) for key in draw(side_keys))
    return Machine(
        id=draw(st.from_regex(r"[a-z0-9]{1,12}(-[a-z0-9]{1,12})?", fullmatch=True)),
        name=draw(names),
        fleet="long-field",
        serial=draw(names),
        home_site="yard",
        home_place=draw(st.sampled_from(["gravel", "shop"])),
        operators=draw(st.sampled_from([("tom",), ("mia", "tom")])),
        boom_width_m=draw(st.floats(1, 60)),
        sections=tuple(draw(st.lists(st.integers(1, 200), min_size=1, max_size=100))),
        sides=sides,
        plumbing=tuple(plumbing),
        held_l=draw(litres),
        held_is_measured=draw(st.booleans()),
        tank_l=draw(st.floats(5000, 20000)),
        rinse_tank_l=draw(st.floats(1, 4000)),
        nozzle_size=draw(st.sampled_from(["01", "015", "02", "025", "04", "10", "15"])),
        nozzle_pressure_kpa=draw(st.floats(50, 2000)),
        shift_end=draw(minutes),
        protect_min=draw(st.integers(5, 480)),
        last_use_on=draw(days),
        winter_place=draw(st.sampled_from(["shop", "yard/gravel"])),
        figures=MappingProxyType({plumbing[0]: PartFigures(diameter_mm=draw(st.floats(0.1, 500)))}),
    )


def pairs_of(machine: Machine) -> dict[str, object]:
    """Flat keys, as the columns of the CSV have them."""
    plain = (
        "id",
        "name",
        "serial",
        "home_site",
        "home_place",
        "operators",
        "boom_width_m",
        "sections",
        "plumbing",
        "held_l",
        "held_is_measured",
        "tank_l",
        "rinse_tank_l",
        "nozzle_size",
        "nozzle_pressure_kpa",
        "protect_min",
        "winter_place",
    )
    ((part, figures),) = machine.figures.items()
    return (
        {key: getattr(machine, key) for key in plain}
        | {
            "sides": machine.side_keys,
            "shift_end": f"{machine.shift_end:%H:%M}",
            "last_use_on": f"{machine.last_use_on}",
        }
        | {f"side_labels.{side.key}": side.label for side in machine.sides}
        | {f"figures.{part}.diameter_mm": figures.diameter_mm}
    )


def as_toml(machine: Machine) -> str:
    # JSON writes texts without control characters, numbers, lists and booleans the way TOML does
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in pairs_of(machine).items()]
    return FLEET.split("[[machine]]")[0] + "[[machine]]\n" + "\n".join(lines)


def as_cell(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return " ".join(map(str, value)) if isinstance(value, tuple) else str(value)


def as_csv(machine: Machine) -> str:
    written = io.StringIO()
    pairs = pairs_of(machine)
    csv.writer(written).writerows([pairs.keys(), map(as_cell, pairs.values())])
    return written.getvalue()


@settings(deadline=None)
@given(machines())
def test_a_machine_written_as_a_table_is_read_back(machine):
    assert parse_roster({FILE: as_toml(machine)})[0].machines == (machine,)


@settings(deadline=None)
@given(machines())
def test_a_machine_written_as_a_row_is_read_back(machine):
    fleet = FLEET.split("[[machine]]")[0].replace("[fleet]\n", '[fleet]\nmachines_csv = "m.csv"\n', 1)
    assert parse_roster({FILE: fleet, "fleets/m.csv": as_csv(machine)})[0].machines == (machine,)
