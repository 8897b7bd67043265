"""Open-Meteo: recorded answers, its terms, and the faults of its issue threads (open-meteo/open-meteo)."""

from __future__ import annotations

import logging
from datetime import UTC, datetime, timedelta

import httpx
import numpy as np
import pytest
import respx

from carewatch.errors import UpstreamTrouble
from carewatch.sources.open_meteo import Ensemble, OpenMeteo
from carewatch.sources.open_meteo_reading import read_forecast, read_members, read_spread
from tests.sources.recordings import BERLIN, Memory, body, client, packed, tree

NOW = datetime(2021, 11, 24, 6, 10, tzinfo=UTC)
LATER = NOW + timedelta(hours=4)
FREE = "https://api.open-meteo.com/v1/forecast"
FREE_ENSEMBLE = "https://ensemble-api.open-meteo.com/v1/ensemble"
PAID = "https://customer-api.open-meteo.com/v1/forecast"
KEY = "k3y-that-must-not-leak"
FORECAST = "open_meteo/forecast_52.52_13.42_2021-11-24_subset.json"
JSON = {"Content-Type": "application/json; charset=utf-8"}


def read(name: str):
    return read_forecast(body(f"open_meteo/{name}"), fetched_at=NOW)


def forecast_tree():
    return tree(FORECAST)


def read_tree(answer, **more):
    return read_forecast(packed(answer), fetched_at=NOW, **more)


@pytest.fixture
def web():
    with respx.mock(assert_all_called=False) as mocked:
        for url in (FREE, PAID):
            mocked.get(url).mock(return_value=httpx.Response(200, headers=JSON, content=body(FORECAST)))
        yield mocked


@pytest.fixture
def http():
    with client() as ours:
        yield ours


# ------------------------------------------------------------------------------------------------ reading


def test_recorded_forecast_reads_in_utc_and_metres_per_second():
    # the recording is in local time of Berlin (UTC+1) and km/h: 2021-11-24T00:00 there is 23:00 UTC
    forecast, raw = read("forecast_52.52_13.42_2021-11-24_subset.json"), forecast_tree()["hourly"]
    assert forecast.start_at == datetime(2021, 11, 23, 23, tzinfo=UTC)
    assert forecast.hours == 168
    assert forecast.air_c == pytest.approx(raw["temperature_2m"])
    assert forecast.wind_mps[0] * 3.6 == pytest.approx(raw["wind_speed_10m"][0])
    assert forecast.cloud_fraction[0] * 100 == pytest.approx(raw["cloud_cover"][0])
    assert forecast.elevation_m == 44.8125
    assert forecast.is_height_corrected


def test_sum_of_the_hour_before_becomes_rain_of_the_hour_after():
    answer = forecast_tree()
    answer["hourly"]["precipitation"] = [0.0] * 168
    answer["hourly"]["precipitation"][5] = 2.5
    rain_mm = read_tree(answer).rain_mm
    assert rain_mm[4] == 2.5
    assert np.nansum(rain_mm) == 2.5


def test_unix_times_and_local_times_give_the_same_series():
    answer = forecast_tree()
    start = int(datetime(2021, 11, 23, 23, tzinfo=UTC).timestamp())
    answer["hourly"]["time"] = [start + 3600 * hour for hour in range(168)]
    assert read_tree(answer).start_at == read_tree(forecast_tree()).start_at


def test_night_across_a_clock_change_is_unmoved_because_one_offset_holds_for_the_whole_series():
    # open-meteo/open-meteo issues 488 and 1255: local times keep the offset of the moment of asking
    answer = forecast_tree()
    answer.update(utc_offset_seconds=7200)
    answer["hourly"]["time"] = [
        (datetime(2026, 10, 24, 12) + timedelta(hours=hour)).isoformat(timespec="minutes") for hour in range(168)
    ]
    forecast = read_tree(answer)
    assert forecast.start_at == datetime(2026, 10, 24, 10, tzinfo=UTC)
    assert not np.isnan(forecast.air_c).any()


def test_missing_model_suffix_is_understood():
    assert read("forecast_two_models_one_covering_2026-10-03.json").air_c.tolist() == [19.3, 20.0]


def test_of_several_models_the_coldest_counts():
    # recorded: three models, the first is the coldest in both hours
    assert read("forecast_multi_model_2026-10-03_subset.json").air_c.tolist() == [20.3, 21.1]


