"""The example season can be read, has no holes, says where it comes from, and holds the story it tells."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from carewatch.logbook.entries import (
    AntifreezeRun,
    Entry,
    EntryKind,
    HeatChanged,
    Moved,
    Promised,
    Rinsed,
    Sprayed,
    Thawed,
    Voided,
)
from carewatch.logbook.reading import read_logbook
from carewatch.roster.model import Role, Roster, UnitSystem
from carewatch.roster.reading import read_roster
from carewatch.sources.records import Weather, read_outages, read_weather
from carewatch.weather.nights import night_on
from examples import make_autumn

EXAMPLES = Path(__file__).parent.parent / "examples"
AUTUMN = EXAMPLES / "autumn"
SITES = ("quarry-lane", "mill-creek", "high-bench")
FIRST_ON, LAST_ON = date(2025, 10, 13), date(2025, 11, 5)
HOUR = timedelta(hours=1)


@pytest.fixture(scope="module")
def roster() -> Roster:
    found, warnings = read_roster(AUTUMN / "fleet.toml")
    assert warnings == ()
    return found


@pytest.fixture(scope="module")
def logbook(roster: Roster) -> tuple[Entry, ...]:
    text = (AUTUMN / "logbook.jsonl").read_text(encoding="utf-8")
    return read_logbook(text, file="logbook.jsonl", roster=roster)


@pytest.fixture(scope="module")
def weather() -> dict[str, Weather]:
    return {site: read_weather(AUTUMN / "weather" / f"{site}.csv") for site in SITES}


def local(roster: Roster, site: str, text: str) -> datetime:
    return datetime.fromisoformat(f"2025-{text}").replace(tzinfo=roster.site(site).tz).astimezone(UTC)


def during(weather: Weather, name: str, start_at: datetime, end_at: datetime) -> list[float]:
    first, last = ((moment - weather.start_at) // HOUR for moment in (start_at, end_at))
    return [float(value) for value in weather.values[name][first : last + 1]]


def night_low(roster: Roster, weather: dict[str, Weather], site: str, on: date) -> float:
    night = night_on(on, roster.site(site).tz)
    return min(during(weather[site], "air_c", night.start_at, night.end_at))


def of(logbook: Iterable[Entry], machine: str, kind: EntryKind) -> list[Entry]:
    return [entry for entry in logbook if entry.machine == machine and entry.kind is kind]


def on_day(roster: Roster, entry: Entry, day: str) -> bool:
    site = roster.site(roster.machine(entry.machine).home_site)
    return entry.happened_at.astimezone(site.tz).strftime("%m-%d") == day


# ---------------------------------------------------------------- the files


def test_the_fleet_is_seven_machines_at_three_sites_in_three_zones(roster: Roster) -> None:
    assert len(roster.machines) == 7
    assert {site.id for site in roster.sites} == set(SITES)
    assert len({site.zone for site in roster.sites}) == 3
    assert {machine.home_site for machine in roster.machines} == set(SITES)


def test_every_role_is_there_and_both_unit_systems_are_read(roster: Roster) -> None:
    assert {role for person in roster.people for role in person.roles} == set(Role)
    assert {person.units for person in roster.people} == set(UnitSystem)
    manager = roster.person("mara")
    assert manager.absences[0].deputy == "owen"


def test_addresses_and_numbers_belong_to_nobody(roster: Roster) -> None:
    # RFC 2606 keeps .example; 555-0100 to 555-0199 are kept for stories in the North American numbering plan
    for person in roster.people:
        assert person.email is not None
        assert person.email.endswith(".example")
        assert person.phone is None or " 555 01" in person.phone


@pytest.mark.parametrize("site", SITES)
def test_weather_has_every_hour_of_the_story_and_the_nights_ahead(weather: dict[str, Weather], site: str) -> None:
    record = weather[site]
    assert record.start_at <= datetime(2025, 10, 12, tzinfo=UTC)
    assert record.start_at + record.hours * HOUR >= datetime(2025, 11, 11, tzinfo=UTC)
    for name in ("air_c", "dew_c", "wind_mps", "cloud_fraction"):
        assert not any(math.isnan(value) for value in record.values[name])


def test_dew_points_stay_at_or_below_the_air(weather: dict[str, Weather]) -> None:
    for record in weather.values():
        # the typical years round both to a tenth
        assert (record.values["dew_c"] <= record.values["air_c"] + 0.15).all()


def test_every_site_of_weather_and_outages_is_in_the_fleet() -> None:
    assert {path.stem for path in (AUTUMN / "weather").glob("*.csv")} == set(SITES)
    assert {outage.site for outage in read_outages(AUTUMN / "forecasts" / "outages.csv")} <= set(SITES)


def test_the_readme_names_every_file_and_its_origin() -> None:
    text = (AUTUMN / "README.md").read_text(encoding="utf-8")
    for path in AUTUMN.rglob("*"):
        if path.is_file() and path.name != "README.md":
            assert f"`{path.relative_to(AUTUMN)}`" in text
    for word in ("NREL", "US Department of", "pvlib", "BSD-3-Clause", "invented", "the dates were moved"):
        assert word in text


def test_entries_are_unique_and_arrive_like_answers_of_people(logbook: tuple[Entry, ...]) -> None:
    assert len({entry.id for entry in logbook}) == len(logbook)
    delays = [entry.recorded_at - entry.happened_at for entry in logbook]
    assert min(delays) > timedelta(0)
    assert sorted(delays)[len(delays) // 2] < timedelta(minutes=10)
    assert max(delays) > timedelta(hours=3)
    assert [entry.recorded_at for entry in logbook] == sorted(entry.recorded_at for entry in logbook)


def test_everybody_who_writes_is_in_the_fleet(logbook: tuple[Entry, ...], roster: Roster) -> None:
    people = {person.id for person in roster.people}
    assert {entry.by for entry in logbook} <= people
    assert {entry.on_behalf_of for entry in logbook if entry.on_behalf_of} <= people


def test_spray_hour_counters_agree_with_the_hours_sprayed(logbook: tuple[Entry, ...], roster: Roster) -> None:
    for machine in roster.machines:
        last = None
        hours = 0.0
        for entry in sorted(of(logbook, machine.id, EntryKind.SPRAYED), key=lambda entry: entry.happened_at):
            assert isinstance(entry.detail, Sprayed)
            hours += entry.detail.hours or 0.0
            if entry.detail.counter_h is not None:
                assert last is None or entry.detail.counter_h - last == pytest.approx(hours, abs=0.15)
                last, hours = entry.detail.counter_h, 0.0


# ---------------------------------------------------------------- where the weather comes from


@pytest.mark.parametrize(
    ("site", "at", "air_c", "dew_c", "wind_mps", "cloud_fraction"),
    # read by eye in the TMY3 file 723170TYA.CSV: 04/06/1980 05:00, 04/05/1980 17:00, 11/12/1994 06:00, 02/17/1996 07:00
    # (local standard time)
    [
        ("quarry-lane", "10-23T05:00-05:00", 1.1, -2.8, 2.1, 0.0),
        ("quarry-lane", "10-22T17:00-05:00", 16.1, -3.3, 3.1, 0.0),
        ("mill-creek", "10-27T06:00-06:00", -1.7, -4.4, 1.5, 0.0),
        ("high-bench", "10-30T07:00-07:00", -7.2, -15.6, 5.7, 0.3),
    ],
)
def test_moved_hours_are_those_of_the_typical_year(
    weather: dict[str, Weather], site: str, at: str, air_c: float, dew_c: float, wind_mps: float, cloud_fraction: float
) -> None:
    moment = datetime.fromisoformat(f"2025-{at}").astimezone(UTC)
    names = ("air_c", "dew_c", "wind_mps", "cloud_fraction")
    assert [during(weather[site], name, moment, moment)[0] for name in names] == [
        air_c,
        dew_c,
        wind_mps,
        cloud_fraction,
    ]


def test_the_script_moves_whole_hours_and_leaves_none_out(tmp_path: Path) -> None:
    columns = ["Date (MM/DD/YYYY)", "Time (HH:MM)", "Dry-bulb (C)", "Dew-point (C)", "Wspd (m/s)", "TotCld (tenths)"]
    months = ((1980, 4, 30), (1980, 10, 31), (1990, 3, 31), (1994, 11, 30), (1996, 2, 29))
    with (tmp_path / make_autumn.GREENSBORO).open("w", newline="") as file:
        file.write("station\n")
        rows = csv.writer(file)
        rows.writerow(columns)
        for year, month, days in months:
            for day in range(1, days + 1):
                for hour in range(1, 25):
                    # the temperature tells day and hour
                    rows.writerow([f"{month:02}/{day:02}/{year}", f"{hour:02}:00", day + hour / 100, 0, 1, 5])
    make_autumn.main(tmp_path, tmp_path)
    built = read_weather(tmp_path / "quarry-lane.csv")
    assert not any(math.isnan(value) for value in built.values["air_c"])
    # 5 April 1980, 15:00 standard time, stands at 22 October 2025, 15:00 standard time (UTC-5)
    moment = datetime(2025, 10, 22, 20, tzinfo=UTC)
    assert during(built, "air_c", moment, moment) == [5.15]
    assert (tmp_path / "high-bench.csv").read_text().count("\n") == (
        AUTUMN / "weather/high-bench.csv"
    ).read_text().count("\n")


# ---------------------------------------------------------------- the story


def test_the_first_week_is_mild(roster: Roster, weather: dict[str, Weather]) -> None:
    for site in SITES:
        for ahead in range(7):
            assert night_low(roster, weather, site, FIRST_ON + timedelta(days=ahead)) >= 3.0


def test_one_clear_calm_night_stays_just_above_freezing(roster: Roster, weather: dict[str, Weather]) -> None:
    assert 0.5 <= night_low(roster, weather, "quarry-lane", date(2025, 10, 22)) <= 1.5
    start_at, end_at = local(roster, "quarry-lane", "10-22T20:00"), local(roster, "quarry-lane", "10-23T07:00")
    cloud = during(weather["quarry-lane"], "cloud_fraction", start_at, end_at)
    wind = during(weather["quarry-lane"], "wind_mps", start_at, end_at)
    assert sum(cloud) / len(cloud) < 0.05
    assert sum(wind) / len(wind) < 2.5


def test_that_night_one_machine_is_indoors_in_time_and_one_is_half_rinsed(
    logbook: tuple[Entry, ...], roster: Roster
) -> None:
    moved = [entry for entry in of(logbook, "sprayer-1", EntryKind.MOVED) if on_day(roster, entry, "10-22")]
    assert isinstance(moved[0].detail, Moved)
    assert moved[0].detail.place == "shop"
    assert moved[0].recorded_at < local(roster, "quarry-lane", "10-22T20:00")
    sprayed = [entry for entry in of(logbook, "sprayer-2", EntryKind.SPRAYED) if on_day(roster, entry, "10-22")]
    rinsed = [entry for entry in of(logbook, "sprayer-2", EntryKind.RINSED) if on_day(roster, entry, "10-22")]
    assert isinstance(sprayed[-1].detail, Sprayed)
    assert isinstance(rinsed[-1].detail, Rinsed)
    assert sprayed[-1].detail.sides == ("front", "rear")
    assert rinsed[-1].detail.sides == ("front",)
    assert rinsed[-1].happened_at > sprayed[-1].happened_at


@pytest.mark.parametrize(
    ("machine", "day"), [("sprayer-2", "10-23"), ("sprayer-5", "10-28"), ("sprayer-6", "10-30")], ids=str
)
def test_ice_is_found_the_morning_after(logbook: tuple[Entry, ...], roster: Roster, machine: str, day: str) -> None:
    thawed = [entry for entry in of(logbook, machine, EntryKind.THAWED) if on_day(roster, entry, day)]
    assert isinstance(thawed[0].detail, Thawed)
    assert thawed[0].detail.found_ice


def test_ines_flushes_both_sides_on_every_day_she_sprays(logbook: tuple[Entry, ...], roster: Roster) -> None:
    zone = roster.site("quarry-lane").tz
    sprayed_on = {entry.happened_at.astimezone(zone).date() for entry in of(logbook, "sprayer-1", EntryKind.SPRAYED)}
    rinsed_on = {
        entry.happened_at.astimezone(zone).date()
        for entry in of(logbook, "sprayer-1", EntryKind.RINSED)
        if entry.by == "ines" and isinstance(entry.detail, Rinsed) and set(entry.detail.sides) == {"front", "rear"}
    }
    assert len(sprayed_on) > 15
    assert sprayed_on == rinsed_on


def test_a_wrong_answer_is_taken_back(logbook: tuple[Entry, ...]) -> None:
    (voided,) = (entry for entry in logbook if isinstance(entry.detail, Voided))
    (wrong,) = (entry for entry in logbook if isinstance(voided.detail, Voided) and entry.id == voided.detail.entry)
    assert voided.by == wrong.by == "cal"


def test_antifreeze_goes_through_one_side_only_before_a_hard_freeze(
    logbook: tuple[Entry, ...], roster: Roster, weather: dict[str, Weather]
) -> None:
    first = of(logbook, "sprayer-6", EntryKind.ANTIFREEZE_RUN)[0]
    assert isinstance(first.detail, AntifreezeRun)
    assert first.detail.sides == ("front",)
    assert on_day(roster, first, "10-28")
    assert night_low(roster, weather, "high-bench", date(2025, 10, 29)) <= -5.0


def test_a_machine_leaves_the_shop_to_spray_and_parks_in_the_hollow(logbook: tuple[Entry, ...], roster: Roster) -> None:
    assert roster.site("mill-creek").place("creek-bottom").colder_c == 2.0
    assert roster.machine("sprayer-5").home_place == "shop"
    (parked,) = (
        entry
        for entry in of(logbook, "sprayer-5", EntryKind.MOVED)
        if isinstance(entry.detail, Moved) and entry.detail.place == "creek-bottom"
    )
    sprayed = of(logbook, "sprayer-5", EntryKind.SPRAYED)
    assert max(entry.happened_at for entry in sprayed) < parked.happened_at
    assert parked.recorded_at - parked.happened_at > timedelta(hours=3)


def test_the_power_fails_in_a_frost(logbook: tuple[Entry, ...], weather: dict[str, Weather]) -> None:
    changes = of(logbook, "sprayer-7", EntryKind.HEAT_CHANGED)
    (off,) = (entry for entry in changes if isinstance(entry.detail, HeatChanged) and not entry.detail.is_on)
    on_again = min(entry.happened_at for entry in changes if entry.happened_at > off.happened_at)
    hour = off.happened_at.replace(minute=0)
    assert max(during(weather["high-bench"], "air_c", hour, on_again)) < 0.0


def test_a_promise_lapses_and_the_evidence_comes_late(
    logbook: tuple[Entry, ...], roster: Roster, weather: dict[str, Weather]
) -> None:
    (promised,) = of(logbook, "sprayer-3", EntryKind.PROMISED)
    assert isinstance(promised.detail, Promised)
    assert promised.detail.duty == "protect|sprayer-3|2025-10-26"
    assert on_day(roster, promised, "10-26")
    later = [
        entry
        for entry in of(logbook, "sprayer-3", EntryKind.MOVED)
        if on_day(roster, entry, "10-26") and entry.recorded_at > promised.recorded_at
    ]
    assert isinstance(later[0].detail, Moved)
    assert later[0].detail.place == "shop"
    assert later[0].happened_at > promised.detail.by_at
    assert night_low(roster, weather, "mill-creek", date(2025, 10, 26)) < 0.0


def test_the_forecast_is_older_than_a_day_on_a_frosty_evening(roster: Roster, weather: dict[str, Weather]) -> None:
    (outage,) = read_outages(AUTUMN / "forecasts" / "outages.csv")
    evening = local(roster, outage.site, "11-02T18:00")
    assert outage.holds(outage.site, evening)
    assert evening - outage.from_at > timedelta(hours=24)
    assert night_low(roster, weather, outage.site, date(2025, 11, 2)) < 0.0


def test_the_clocks_change_within_the_story(roster: Roster) -> None:
    night = night_on(date(2025, 11, 1), roster.site("mill-creek").tz)
    assert FIRST_ON < night.on < LAST_ON
    assert night.end_at - night.start_at == timedelta(hours=25)
