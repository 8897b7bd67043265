"""Plain forecasts, recorded files, forecasts made from the weather, and which source serves a site."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from carewatch.errors import BadInput, UpstreamTrouble
from carewatch.sources.choice import choose, covering, of_scenario
from carewatch.sources.made import Made, last_issue_at
from carewatch.sources.met_norway import MetNorway
from carewatch.sources.nws import NationalWeatherService
from carewatch.sources.open_meteo import OpenMeteo
from carewatch.sources.plain import read_plain, write_plain
from carewatch.sources.recorded import Recorded
from carewatch.sources.records import read_outages, read_weather
from carewatch.weather.forecast import Grade, Minimum
from tests.sources.recordings import BERLIN, LONDON, NEBRASKA, Memory, body, client, met_tree, packed, site
from tests.weather.conftest import make_forecast

START = datetime(2026, 10, 1, 0, tzinfo=UTC)
H = timedelta(hours=1)
HEADER = "time_utc,air_c,dew_c,wind_mps,cloud_fraction\n"


# ------------------------------------------------------------------------------------------------ plain


def plain(**changes):
    tree = {"issued_at": "2026-10-01T00:10:00Z", "start_at": "2026-10-01T01:00:00Z", "air_c": [4.0, "3.5", None, 2.5]}
    return read_plain(json.dumps({**tree, **changes}).encode(), fetched_at=START)


def test_smallest_plain_forecast():
    forecast = plain()
    assert forecast.air_c.tolist() == [4.0, 3.5, 3.0, 2.5]
    assert forecast.warnings == ("1 h of air_c filled in from the hours around.",)
    assert np.isnan(forecast.dew_c).all()
    assert (forecast.source, forecast.grade, forecast.spread_c) == ("plain", Grade.RAW, None)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"issued_at": None}, "when it was made"),
        ({"start_at": "2026-10-01T01:30:00Z"}, "full hour"),
        ({"start_at": "2026-10-01T01:00:00"}, "first hour"),
        ({"air_c": []}, "list air_c"),
        ({"air_c": "cold"}, "list air_c"),
        ({"air_c": [None, True, "x"]}, "no usable temperature"),
        ({"air_c": [400.0]}, "no usable temperature"),
        ({"air_c": [1.0] * 5000}, "list air_c"),
        ({"dew_c": [1.0] * 9}, "no longer than air_c"),
        ({"grade": "best"}, "official or raw"),
    ],
)
def test_plain_forecast_that_cannot_be_used_says_why(changes, words):
    with pytest.raises(UpstreamTrouble, match=words):
        plain(**changes)


def test_plain_forecast_written_reads_back():
    low = Minimum(start_at=START, end_at=START + 6 * H, air_c=-1.25)
    series = np.round(np.linspace(-3, 5, 30), 2)
    forecast = make_forecast(series, start_at=START, minima=(low,), spread_c=np.full(30, 1.5))
    again = read_plain(write_plain(forecast), fetched_at=forecast.fetched_at)
    for name in ("air_c", "dew_c", "wind_mps", "cloud_fraction", "rain_mm", "spread_c"):
        assert np.allclose(getattr(again, name), getattr(forecast, name), atol=0.005)
    for name in ("source", "title", "grade", "licence", "issued_at", "start_at", "minima"):
        assert getattr(again, name) == getattr(forecast, name)


# ------------------------------------------------------------------------------------------------ weather and outages


def write(folder, text: str, *, name: str = "weather/river-yard.csv"):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def rows(hours: int, *, air=lambda hour: 5.0 + 5.0 * np.cos((hour - 20) / 24 * 2 * np.pi)) -> str:
    lines = [
        f"{START + hour * H:%Y-%m-%dT%H:%MZ},{air(hour):.2f},{air(hour) - 4:.2f},2.0,0.30" for hour in range(hours)
    ]
    return HEADER + "\n".join(lines) + "\n"


def test_weather_is_read_with_gaps_unknown(tmp_path):
    text = HEADER + "2026-10-01T00:00Z,1,0,2,0.5\n2026-10-01 03:00,,0,2,1\n2026-10-01T05:00:00+01:00,3,0,2,0\n"
    weather = read_weather(write(tmp_path, text))
    assert weather.start_at == START
    assert weather.values["air_c"].tolist() == pytest.approx([1, np.nan, np.nan, np.nan, 3], nan_ok=True)
    assert weather.values["cloud_fraction"][3] == 1.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", r":1: the column time_utc is missing"),
        ("time_utc,air_c,dew_c,wind_mps\n", r":1: the column cloud_fraction is missing"),
        (HEADER, "no rows"),
        (HEADER + "2026-10-01T00:00Z,warm,0,2,0\n", r":2: air_c = 'warm'"),
        (HEADER + "2026-10-01T00:00Z,1,0,2,0\n2026-10-01T01:00Z,1,0,2,40\n", r":3: cloud_fraction = '40'"),
        (HEADER + "2026-10-01T00:00Z,1,0,-2,0\n", r":2: wind_mps = '-2'"),
        (HEADER + "2026-10-01T00:00Z,nan,0,2,0\n", r":2: air_c = 'nan'"),
        (HEADER + "2026-10-01T00:30Z,1,0,2,0\n", r":2: time_utc = 2026-10-01T00:30Z must be a full hour"),
        (HEADER + "yesterday,1,0,2,0\n", r":2: time_utc = 'yesterday'"),
        (HEADER + "2026-10-01T02:00Z,1,0,2,0\n2026-10-01T01:00Z,1,0,2,0\n", r":3: time_utc = .* is not after"),
        (HEADER + "2026-10-01T02:00Z,1,0,2,0\n2026-10-01T02:00Z,1,0,2,0\n", r":3: time_utc = .* is not after"),
        (HEADER + "2026-10-01T02:00Z,1,0,2\n", r":2: this row does not have as many"),
        (HEADER + "2026-10-01T02:00Z,1,0,2,0,7\n", r":2: this row does not have as many"),
        (HEADER + "1926-10-01T02:00Z,1,0,2,0\n2026-10-01T02:00Z,1,0,2,0\n", "check the years"),
        (HEADER + '2026-10-01T02:00Z,"1,0,2,0\n', "is not a CSV row"),
    ],
    ids=["empty", "no-cloud", "no-rows", "word", "percent", "negative", "nan", "half-hour", "no-time", "backwards",
         "twice", "short", "long", "far-years", "quote"],
)  # fmt: skip
def test_broken_weather_names_file_line_column_and_value(tmp_path, text, words):
    path = write(tmp_path, text)
    with pytest.raises(BadInput, match=words) as trouble:
        read_weather(path)
    assert str(path) in str(trouble.value)


def test_missing_and_unreadable_weather_is_told(tmp_path):
    with pytest.raises(BadInput, match="no such file"):
        read_weather(tmp_path / "none.csv")
    path = tmp_path / "photo.csv"
    path.write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(BadInput, match="UTF-8"):
        read_weather(path)


def test_outage_that_ends_before_it_begins_is_told(tmp_path):
    path = write(tmp_path, "site,from_utc,to_utc\nx,2026-10-02,2026-10-01\n", name="forecasts/outages.csv")
    with pytest.raises(BadInput, match=r":2: to_utc = 2026-10-01 must lie after"):
        read_outages(path)
    assert read_outages(tmp_path / "none.csv") == ()


# ------------------------------------------------------------------------------------------------ made


@pytest.fixture
def scenario(tmp_path):
    write(tmp_path, rows(24 * 30))
    return tmp_path


def made(folder, kind="synthetic", seed=7):
    return Made(folder, kind=kind, seed=seed)


def test_perfect_forecast_is_the_weather_itself_and_says_so(scenario):
    forecast = made(scenario, "perfect").make(NEBRASKA, issued_at=START + 6 * H)
    truth = read_weather(scenario / "weather" / "river-yard.csv").values["air_c"]
    assert np.array_equal(forecast.air_c, truth[6:246])
    assert forecast.source == "perfect"


def test_synthetic_forecast_is_labelled_and_survives_the_store(scenario):
    memory, source = Memory(), made(scenario)
    (answer,) = memory.update(source, NEBRASKA, START + 8 * H)
    forecast = memory.read(source, NEBRASKA)
    assert answer.issued_at == forecast.issued_at == START + 6 * H
    assert forecast.source == "synthetic"
    assert "Synthetic" in forecast.licence
    assert forecast.hours == 240


def test_a_new_issue_comes_four_times_a_day(scenario):
    memory, source = Memory(), made(scenario)
    issues = [memory.update(source, NEBRASKA, START + hour * H) for hour in range(48)]
    assert [hour for hour, answers in enumerate(issues) if answers] == list(range(0, 48, 6))
    assert last_issue_at(START + timedelta(hours=23.9)) == START + 18 * H


def test_same_seed_gives_the_same_forecast_and_another_seed_another(scenario):
    one, same, other = (made(scenario, seed=seed).make(NEBRASKA, issued_at=START) for seed in (7, 7, 8))
    assert np.array_equal(one.air_c, same.air_c)
    assert not np.allclose(one.air_c, other.air_c)


def test_forecasts_of_one_night_converge(scenario):
    write(scenario, rows(24 * 200))
    truth = read_weather(scenario / "weather" / "river-yard.csv").values["air_c"]
    steps, by_lead = [], {}
    for seed in range(12):
        source = made(scenario, seed=seed)
        for day in range(20, 190, 17):
            valid = day * 24 + 12
            for lead in (18, 66, 114, 162):
                before, after = (
                    source.make(NEBRASKA, issued_at=START + (valid - hours) * H).air_c[hours] - truth[valid]
                    for hours in (lead + 6, lead)
                )
                by_lead.setdefault(lead, []).append(after)
                steps.append(after - before)
    # expected: spread of the error of a night's minimum of US city forecasts, 1.8 °C at night 1 to 3.1 at night 7
    # (computed from public tables of 2014-17 and 2021-22); 120 draws know a standard deviation to about 7 %
    for lead, expected in ((18, 1.8), (66, 2.2), (114, 2.6), (162, 3.1)):
        assert np.std(by_lead[lead]) == pytest.approx(expected, rel=0.25)
    # one issue changes a night by far less than the night may still be wrong
    assert np.std(steps) < 0.75
    assert abs(np.mean(by_lead[18])) < 0.5


def test_error_is_nearly_the_same_through_one_night(scenario):
    truth = read_weather(scenario / "weather" / "river-yard.csv").values["air_c"]
    forecast = made(scenario).make(NEBRASKA, issued_at=START)
    errors = forecast.air_c - truth[:240]
    # from 9 pm to 6 am at the site (3 to 12 UTC) hours differ less from each other than nights do
    nights = np.array([errors[24 * day + 3 : 24 * day + 12] for day in range(1, 10)])
    assert nights.std(axis=1).mean() < nights.mean(axis=1).std()


def test_dew_point_stays_below_the_air_and_cloud_within_its_range(scenario):
    for day in range(20):
        forecast = made(scenario, seed=day).make(NEBRASKA, issued_at=START + 24 * day * H)
        known = ~np.isnan(forecast.air_c)
        assert (forecast.dew_c[known] <= forecast.air_c[known]).all()
        assert (forecast.wind_mps[known] > 0).all()
        assert ((forecast.cloud_fraction[known] >= 0) & (forecast.cloud_fraction[known] <= 1)).all()


def test_forecast_ends_with_the_record(scenario):
    source = made(scenario, "perfect")
    forecast = source.make(NEBRASKA, issued_at=START + 28 * 24 * H)
    assert np.flatnonzero(np.isnan(forecast.air_c)).tolist() == list(range(48, 240))
    assert source.make(NEBRASKA, issued_at=START + 60 * 24 * H) is None
    assert Memory().update(source, NEBRASKA, START + 60 * 24 * H) == ()


@pytest.mark.parametrize("cut_off", ["river-yard", "*"])
def test_no_new_forecast_during_an_outage_and_the_newest_after_it(scenario, cut_off):
    write(
        scenario,
        f"site,from_utc,to_utc\n{cut_off},2026-10-02T05:00Z,2026-10-03T07:00Z\nother,2026-10-01,2026-11-01\n",
        name="forecasts/outages.csv",
    )
    memory, source = Memory(), made(scenario)
    issues = [memory.update(source, NEBRASKA, START + hour * H) for hour in range(24, 60)]
    assert [hour + 24 for hour, answers in enumerate(issues) if answers] == [24, 55]
    assert memory.read(source, NEBRASKA).issued_at == START + 54 * H


def test_site_without_weather_is_not_covered(scenario):
    assert made(scenario).covers(NEBRASKA)
    assert not made(scenario).covers(LONDON)


def test_unknown_kind_is_refused(scenario):
    with pytest.raises(BadInput, match="perfect or synthetic"):
        made(scenario, "lucky")


# ------------------------------------------------------------------------------------------------ recorded


@pytest.fixture
def recordings(tmp_path):
    folder = tmp_path / "forecasts" / NEBRASKA.id
    folder.mkdir(parents=True)
    (folder / "20241203T0245Z.nws.json").write_bytes(body("nws/gridpoints_raw_OAX_59_58.json"))
    (folder / "20241204T0245Z.nws.json").write_bytes(
        body("nws/gridpoints_raw_OAX_59_58.json").replace(b"2024-12-03T02:36:57", b"2024-12-04T02:36:57")
    )
    (folder / "20241203T0300Z.met_norway.json").write_bytes(packed(met_tree()))
    (folder / "20241203T0300Z.open_meteo.json").write_bytes(
        body("open_meteo/forecast_52.52_13.42_2021-11-24_subset.json")
    )
    (folder / "20241203T0300Z.plain.json").write_bytes(write_plain(make_forecast(1.0, start_at=START)))
    return tmp_path


@pytest.mark.parametrize("service", ["nws", "met_norway", "open_meteo", "plain"])
def test_recorded_answer_is_read_by_its_own_reader(recordings, service):
    source, memory = Recorded(recordings, service=service), Memory()
    memory.update(source, NEBRASKA, datetime(2024, 12, 3, 4, tzinfo=UTC))
    assert memory.read(source, NEBRASKA).hours > 100


def test_newest_recording_not_later_than_now_counts(recordings):
    source, memory = Recorded(recordings, service="nws"), Memory()
    assert memory.update(source, NEBRASKA, datetime(2024, 12, 3, 2, 44, tzinfo=UTC)) == ()
    (answer,) = memory.update(source, NEBRASKA, datetime(2024, 12, 3, 12, tzinfo=UTC))
    assert answer.fetched_at == datetime(2024, 12, 3, 2, 45, tzinfo=UTC)
    assert answer.ask_again_at == datetime(2024, 12, 4, 2, 45, tzinfo=UTC)
    assert memory.update(source, NEBRASKA, datetime(2024, 12, 3, 13, tzinfo=UTC)) == ()
    assert memory.update(source, NEBRASKA, datetime(2024, 12, 4, 2, 45, tzinfo=UTC))[0].issued_at.day == 4


@pytest.mark.parametrize(
    "name", ["20241203T0300.nws.json", "20241203T0300Z.radar.json", "20241340T0300Z.nws.json", "notes.json"]
)
def test_recording_with_a_strange_name_is_told(recordings, name):
    (recordings / "forecasts" / NEBRASKA.id / name).write_bytes(b"{}")
    with pytest.raises(BadInput, match=name.replace(".", r"\.")):
        Recorded(recordings, service="nws").update(
            NEBRASKA, now=datetime(2024, 12, 3, 4, tzinfo=UTC), recall=Memory().recall
        )


def test_broken_recording_names_its_file_and_keeps_the_last_good_one(recordings):
    source, memory = Recorded(recordings, service="nws"), Memory()
    memory.update(source, NEBRASKA, datetime(2024, 12, 3, 4, tzinfo=UTC))
    (recordings / "forecasts" / NEBRASKA.id / "20241203T0600Z.nws.json").write_bytes(b"{")
    with pytest.raises(UpstreamTrouble, match=r"20241203T0600Z\.nws\.json"):
        memory.update(source, NEBRASKA, datetime(2024, 12, 3, 7, tzinfo=UTC))
    assert memory.read(source, NEBRASKA) is not None


@pytest.mark.parametrize("how", ["huge", "folder"])
def test_recording_that_cannot_be_read_is_told(recordings, how):
    path = recordings / "forecasts" / NEBRASKA.id / "20241203T0600Z.nws.json"
    if how == "huge":
        with path.open("wb") as file:
            file.truncate(6 * 1024 * 1024)
    else:
        path.mkdir()
    with pytest.raises(UpstreamTrouble, match=r"20241203T0600Z\.nws\.json"):
        Memory().update(Recorded(recordings, service="nws"), NEBRASKA, datetime(2024, 12, 3, 7, tzinfo=UTC))


def test_grade_of_a_recording_is_that_of_its_service(recordings):
    grades = [Recorded(recordings, service=name).grade(NEBRASKA) for name in ("nws", "met_norway", "open_meteo")]
    assert grades == [Grade.OFFICIAL, Grade.RAW, Grade.RAW]
    with pytest.raises(BadInput, match="no reader"):
        Recorded(recordings, service="radar")


# ------------------------------------------------------------------------------------------------ choice


@pytest.fixture
def services():
    with client() as http:
        yield {
            "open_meteo": OpenMeteo(http),
            "met_norway": MetNorway(http),
            "nws": NationalWeatherService(http),
        }


def names(sources):
    return [source.name for source in sources]


def test_grade_says_how_far_a_source_is_corrected_for_the_place(services, scenario):
    grades = {name: source.grade(NEBRASKA) for name, source in services.items()}
    assert grades == {"nws": Grade.OFFICIAL, "met_norway": Grade.RAW, "open_meteo": Grade.RAW}
    assert made(scenario).grade(NEBRASKA) is Grade.OFFICIAL


def test_united_states_is_served_by_its_own_service_first(services):
    assert names(choose(NEBRASKA, services)) == ["nws", "met_norway"]


def test_elsewhere_met_norway_serves_alone_and_open_meteo_is_never_a_silent_default(services):
    assert names(choose(BERLIN, services)) == ["met_norway"]


def test_open_meteo_is_the_last_once_it_is_allowed(services):
    with client() as http:
        allowed = {**services, "open_meteo": OpenMeteo(http, is_non_commercial=True)}
        assert names(choose(NEBRASKA, allowed)) == ["nws", "met_norway", "open_meteo"]


def test_own_list_of_a_site_decides(services):
    assert names(choose(site(sources=("met_norway", "nws")), services)) == ["met_norway", "nws"]


def test_unknown_source_of_a_site_is_told(services):
    with pytest.raises(BadInput, match=r"'met_norwy'.*met_norway, nws"):
        choose(site(sources=("met_norwy",)), services)


def test_scenario_gives_made_or_recorded_sources(scenario, recordings):
    lone = of_scenario(scenario, made="synthetic", seed=3)
    assert names(covering(site(sources=("nws",)), lone)) == ["synthetic"]
    assert names(covering(NEBRASKA, of_scenario(recordings))) == ["plain", "nws", "met_norway", "open_meteo"]