def test_unexpected_suffix_is_understood():
    answer = forecast_tree()
    for part in ("hourly", "hourly_units"):
        answer[part] = {
            name if name == "time" else f"{name}_icon_seamless_eps": value for name, value in answer[part].items()
        }
    assert read_tree(answer).air_c == pytest.approx(forecast_tree()["hourly"]["temperature_2m"])


def test_trailing_nulls_are_unknown_though_is_day_is_given():
    with pytest.raises(UpstreamTrouble, match="does not cover"):
        read("forecast_trailing_nulls_2026-10-18.json")
    answer = forecast_tree()
    answer["hourly"]["temperature_2m"][150:] = [None] * 18
    forecast = read_tree(answer)
    assert np.isnan(forecast.air_c[150:]).all()
    assert not np.isnan(forecast.air_c[:150]).any()


def test_array_of_several_places_is_in_the_order_asked():
    warm, cold = forecast_tree(), forecast_tree()
    cold["hourly"]["temperature_2m"] = [-9.0] * 168
    assert read_tree([warm, cold], place=1).air_c[0] == -9.0
    with pytest.raises(UpstreamTrouble, match="not the one asked"):
        read_tree([warm], place=1)


def test_negative_zero_is_zero():
    answer = forecast_tree()
    answer["hourly"]["temperature_2m"][0] = -0.0
    assert read_tree(answer).air_c[0] == 0.0


@pytest.mark.parametrize(
    ("name", "unit"),
    [("temperature_2m", "furlong"), ("temperature_2m", None)],
)
def test_unknown_unit_of_the_temperature_is_refused(name, unit):
    answer = forecast_tree()
    answer["hourly_units"][name] = unit
    with pytest.raises(UpstreamTrouble):
        read_tree(answer)


def test_unknown_unit_of_the_wind_is_named_and_left_out():
    answer = forecast_tree()
    answer["hourly_units"]["wind_speed_10m"] = "furlong"
    forecast = read_tree(answer)
    assert np.isnan(forecast.wind_mps).all()
    assert any("furlong" in warning for warning in forecast.warnings)


def test_undefined_series_is_left_out_silently():
    answer = forecast_tree()
    answer["hourly_units"]["cloud_cover"] = "undefined"
    forecast = read_tree(answer)
    assert np.isnan(forecast.cloud_fraction).all()
    assert forecast.warnings == ()


def test_fahrenheit_and_miles_are_converted():
    answer = forecast_tree()
    answer["hourly_units"].update(temperature_2m="°F", wind_speed_10m="mp/h")
    answer["hourly"].update(temperature_2m=[32.0] * 168, wind_speed_10m=[10.0] * 168)
    forecast = read_tree(answer)
    assert forecast.air_c[0] == pytest.approx(0.0)
    assert forecast.wind_mps[0] == pytest.approx(4.4704)  # exact: mile and hour


BROKEN = {
    "bare-nan": body("open_meteo/outside_coverage_nan_body.txt"),
    "no-variables": body("open_meteo/forecast_no_variables_requested.json"),
    "empty": b"",
    "streaming-error": packed(forecast_tree())[:-200] + b"Unexpected error while streaming data",
    "list": b"[]",
    "number": b"7",
    "nested": b"[" * 100_000,
    "not-utf-8": b'{"a": "\xff"}',
    "said-error": b'{"error": true, "reason": "No data is available for this location"}',
    "far-times": packed({"hourly": {"time": [0, 3_900_000_000], "temperature_2m": [1, 2]}}),
}


@pytest.mark.parametrize("broken", BROKEN.values(), ids=BROKEN.keys())
def test_broken_answer_is_trouble_and_no_traceback(broken):
    with pytest.raises(UpstreamTrouble):
        read_forecast(broken, fetched_at=NOW)


# ------------------------------------------------------------------------------------------------ ensembles

START = datetime(2026, 10, 3, 0, tzinfo=UTC)


def test_recorded_spread_is_widened_by_what_the_ensemble_cannot_see():
    # recorded spread 0.4 and 0.3 K; own choice: sqrt(spread² + 1.5²)
    found = read_spread(
        body("open_meteo/ensemble_mean_spread_2026-10-03_subset.json"), start_at=START + timedelta(hours=18), hours=4
    )
    assert found.spread_c[1:3] == pytest.approx([np.hypot(0.4, 1.5), np.hypot(0.3, 1.5)])
    assert np.isnan(found.spread_c[[0, 3]]).all()


def test_recorded_members_are_counted_with_the_control_run():
    found = read_members(body("open_meteo/ensemble_21_members_2026-10-03_subset.json"), start_at=START, hours=2)
    assert found.members_c.shape == (21, 2)
    assert found.members_c[0].tolist() == [10.5, 10.1]


