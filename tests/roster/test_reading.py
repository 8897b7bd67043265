"""Sound fleet files become the roster they describe, in either unit and from either kind of file."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, time
from pathlib import Path

import pytest

from carewatch.errors import FaultyFiles
from carewatch.roster.model import (
    PLUMBING_PARTS,
    Absence,
    Machine,
    PartFigures,
    PlaceKind,
    Role,
    Side,
    TimeSpan,
    UnitSystem,
)
from carewatch.roster.reading import parse_roster, read_roster
from tests.roster.broken_rosters import FILE, FLEET, SECOND_MACHINE

ROOT = Path(__file__).parents[2]


def machine_from(old: str, new: str) -> Machine:
    assert old in FLEET
    return parse_roster({FILE: FLEET.replace(old, new, 1)})[0].machine("north")


def with_csv(csv: str) -> dict[str, str]:
    fleet = FLEET.split("[[machine]]")[0].replace("[fleet]\n", '[fleet]\nmachines_csv = "m.csv"\n', 1)
    return {FILE: fleet, "fleets/m.csv": csv}


def test_the_example_is_read_whole():
    roster, warnings = read_roster(ROOT / "config" / "fleets")
    assert warnings == ()
    assert [machine.id for machine in roster.machines] == ["sprayer-1", "sprayer-2", "sprayer-3", "sprayer-4"]
    assert roster.person("ana").absences == (
        Absence(first_on=date(2026, 12, 21), last_on=date(2027, 1, 3), deputy="ben"),
    )
    assert roster.person("ben").quiet == TimeSpan(start=time(21, 30), end=time(5, 30))
    assert roster.person("joe").told_by == "ben"
    assert roster.person("ana").units is UnitSystem.US
    assert roster.site("river-block").place("hollow").colder_c == 2.5
    assert roster.site("home-yard").place("shop").kind is PlaceKind.HEATED_SHOP
    first = roster.machine("sprayer-1")
    assert first.sides == (Side(key="front", label="A"), Side(key="rear", label="B"))
    assert first.figures == {"hoses": PartFigures(diameter_mm=25.0)}
    assert (first.positions, first.shift_end, first.last_use_on) == (72, time(20, 30), date(2026, 11, 20))


def test_every_key_the_example_shows_behind_a_hash_is_a_key_with_its_default():
    folder = ROOT / "config" / "fleets"
    texts = {name: (folder / name).read_text() for name in ("example.toml", "machines.csv")}
    hidden = re.findall(r"^ *# (\w+) = ", texts["example.toml"], re.MULTILINE)
    assert len(hidden) >= 12
    shown = re.sub(r"^( *)# (\w+ = )", r"\1\2", texts["example.toml"], flags=re.MULTILINE)
    shown = re.sub(
        r"^(serial|sources|wear|iso_device|iso_sides|number) = .*$", "", shown, flags=re.MULTILINE
    )  # examples, not defaults
    assert parse_roster(texts | {"example.toml": shown}) == parse_roster(texts)


def test_what_is_left_out_keeps_the_default_of_the_model():
    fleet = parse_roster({FILE: FLEET})[0].fleets[0]
    assert (fleet.day_mail_at, fleet.night_at, fleet.threshold_tonight) == (time(6, 30), time(22), 0.10)
    assert fleet.people_with(Role.MANAGER)[0].id == "mia"
    assert fleet.machines[0].plumbing == PLUMBING_PARTS
    assert fleet.machines[0].side_keys == ("front", "rear")


# US survey of units: 1 US gallon = 231 cubic inches = 3.785 411 784 L, 1 ft = 0.3048 m, 1 psi = 6.894 757 kPa
# (NIST Special Publication 811, appendix B.8).
def test_us_units_give_the_same_machine():
    machine = parse_roster({FILE: FLEET + SECOND_MACHINE})[0].machine("south")
    assert machine.boom_width_m == pytest.approx(27.432)
    assert machine.tank_l == pytest.approx(3785.411784)
    assert machine.rinse_tank_l == pytest.approx(378.5411784)
    assert machine.nozzle_pressure_kpa == pytest.approx(275.79, abs=0.005)


# Purdue's boom figures as quoted by Ohio State Extension (wayne.osu.edu/news/sprayer-cleanout).
@pytest.mark.parametrize(("width_ft", "published_gal"), [(120, 35), (90, 25), (80, 18)])
def test_the_estimate_of_what_a_boom_holds_is_near_published_figures(width_ft, published_gal):
    text = (FLEET + SECOND_MACHINE).replace("boom_width_ft = 90", f"boom_width_ft = {width_ft}")
    machine = parse_roster({FILE: text})[0].machine("south")
    assert not machine.held_is_measured
    assert machine.held_l == pytest.approx(published_gal * 3.785411784, rel=0.15)


def test_a_held_volume_counts_as_measured_unless_it_says_otherwise():
    assert machine_from("held_l = 115", "held_l = 115").held_is_measured
    assert machine_from("held_l = 115", "held_gal = 30").held_l == pytest.approx(113.56, abs=0.01)
    assert not machine_from("held_l = 115", "held_l = 115\nheld_is_measured = false").held_is_measured


@pytest.mark.parametrize("part", ['"valve.front"', "valve.front"])
def test_figures_of_a_valve_side_may_be_written_with_or_without_quotation_marks(part):
    text = FLEET + f"[machine.figures.{part}]\ndiameter_mm = 7\n"
    assert parse_roster({FILE: text})[0].machine("north").figures == {"valve.front": PartFigures(diameter_mm=7.0)}


@pytest.mark.parametrize("part", ['"valve.front"', "valve.front"])
def test_a_wrong_figure_is_found_on_its_line_either_way(part):
    text = FLEET + f"[machine.figures.{part}]\ndiamter_mm = 7\n"
    with pytest.raises(FaultyFiles) as caught:
        parse_roster({FILE: text})
    (fault,) = caught.value.faults
    assert fault.field == "machine[1].figures.valve.front.diamter_mm"
    assert fault.line == len(text.splitlines())
    assert fault.fix == 'Did you mean "diameter_mm"?'


def test_a_machine_without_a_rinse_tank_has_no_such_part():
    assert "rinse_tank" not in machine_from("rinse_tank_l = 400", "rinse_tank_l = 0").plumbing


def test_a_machine_with_one_side_has_one():
    assert machine_from('sides = ["front", "rear"]', 'sides = ["front"]').valve_parts == ("valve.front",)


@pytest.mark.parametrize("word", ["shop", "yard/shop"])
def test_a_winter_place_is_one_of_the_home_site_or_of_another(word):
    assert machine_from("held_l = 115", f'held_l = 115\nwinter_place = "{word}"').winter_place == word


@pytest.mark.parametrize("written", ['"06:15"', "06:15:00", '"6:15"'])
def test_a_time_may_be_a_text_or_a_time_of_toml(written):
    assert machine_from("held_l = 115", f"held_l = 115\nshift_end = {written}").shift_end == time(6, 15)


def test_windows_line_ends_and_a_byte_order_mark_change_nothing():
    assert parse_roster({FILE: "\ufeff" + FLEET.replace("\n", "\r\n")}) == parse_roster({FILE: FLEET})


# ---------------------------------------------------------------- CSV


HEADING = (
    "id,name,home_site,home_place,operators,boom_width_m,sections,sides,held_l,tank_l,rinse_tank_l,nozzle_size,"
    "nozzle_pressure_kpa"
)
ROW = "north,North sprayer,yard,gravel,tom,36.0,12 12 12 12 12 12,front rear,115,4000,400,04,300"


def faults_of_csv(csv: str) -> list[str]:
    try:
        return [str(fault) for fault in parse_roster(with_csv(csv))[1]]
    except FaultyFiles as faulty:
        return [str(fault) for fault in faulty.faults]


def test_a_row_is_the_same_machine_as_its_table():
    assert parse_roster(with_csv(f"{HEADING}\n{ROW}\n"))[0] == parse_roster({FILE: FLEET})[0]


@pytest.mark.parametrize("mark", [";", "\t"])
def test_other_separators_of_spreadsheets_are_understood(mark):
    csv = f"\ufeff{HEADING}\r\n{ROW}\r\n".replace(",", mark)
    assert parse_roster(with_csv(csv))[0] == parse_roster({FILE: FLEET})[0]


def test_nested_keys_are_columns_with_points():
    extra = "side_labels.front,figures.valve.front.diameter_mm,held_is_measured,protect_min,last_use_on,shift_end"
    row = ROW + ",A,7.5,no,30,2026-11-20,20:30"
    machine = parse_roster(with_csv(f"{HEADING},{extra}\n{row}\n"))[0].machine("north")
    assert machine == replace(
        parse_roster({FILE: FLEET})[0].machine("north"),
        sides=(Side(key="front", label="A"), Side(key="rear", label="rear")),
        figures={"valve.front": PartFigures(diameter_mm=7.5)},
        held_is_measured=False,
        protect_min=30,
        last_use_on=date(2026, 11, 20),
        shift_end=time(20, 30),
    )


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        pytest.param(
            "tank_l,",
            "tnak_l,",
            'm.csv:1: (heading) = "tnak_l": is not a column here. Did you mean "tank_l"?',
            id="column",
        ),
        pytest.param(
            "name,home", "name,name,home", 'm.csv:1: (heading) = "name": stands here twice.', id="column-twice"
        ),
        pytest.param(",36.0,", ",36.0x,", 'm.csv:2: machine[1].boom_width_m = "36.0x": is not a number.', id="number"),
        pytest.param(
            ",115,", ",-1,", "m.csv:2: machine[1].held_l = -1.0: is out of range: above 0 up to 1000.", id="range"
        ),
        pytest.param(
            ",yard,", ",yrad,", 'm.csv:2: machine[1].home_site = "yrad": is not the id of a site.', id="reference"
        ),
        pytest.param(",300", ",300,1,2", "m.csv:2: (row): row has 15 cells, the heading 13.", id="too-many-cells"),
        pytest.param("North sprayer", '"North\nsprayer"', "m.csv:3: machine[1].name", id="line-break"),
        pytest.param("North sprayer", '"North', "is not readable as CSV", id="open-quotation"),
        pytest.param(ROW, "", 'fleet.machines_csv = "m.csv": holds no machine.', id="no-row"),
        pytest.param(
            ROW, f"{ROW}\n{ROW}", 'm.csv:3: machine[2].id = "north": is the id of another machine', id="twice"
        ),
        pytest.param(",115,", ",nan,", "is not a number one can count with", id="nan"),
    ],
)
def test_a_mistake_in_a_row_is_named_with_its_line(old, new, says):
    csv = f"{HEADING}\n{ROW}\n"
    assert old in csv
    faults = faults_of_csv(csv.replace(old, new, 1))
    assert any(says in fault for fault in faults), faults


@pytest.mark.parametrize("named", ["../m.csv", "/etc/passwd", "n.csv", "m.txt", "..\\\\m.csv"])
def test_a_csv_elsewhere_is_refused(named):
    texts = with_csv(f"{HEADING}\n{ROW}\n")
    texts[FILE] = texts[FILE].replace('"m.csv"', f'"{named}"')
    with pytest.raises(FaultyFiles) as caught:
        parse_roster(texts)
    assert any(fault.field == "fleet.machines_csv" for fault in caught.value.faults)


# ---------------------------------------------------------------- several fleets, files


def test_ids_are_unique_over_all_fleets_but_names_only_within_one():
    other = FLEET.replace('"long-field"', '"far-field"')
    with pytest.raises(FaultyFiles) as caught:
        parse_roster({FILE: FLEET, "fleets/other.toml": other})
    fields = {fault.field for fault in caught.value.faults}
    assert fields == {"site[1].id", "person[1].id", "person[2].id", "machine[1].id"}
    assert {fault.file for fault in caught.value.faults} == {"fleets/other.toml"}


def test_one_serial_number_belongs_to_one_machine():
    other = FLEET.replace('"long-field"', '"far-field"').replace('"north"', '"other"').replace('"yard"', '"other-yard"')
    other = other.replace('"mia"', '"mia2"').replace('"tom"', '"tom2"')
    serial = 'nozzle_size = "04"\nserial = "A-104"'
    texts = {
        FILE: FLEET.replace('nozzle_size = "04"', serial),
        "fleets/b.toml": other.replace('nozzle_size = "04"', serial),
    }
    with pytest.raises(FaultyFiles) as caught:
        parse_roster(texts)
    assert [(fault.file, fault.field) for fault in caught.value.faults] == [("fleets/b.toml", "machine[1].serial")]


def test_no_file_and_an_empty_file_are_faults():
    for texts in ({}, {FILE: ""}, {FILE: "# nothing yet\n"}):
        with pytest.raises(FaultyFiles):
            parse_roster(texts)


def test_files_that_cannot_be_read_are_faults_beside_the_others(tmp_path):
    (tmp_path / "a.toml").write_text(FLEET.replace("lat_deg = 41.62", "lat_deg = 99"))
    (tmp_path / "b.toml").write_bytes(FLEET.encode().replace(b"Tom Adeyemi", b"Tom Ad\xe9"))
    (tmp_path / "c.toml").write_text(FLEET + "[")
    (tmp_path / ".d.toml").write_text("half written")
    with pytest.raises(FaultyFiles) as caught:
        read_roster([tmp_path, tmp_path / "none"])
    said = {(Path(fault.file).name, fault.line, fault.field) for fault in caught.value.faults}
    assert said == {("a.toml", 9, "site[1].lat_deg"), ("b.toml", 31, "(file)"), ("none", None, "(file)")} | {
        ("c.toml", FLEET.count("\n") + 1, "(syntax)")
    }


def test_a_csv_beside_the_file_is_read_with_it(tmp_path):
    for name, text in with_csv(f"{HEADING}\n{ROW}\n").items():
        (tmp_path / Path(name).name).write_text(text)
    (tmp_path / "other.csv").write_text("not asked for")
    assert read_roster(tmp_path / "farm.toml")[0] == parse_roster({FILE: FLEET})[0]


def test_a_folder_or_a_flood_in_place_of_a_file_is_a_fault(tmp_path):
    (tmp_path / "a.toml").mkdir()
    with (tmp_path / "b.toml").open("wb") as file:
        file.truncate(20_000_001)
    with pytest.raises(FaultyFiles) as caught:
        read_roster(tmp_path)
    assert [fault.problem for fault in caught.value.faults] == [
        "cannot be read: Is a directory.",
        "is larger than 20 MB.",
    ]


def test_listed_parts_are_the_parts():
    machine = machine_from("held_l = 115", 'held_l = 115\nplumbing = ["tank", "rinse_tank"]')
    assert machine.wetted_parts == ("valve.front", "valve.rear", "tank", "rinse_tank")


def test_an_empty_folder_is_a_fault(tmp_path):
    with pytest.raises(FaultyFiles, match="is a folder without"):
        read_roster(tmp_path)
