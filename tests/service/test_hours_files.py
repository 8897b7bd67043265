"""Hours out of files and posts: ordinary readings, all or nothing, and never twice."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from carewatch.errors import BadInput, FaultyFiles
from carewatch.logbook.entries import Channel, EntryKind
from carewatch.service.gather import gather
from carewatch.service.hours_files import Imported, import_hours
from carewatch.service.hours_posts import take_post
from carewatch.store import entries
from tests.service.farm import ROSTER, Farm, open_farm
from tests.sources import task_data

NOW = datetime(2026, 5, 20, 18, 0, tzinfo=UTC)
DEVICE = 'iso_device = "sp-2044"\niso_sides = { front = "1", rear = "Boom rear" }\n'
WITH_DEVICE = ROSTER.replace('home_site = "yard"\n', f'home_site = "yard"\n{DEVICE}', 1)


@pytest.fixture
def farm(tmp_path):
    with open_farm(tmp_path, roster=WITH_DEVICE) as made:
        made.take_in(NOW)
        yield made


def take(farm: Farm, *paths: Path, **more) -> Imported:
    told = {"by": "noah", "devices": {}, "now": NOW} | more
    return import_hours(farm.work, paths, **told)


def written(farm: Farm, name: str, text: str) -> Path:
    (farm.folder / name).write_text(text)
    return farm.folder / name


def readings(farm: Farm, machine: str = "sprayer-1") -> list[tuple]:
    with farm.database.reading() as rx:
        found = entries.all_entries(rx, machine=machine)
    return [(one.happened_at, one.detail.side, one.detail.counter_h) for one in found]


def hours_of(farm: Farm, now: datetime = NOW, machine: str = "sprayer-1") -> dict[str, float]:
    gathered = gather(farm.work, now=now)
    assert gathered is not None
    state = next(one.state for one in gathered.facts.machines if one.machine.id == machine)
    return {side: round(hours, 3) for side, hours in state.spray_hours.items()}


# The home site of both machines keeps the time of Chicago: UTC - 5 h in May (IANA time zone database).
def test_a_table_becomes_readings_on_the_clock_of_the_home_site(farm):
    path = written(
        farm, "h.csv",
        "machine,time,hours,hours_rear\nsprayer-1,2026-05-19 19:10,812.5,\nSprayer 2,2026-05-18,,40\n"
        "sprayer-1,2026-05-20T16:00Z,815,\n",
    )  # fmt: skip
    assert len(take(farm, path).new) == 3
    assert readings(farm) == [
        (datetime(2026, 5, 20, 0, 10, tzinfo=UTC), None, 812.5), (datetime(2026, 5, 20, 16, 0, tzinfo=UTC), None, 815.0)
    ]  # fmt: skip
    assert readings(farm, "sprayer-2") == [(datetime(2026, 5, 19, 1, 0, tzinfo=UTC), "rear", 40.0)]


def test_the_same_file_twice_adds_nothing_whoever_brings_it(farm):
    path = written(farm, "h.csv", "machine,time,hours\nsprayer-1,2026-05-19 19:10,812.5\n")
    take(farm, path)
    again = take(farm, path, by="mia", now=NOW + timedelta(days=1))
    assert (len(again.new), again.known) == (0, 1)
    assert len(readings(farm)) == 1


def test_a_file_that_overlaps_an_earlier_one_adds_only_what_is_new(farm):
    first = "machine,time,hours\nsprayer-1,2026-05-18 19:10,812.5\n"
    take(farm, written(farm, "h.csv", first))
    both = take(farm, written(farm, "h.csv", first + "sprayer-1,2026-05-19 19:10,818\n"))
    assert (len(both.new), both.known) == (1, 1)


@pytest.mark.parametrize(
    ("row", "field", "says"),
    [
        ("sprayer-9,2026-05-19,5", "machine", "is no machine of the roster. Did you mean"),
        ("sprayer-1,yesterday,5", "time", "is no time"),
        ("sprayer-1,2026-05-21 10:00,5", "happened_at", "after it was recorded"),
        ("sprayer-1,1999-05-21 10:00,5", "happened_at", "lies outside"),
    ],
)
def test_one_bad_row_and_nothing_of_any_file_is_taken(farm, row, field, says):
    good = written(farm, "good.csv", "machine,time,hours\nsprayer-1,2026-05-19 19:10,812.5\n")
    bad = written(farm, "bad.csv", f"machine,time,hours\nsprayer-1,2026-05-18 19:10,810\n{row}\n")
    with pytest.raises(FaultyFiles) as caught:
        take(farm, good, bad)
    (fault,) = caught.value.faults
    assert (fault.field, fault.line) == (field, 3)
    assert fault.file.endswith("bad.csv")
    assert says in str(fault)
    assert readings(farm) == []


def test_a_side_the_machine_has_not_is_refused(farm):
    with pytest.raises(FaultyFiles, match="is no valve side of sprayer-1"):
        take(farm, written(farm, "h.csv", "machine,time,hours_middle\nsprayer-1,2026-05-19 19:10,812.5\n"))


def test_task_data_counts_for_the_machine_its_device_belongs_to_and_side_by_side(farm):
    before = hours_of(farm)
    found = take(farm, task_data.FOLDER)
    assert before == {"front": 0.0, "rear": 0.0}
    # By hand: 2 and 3 h by work state before; 600 h are what the lifetime counter showed at its first reading, which
    # covers them, 1.5 h more at the second; 2 h of effective time on the next day.
    assert hours_of(farm) == {"front": 603.5, "rear": 603.5}
    assert {one.channel for one in found.new} == {Channel.FILE}
    assert {one.kind for one in found.new} == {EntryKind.HOURS_READ}
    assert any("an estimate" in remark for remark in found.remarks)


def test_work_states_alone_keep_the_sides_apart(farm, tmp_path):
    folder = tmp_path / "export"
    shutil.copytree(task_data.FOLDER, folder)
    tasks = task_data.TASKDATA.split('  <TSK A="TSK-2"')[0] + "</ISO11783_TaskData>"
    (folder / "TASKDATA.XML").write_text(tasks)
    take(farm, folder)
    assert hours_of(farm) == {"front": 2.0, "rear": 3.0}


def test_times_of_a_terminal_are_those_of_the_home_site(farm):
    first = min(one.happened_at for one in take(farm, task_data.FOLDER).new)
    assert first == datetime(2026, 5, 11, 14, 30, tzinfo=UTC)  # 9:30 in Chicago


def test_task_data_twice_adds_nothing(farm, tmp_path):
    take(farm, task_data.FOLDER)
    (tmp_path / "again.zip").write_bytes(task_data.zipped(task_data.files()))
    again = take(farm, tmp_path / "again.zip")
    assert (len(again.new), again.known) == (0, 7)


def test_a_controller_that_was_swapped_keeps_the_total_and_is_flagged(farm, tmp_path):
    take(farm, task_data.FOLDER)
    folder = tmp_path / "later"
    shutil.copytree(task_data.FOLDER, folder)
    head, _, tail = task_data.TASKDATA.partition('  <TSK A="TSK-1"')
    later = tail[tail.index('  <TSK A="TSK-2"') : tail.index('  <TSK A="TSK-3"')].replace("05-12", "05-19")
    later = later.replace('"2160000"', '"3600"').replace('"2165400"', '"14400"')
    (folder / "TASKDATA.XML").write_text(f"{head}{later}</ISO11783_TaskData>")
    before = hours_of(farm)["front"]
    take(farm, folder)
    # The lifetime counter shows 1 h, then 4 h: it went back, and 3 h more ran. The task says 1.5 h before that.
    assert hours_of(farm)["front"] == pytest.approx(before + 1.5 + 3.0)
    gathered = gather(farm.work, now=NOW)
    (odd,) = gathered.facts.machines[0].state.hours.breaks
    assert (odd.is_back, odd.was_h, odd.now_h) == (True, 601.5, 1.0)


def test_a_device_nobody_knows_is_named_and_left_out(tmp_path):
    with open_farm(tmp_path) as farm:
        farm.take_in(NOW)
        found = take(farm, task_data.FOLDER)
        assert found.new == ()
        assert any('"SP-2044"' in remark and "iso_device" in remark for remark in found.remarks)
        assert not any("Mast" in remark for remark in found.remarks)
        assert take(farm, task_data.FOLDER, devices={"Example Sprayer": "sprayer-2"}).new
        with pytest.raises(BadInput, match="There is no machine sprayer-7"):
            take(farm, task_data.FOLDER, devices={"Example Sprayer": "sprayer-7"})


def test_hours_of_a_file_mean_that_product_is_inside(farm):
    take(farm, task_data.FOLDER)
    gathered = gather(farm.work, now=NOW)
    assert gathered is not None
    assert gathered.facts.machines[0].state.unrinsed_sides == ("front", "rear")


def test_other_files_are_refused_by_name(farm):
    with pytest.raises(FaultyFiles, match="is no kind of file known here"):
        take(farm, written(farm, "hours.pdf", ""))


# ---------------------------------------------------------------- posts of a bridge


POST = {
    "machine": "sprayer-1",
    "readings": [
        {"at": "2026-05-18T12:00:00Z", "counter_h": 640.0},
        {"at": "2026-05-19T12:00:00Z", "counter_h": 648.0},
    ],
    "spells": [{"started_at": "2026-05-20T12:00:00Z", "ended_at": "2026-05-20T15:00:00Z", "hours": 2.5}],
}


def test_a_post_becomes_readings_and_the_same_post_adds_nothing(farm):
    first = take_post(farm.work, POST, now=NOW)
    assert (first.new, first.known) == (3, 0)
    assert hours_of(farm) == {"front": 650.5, "rear": 650.5}
    again = take_post(farm.work, POST, now=NOW + timedelta(hours=1))
    assert (again.new, again.known) == (0, 3)


def test_a_spell_without_hours_was_all_of_it(farm):
    spell = {"started_at": "2026-05-20T12:00:00Z", "ended_at": "2026-05-20T15:00:00Z", "side": "rear"}
    take_post(farm.work, {"machine": "sprayer-1", "spells": [spell]}, now=NOW)
    assert hours_of(farm) == {"front": 0.0, "rear": 3.0}


BAD_POSTS = {
    "no machine": ({"readings": []}, "machine: is missing"),
    "empty": ({"machine": "sprayer-1"}, "both empty"),
    "unknown machine": ({**POST, "machine": "sprayer-7"}, "is no machine of the roster"),
    "another's machine": ({**POST, "machine": "sprayer-2"}, "may speak for sprayer-1 only"),
    "unknown field": ({**POST, "gps": 1}, "gps = 1: is no field here"),
    "text for a number": (
        {"machine": "sprayer-1", "readings": [{"at": "2026-05-19T12:00:00Z", "counter_h": "640"}]},
        "readings.1.counter_h = 640",
    ),
    "no zone": (
        {"machine": "sprayer-1", "readings": [{"at": "2026-05-19T12:00:00", "counter_h": 640.0}]}, "has no time zone"
    ),
    "in the future": (
        {"machine": "sprayer-1", "readings": [{"at": "2026-06-19T12:00:00Z", "counter_h": 640.0}]},
        "after it was recorded",
    ),
    "backwards": (
        {"machine": "sprayer-1", "spells": [{**POST["spells"][0], "ended_at": "2026-05-20T11:00:00Z"}]},
        "ended_at must lie after",
    ),
    "more hours than time": (
        {"machine": "sprayer-1", "spells": [{**POST["spells"][0], "hours": 9.0}]}, "must not be more than the time"
    ),
    "side there is not": (
        {"machine": "sprayer-1", "readings": [{**POST["readings"][0], "side": "middle"}]}, "is no valve side"
    ),
}  # fmt: skip


@pytest.mark.parametrize(("post", "says"), BAD_POSTS.values(), ids=BAD_POSTS)
def test_a_bad_post_is_refused_whole_and_says_why(farm, post, says):
    told = dict(post)
    machine = "sprayer-1" if told.get("machine") == "sprayer-2" else None
    with pytest.raises(BadInput) as caught:
        take_post(farm.work, told, now=NOW, machine=machine)
    assert says in str(caught.value)
    assert readings(farm) == []