def long_ensemble(*, hours: int = 168, members: int = 50, known: int = 150):
    """Synthetic: no long recorded ensemble has a permissive licence; names as the documentation gives them."""
    times = [int(START.timestamp()) + 3600 * hour for hour in range(hours)]
    series = {"time": times, "temperature_2m": [5.0] * hours}
    for number in range(1, members + 1):
        values = [5.0 + number / 100] * known + [None] * (hours - known)
        series[f"temperature_2m_member{number:02}_ecmwf_ifs025_ensemble"] = values
    units = {name: "unixtime" if name == "time" else "°C" for name in series}
    return {"hourly": series, "hourly_units": units, "utc_offset_seconds": 0}


def test_long_synthetic_ensemble_with_nulls_past_its_horizon():
    found = read_members(packed(long_ensemble()), start_at=START, hours=168)
    assert found.members_c.shape == (51, 168)
    assert np.isnan(found.members_c[1:, 150:]).all()
    assert not np.isnan(found.members_c[:, :150]).any()


# ------------------------------------------------------------------------------------------------ asking


def test_off_without_a_key_or_declared_non_commercial_use(http, web):
    source = OpenMeteo(http)
    assert not source.covers(BERLIN)
    with pytest.raises(UpstreamTrouble, match="non-commercial") as trouble:
        Memory().update(source, BERLIN, NOW)
    assert trouble.value.is_lasting
    assert web.calls.call_count == 0


def test_declared_non_commercial_use_asks_the_free_host_in_gmt(http, web):
    source, memory = OpenMeteo(http, is_non_commercial=True), Memory()
    memory.update(source, BERLIN, NOW)
    asked = dict(web.calls.last.request.url.params)
    assert asked["timezone"] == "GMT"
    assert asked["timeformat"] == "unixtime"
    assert asked["wind_speed_unit"] == "ms"
    assert asked["elevation"] == "45"
    assert asked["latitude"] == "52.52"
    assert memory.read(source, BERLIN).hours == 168


def test_key_goes_in_a_header_to_the_paid_host_and_into_no_log(http, web, caplog):
    caplog.set_level(logging.DEBUG)
    source = OpenMeteo(http, api_key=KEY)
    Memory().update(source, BERLIN, NOW)
    request = web.calls.last.request
    assert request.url.host == "customer-api.open-meteo.com"
    assert request.headers["X-Api-Key"] == KEY
    assert KEY not in str(request.url)
    assert KEY not in caplog.text
    assert KEY not in repr(source)


def test_redirect_that_would_carry_the_key_is_not_followed(http, web):
    target = f"https://elsewhere.example/v1/forecast?apikey={KEY}"
    web.get(PAID).mock(return_value=httpx.Response(302, headers={"Location": target}))
    elsewhere = web.get(url__startswith="https://elsewhere.example")
    with pytest.raises(UpstreamTrouble, match="another host") as trouble:
        Memory().update(OpenMeteo(http, api_key=KEY), BERLIN, NOW)
    assert trouble.value.is_lasting
    assert KEY not in str(trouble.value)
    assert not elsewhere.called


@pytest.mark.parametrize("status", [400, 401, 403, 429, 500])
def test_key_is_in_no_message(http, web, status):
    reason = "The supplied API key is invalid."
    web.get(PAID).mock(return_value=httpx.Response(status, headers=JSON, json={"error": True, "reason": reason}))
    with pytest.raises(UpstreamTrouble) as trouble:
        Memory().update(OpenMeteo(http, api_key=KEY), BERLIN, NOW)
    assert KEY not in f"{trouble.value!r} {trouble.value.__cause__!r}"
    assert reason in str(trouble.value)
    assert trouble.value.is_lasting is (status < 429)


@pytest.mark.parametrize(
    ("reason", "wait"),
    [
        ("Minutely API request limit exceeded. Please try again in one minute.", timedelta(minutes=1)),
        ("Hourly API request limit exceeded. Please try again in the next hour.", timedelta(hours=1)),
        ("Daily API request limit exceeded. Please try again tomorrow.", timedelta(days=1)),
        ("Too many concurrent requests", timedelta(minutes=1)),
        ("", timedelta(minutes=10)),
    ],
    ids=["minute", "hour", "day", "concurrent", "unsaid"],
)
def test_limit_is_waited_for_as_long_as_its_word_says(http, web, reason, wait):
    web.get(FREE).mock(return_value=httpx.Response(429, headers=JSON, json={"error": True, "reason": reason}))
    with pytest.raises(UpstreamTrouble) as trouble:
        Memory().update(OpenMeteo(http, is_non_commercial=True), BERLIN, NOW)
    assert trouble.value.retry_after == wait


