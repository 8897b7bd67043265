"""Live edits of the roster: good ones count at once, broken ones keep the last good roster and are told once."""

from __future__ import annotations

from datetime import timedelta

import pytest

from carewatch.notices.notice import NoticeKind
from carewatch.service.health import health_of
from tests.service.farm import AFTERNOON, FIRST, FLEET, ROSTER, open_farm

TICK = timedelta(minutes=5)
BROKEN = ROSTER.replace("lat_deg = 41.62", "lat_deg = 411.62")


@pytest.fixture
def farm(tmp_path):
    with open_farm(tmp_path) as opened:
        opened.run(AFTERNOON)
        opened.send(AFTERNOON)
        opened.channel.delivered.clear()
        yield opened


def faults_told(farm) -> list:
    return [line for line in farm.notices() if line.kind is NoticeKind.SETTINGS_FAULT]


def looks(farm, count: int, *, start: int = 1) -> None:
    for number in range(start, start + count):
        farm.run(AFTERNOON + number * TICK)


def test_a_good_edit_counts_from_the_next_look_on(farm):
    farm.write_roster(FLEET + FIRST)
    assert farm.take_in(AFTERNOON + TICK) == 0
    assert farm.machines() == ["sprayer-1"]


def test_a_broken_edit_keeps_the_last_good_roster(farm):
    farm.write_roster(BROKEN)
    looks(farm, 3)
    assert farm.machines() == ["sprayer-1", "sprayer-2"]
    assert {one.machine.id for one in gather_now(farm)} == {"sprayer-1", "sprayer-2"}


def gather_now(farm):
    from carewatch.service.gather import gather

    return gather(farm.work, now=AFTERNOON + TICK).facts.machines


def test_managers_are_told_once_per_content_with_line_and_value(farm):
    farm.write_roster(BROKEN)
    looks(farm, 5)
    (told,) = faults_told(farm)
    assert (told.person, "last good roster stays in use" in told.subject) == ("mia", True)
    raw = next(one.raw for one in farm.channel.delivered if told.message_id.encode() in one.raw).decode()
    assert "411.62" in raw
    assert f"line {BROKEN[: BROKEN.index('lat_deg = 411')].count(chr(10)) + 1}" in raw
    farm.write_roster(BROKEN.replace("411.62", "412.62"))
    looks(farm, 3, start=6)
    assert len(faults_told(farm)) == 2


def test_a_save_that_is_half_on_the_disk_is_told_to_nobody(farm):
    for half in (ROSTER[:200], ROSTER[:900], ""):
        farm.write_roster(half)
        looks(farm, 1)
    farm.write_roster(ROSTER)
    looks(farm, 3)
    farm.roster_file.unlink()  # an editor that removes before it writes
    looks(farm, 1)
    farm.write_roster(ROSTER)
    looks(farm, 3)
    assert faults_told(farm) == []
    assert "Roster files" not in str(health(farm)["reasons"])


def test_the_same_broken_content_after_a_good_one_needs_two_looks_again(farm):
    farm.write_roster(BROKEN)
    looks(farm, 1)
    farm.write_roster(ROSTER)
    looks(farm, 1)
    farm.write_roster(BROKEN)
    looks(farm, 1)
    assert faults_told(farm) == []


def test_health_says_so_until_it_is_mended(farm):
    farm.write_roster(BROKEN)
    looks(farm, 2)
    found = health(farm)
    assert found["state"] == "degraded"
    assert any("Roster files" in reason and "411.62" in reason for reason in found["reasons"])
    farm.write_roster(ROSTER)
    looks(farm, 1)
    assert "Roster files" not in str(health(farm)["reasons"])


def health(farm):
    return health_of(farm.work, now=AFTERNOON + TICK, tick_every=TICK)


def test_a_timer_that_starts_a_new_process_each_time_tells_too(farm):
    """Nothing is remembered between looks but what the database holds."""
    farm.write_roster(BROKEN)
    for number in range(3):
        other = farm.beside()
        other.take_in(AFTERNOON + number * TICK)
        other.database.close()
    assert len(faults_told(farm)) == 1


@pytest.mark.parametrize("damage", ["missing", "not utf-8", "a folder", "huge"])
def test_files_that_cannot_be_read_keep_the_last_good_roster(farm, damage):
    farm.roster_file.unlink()
    match damage:
        case "not utf-8":
            farm.roster_file.write_bytes(b"\xff\xfe\x00")
        case "a folder":
            farm.roster_file.mkdir()
        case "huge":
            with farm.roster_file.open("wb") as file:
                file.truncate(30_000_000)
    looks(farm, 2)
    assert farm.machines() == ["sprayer-1", "sprayer-2"]
    assert len(faults_told(farm)) == 1


def test_a_path_written_another_way_is_the_same_roster(farm, monkeypatch):
    from carewatch.service.roster_files import take_in_roster
    from carewatch.store import rosters

    monkeypatch.chdir(farm.folder)
    take_in_roster(farm.work, (farm.roster_file.relative_to(farm.folder),), now=AFTERNOON)
    with farm.database.reading() as rx:
        names = rosters.latest(rx)[1]
    assert list(names) == [farm.roster_file.resolve().as_posix()]
