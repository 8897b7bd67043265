"""After the night: what was said at noon against what was read and found; a miss is loud; a site learns."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from carewatch.freeze.score.own import Verdict
from carewatch.logbook.entries import Channel, Entry, EntryKind, Thawed
from carewatch.service.answering import write_entry
from carewatch.service.gather import gather
from carewatch.service.health import health_of
from carewatch.service.usecase import run_plan
from carewatch.store import nights
from carewatch.weather.readings import readings_of
from tests.service.farm import Forecaster, farm_on, into_shop, open_farm

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
NOON = datetime(2026, 10, 19, 17, 0, tzinfo=UTC)  # 12:00 in Chicago
AFTER = NOON + DAY + timedelta(minutes=5)
MILD, FROST = 8.0, -6.0


def read_as(low_c: float, *, nights_from: datetime = NOON, count: int = 1, is_at_site: bool = True, gap_h: int = 0):
    """A thermometer whose nights have one low at 6 in the morning and are 9 °C else."""
    rows = {
        nights_from + hour * HOUR: {"air_c": low_c if 12 <= hour % 24 <= 19 else 9.0}
        for hour in range(24 * count + 1)
        if not 14 <= hour % 24 < 14 + gap_h
    }
    readings = readings_of(rows, by="the thermometer at the site", is_at_site=is_at_site)
    return lambda site: readings if site.id == "yard" else None


@pytest.fixture
def farm(tmp_path):
    with open_farm(tmp_path, Forecaster(night_c=MILD)) as opened:
        yield opened


def with_readings(farm, readings_of_site):
    farm.work = replace(farm.work, readings_of=readings_of_site)
    return farm


def word_of(farm, machine: str = "sprayer-1"):
    with farm.database.reading() as rx:
        (found,) = [
            one for one in nights.words(rx, since=NOON.date()) if (one.machine, one.night) == (machine, NOON.date())
        ]
    return found


def through_the_night(farm):
    for hours in (0, 6, 12, 18):
        farm.run(NOON + hours * HOUR)
    farm.run(AFTER)


def test_a_miss_is_told_in_the_log_and_at_health(farm, caplog):
    with_readings(farm, lambda site: None)
    farm.run(NOON)
    with_readings(farm, read_as(-4.0))
    with caplog.at_level(logging.ERROR):
        farm.run(AFTER)
    found = word_of(farm)
    assert (found.verdict, found.came_low_c, found.read_by) == (Verdict.MISSED, -4.0, "the thermometer at the site")
    assert found.came_margin_c > 2.0
    assert [record.message for record in caplog.records if record.levelno == logging.ERROR] == ["freeze_missed"]
    health = health_of(farm.work, now=AFTER, tick_every=DAY)
    assert health["state"] == "degraded"
    assert any("MISSED" in reason and "sprayer-1" in reason and "-4.0 °C" in reason for reason in health["reasons"])
    later = health_of(farm.work, now=AFTER + 8 * DAY, tick_every=10 * DAY)
    assert not any("MISSED" in reason for reason in later["reasons"])


def test_a_machine_whose_site_has_no_reading_stays_unknown(farm):
    with_readings(farm, read_as(-4.0))
    through_the_night(farm)
    assert word_of(farm, "sprayer-2").verdict is Verdict.UNKNOWN


@pytest.mark.parametrize(("said_c", "read_c", "verdict"), [
    (FROST, -5.0, Verdict.CAUGHT), (FROST, 7.0, Verdict.FALSE), (MILD, 7.0, Verdict.QUIET),
])  # fmt: skip
def test_caught_false_and_quiet(tmp_path, said_c, read_c, verdict):
    with open_farm(tmp_path, Forecaster(night_c=said_c)) as farm:
        farm.run(NOON)
        with_readings(farm, read_as(read_c))
        farm.run(AFTER)
        assert word_of(farm).verdict is verdict


def test_the_margin_that_came_is_the_one_said_moved_by_the_error_of_the_low(tmp_path):
    """The same contents, place and course of the night; only the low differs, so the margin moves with it."""
    with open_farm(tmp_path, Forecaster(night_c=1.0)) as farm:
        farm.run(NOON)
        rows = {NOON + hour * HOUR: {"air_c": 9.0 if hour in range(7) or hour >= 20 else -1.0} for hour in range(25)}
        readings = readings_of(rows, by="it", is_at_site=False)
        with_readings(farm, lambda site: readings)
        farm.run(AFTER)
        found = word_of(farm)
    assert found.margin_c + 2.0 == pytest.approx(found.came_margin_c, abs=0.6)


def test_what_was_said_first_stays_and_bedtime_has_the_last_word(farm):
    with_readings(farm, lambda site: None)
    farm.run(NOON)
    assert not word_of(farm).was_flagged_late
    farm.sources[0].night_c = FROST
    farm.run(NOON + 6 * HOUR)
    assert word_of(farm).was_flagged_late
    assert not word_of(farm).is_flagged
    farm.sources[0].night_c = MILD
    farm.run(NOON + 11 * HOUR)  # eleven at night: nobody is told any more
    assert word_of(farm).was_flagged_late


def test_who_starts_late_in_a_night_says_nothing_of_it(farm):
    farm.run(NOON + 7 * HOUR)
    with farm.database.reading() as rx:
        assert nights.words(rx, since=NOON.date()) == ()


def test_ice_that_people_found_without_being_told_is_a_miss(farm):
    farm.run(NOON)
    found_at = NOON + 20 * HOUR
    entry = Entry(
        id="found",
        machine="sprayer-1",
        kind=EntryKind.THAWED,
        happened_at=found_at,
        recorded_at=found_at,
        by="noah",
        on_behalf_of=None,
        channel=Channel.COMMAND,
        detail=Thawed(found_ice=True),
    )
    write_entry(farm.work, entry, now=entry.recorded_at)
    farm.run(AFTER)
    assert (word_of(farm).found_ice, word_of(farm).verdict) == (True, Verdict.MISSED)
    assert any("ice was found" in reason for reason in health_of(farm.work, now=AFTER, tick_every=DAY)["reasons"])


def test_looking_twice_or_from_two_instances_keeps_one_word(farm):
    with_readings(farm, read_as(-4.0))
    through_the_night(farm)
    first = word_of(farm)
    second = farm_on(farm.folder, farm.database, farm.sources)
    with_readings(second, read_as(3.0))
    second.run(AFTER + HOUR)
    assert word_of(second) == first


def test_a_thermometer_that_was_silent_leaves_the_night_open(farm):
    with_readings(farm, read_as(-4.0, gap_h=4))
    through_the_night(farm)
    assert word_of(farm).verdict is Verdict.UNKNOWN


def test_what_was_held_at_noon_counts_not_what_was_done_later(farm):
    """It went into the shop at five; left as it was at noon it would have frozen, and nobody had said so."""
    with_readings(farm, lambda site: None)
    farm.run(NOON)
    write_entry(farm.work, into_shop("sprayer-1", NOON + 5 * HOUR), now=NOON + 5 * HOUR)
    with_readings(farm, read_as(-4.0))
    farm.run(AFTER)
    assert word_of(farm).verdict is Verdict.MISSED


def test_a_hot_night_is_not_worth_a_word(tmp_path):
    with open_farm(tmp_path, Forecaster(night_c=16.0, day_c=25.0)) as farm:
        farm.run(NOON)
        with farm.database.reading() as rx:
            assert nights.words(rx, since=NOON.date()) == ()
            assert len(nights.pairs(rx)) == 10  # two sites, five nights: the lows are kept all the same


def after_ten_nights(folder, readings_of_site) -> tuple[float, tuple[str, ...]]:
    """The chance of the eleventh night and its reasons; what was read colder is not in its weather itself."""
    folder.mkdir()
    with open_farm(folder, Forecaster(night_c=MILD)) as farm:
        with_readings(farm, readings_of_site)
        for day in range(11):
            farm.run(NOON + day * DAY + timedelta(minutes=5))
        with_readings(farm, lambda site: None)
        farm.work.remembered.weather.clear()
        gathered = gather(farm.work, now=NOON + 10 * DAY + timedelta(minutes=10))
        (facts,) = [one for one in gathered.facts.machines if one.machine.id == "sprayer-1"]
        return facts.outlooks[0].chance, facts.outlooks[0].because


def test_a_site_in_a_hollow_learns_from_its_own_thermometer(tmp_path):
    untaught, _ = after_ten_nights(tmp_path / "without", lambda site: None)
    taught, because = after_ten_nights(tmp_path / "with", read_as(MILD - 4.0, count=10))
    assert taught > 3.0 * untaught
    (why,) = [why for why in because if "thermometer" in why]
    assert why.endswith("colder than forecast, over 10 nights; that counts.")


def test_a_station_elsewhere_teaches_nothing(tmp_path):
    untaught = after_ten_nights(tmp_path / "without", lambda site: None)
    assert after_ten_nights(tmp_path / "with", read_as(MILD - 4.0, count=10, is_at_site=False)) == untaught


def test_the_plan_is_made_even_if_nothing_can_be_looked_back_on(farm):
    assert run_plan(farm.work, now=NOON).notices == ()