@pytest.mark.parametrize(
    "reply",
    [
        httpx.Response(502, headers={"Content-Type": "text/html"}, content=b"<html>Bad Gateway"),
        httpx.Response(503, headers=JSON, json={"error": True, "reason": "The service is overloaded"}),
        *(httpx.Response(200, headers=JSON, content=broken) for broken in BROKEN.values()),
    ],
    ids=["502-html", "503", *BROKEN],
)
def test_trouble_keeps_the_stored_forecast(http, web, reply):
    source, memory = OpenMeteo(http, is_non_commercial=True), Memory()
    memory.update(source, BERLIN, NOW)
    web.get(FREE).mock(return_value=reply)
    with pytest.raises(UpstreamTrouble):
        memory.update(source, BERLIN, LATER)
    assert memory.read(source, BERLIN).hours == 168


def test_304_is_understood_should_it_ever_come(http, web):
    source, memory = OpenMeteo(http, is_non_commercial=True), Memory()
    headers = {**JSON, "ETag": '"run-06"'}
    web.get(FREE).mock(return_value=httpx.Response(200, headers=headers, content=body(FORECAST)))
    memory.update(source, BERLIN, NOW)
    web.get(FREE).mock(return_value=httpx.Response(304))
    (answer,) = memory.update(source, BERLIN, LATER)
    assert web.calls.last.request.headers["If-None-Match"] == '"run-06"'
    assert answer.ask_again_at > LATER
    assert memory.read(source, BERLIN).hours == 168


def test_ensemble_refused_for_good_is_told_even_beside_a_forecast(http, web):
    web.get(FREE_ENSEMBLE).mock(return_value=httpx.Response(403, headers=JSON, json={"reason": "plan too small"}))
    source = OpenMeteo(http, is_non_commercial=True, ensemble=Ensemble.SPREAD)
    with pytest.raises(UpstreamTrouble, match="plan too small"):
        Memory().update(source, BERLIN, NOW)


def test_site_never_asked_about_has_no_forecast(http):
    assert Memory().read(OpenMeteo(http, is_non_commercial=True), BERLIN) is None


def test_answer_without_temperatures_is_refused():
    answer = forecast_tree()
    del answer["hourly"]["temperature_2m"]
    with pytest.raises(UpstreamTrouble, match="without temperatures"):
        read_tree(answer)


def test_ensemble_of_other_hours_leaves_the_forecast_without_spread():
    found = read_spread(body("open_meteo/ensemble_mean_spread_2026-10-03_subset.json"), start_at=NOW, hours=24)
    assert np.isnan(found.spread_c).all()


def test_asked_every_three_hours_at_most(http, web):
    source, memory = OpenMeteo(http, is_non_commercial=True), Memory()
    memory.update(source, BERLIN, NOW)
    assert memory.update(source, BERLIN, NOW + timedelta(hours=3)) == ()
    assert web.calls.call_count == 1
    memory.update(source, BERLIN, LATER)
    assert web.calls.call_count == 2


@pytest.mark.parametrize("ensemble", [Ensemble.SPREAD, Ensemble.MEMBERS])
def test_ensemble_is_asked_beside_the_forecast_and_its_failure_does_not_cost_it(http, web, ensemble):
    source = OpenMeteo(http, is_non_commercial=True, ensemble=ensemble)
    web.get(FREE_ENSEMBLE).mock(return_value=httpx.Response(503))
    memory = Memory()
    assert len(memory.update(source, BERLIN, NOW)) == 1
    answer = long_ensemble()
    start = int(datetime(2021, 11, 23, 23, tzinfo=UTC).timestamp())
    answer["hourly"]["time"] = [start + 3600 * hour for hour in range(168)]
    answer["hourly"]["temperature_2m_spread"] = [0.5] * 168
    answer["hourly_units"]["temperature_2m_spread"] = "K"
    web.get(FREE_ENSEMBLE).mock(return_value=httpx.Response(200, headers=JSON, content=packed(answer)))
    assert len(memory.update(source, BERLIN, NOW + timedelta(minutes=2))) == 1
    forecast = memory.read(source, BERLIN)
    if ensemble is Ensemble.SPREAD:
        assert forecast.spread_c[0] == pytest.approx(np.hypot(0.5, 1.5))
    else:
        assert forecast.members_c.shape == (51, 168)
