"""The US National Weather Service: recorded answers and the faults seen in its issue threads (weather-gov/api)."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import httpx
import numpy as np
import pytest
import respx

from carewatch.errors import UpstreamTrouble
from carewatch.sources.nws import NationalWeatherService, points_key
from carewatch.sources.nws_alerts import read_alerts
from carewatch.sources.nws_grid import holds, read_cell, read_grid
from carewatch.weather.forecast import Grade
from tests.sources.recordings import (
    LONDON,
    NEBRASKA,
    NWS_NOW,
    Memory,
    body,
    client,
    grid_tree,
    packed,
    site,
    tree,
)

POINTS = "https://api.weather.gov/points/41.212,-96.623"
GRID = "https://api.weather.gov/gridpoints/OAX/59,58"
GEO = {"Content-Type": "application/geo+json"}
PROBLEM = {"Content-Type": "application/problem+json", "X-Correlation-Id": "7f1c"}
LATER = NWS_NOW + timedelta(hours=2)


def problem(kind: str, status: int) -> httpx.Response:
    content = {"type": f"https://api.weather.gov/problems/{kind}", "title": kind, "status": status}
    return httpx.Response(status, headers=PROBLEM, json=content)


def ok(content: bytes, **headers: str) -> httpx.Response:
    return httpx.Response(200, headers={**GEO, **headers}, content=content)


@pytest.fixture
def nws():
    with client() as http:
        yield NationalWeatherService(http, installation="test")


@pytest.fixture
def web():
    with respx.mock(assert_all_called=False) as mocked:
        mocked.get(POINTS).mock(return_value=ok(body("nws/points_nebraska.json")))
        mocked.get(GRID).mock(return_value=ok(body("nws/gridpoints_raw_OAX_59_58.json")))
        yield mocked


@pytest.fixture
def known(nws, web):
    """A memory that holds a cell and its forecast."""
    memory = Memory()
    memory.update(nws, NEBRASKA, NWS_NOW)
    return memory


# ------------------------------------------------------------------------------------------------ reading


def grid(**changes):
    answer = grid_tree()
    answer["properties"].update(changes)
    return read_grid(packed(answer), fetched_at=NWS_NOW)


def layer(unit: str | None, *values: tuple[str, object]):
    steps = [{"validTime": time, "value": value} for time, value in values]
    return {"values": steps} if unit is None else {"uom": unit, "values": steps}


def test_recorded_grid_reads_as_hours_with_elevation_and_night_minima():
    # expected: read by eye from the recorded file (eastern Nebraska, 2024-12-03)
    forecast = grid()
    assert forecast.start_at == datetime(2024, 12, 2, 20, tzinfo=UTC)
    assert forecast.end_at == datetime(2024, 12, 9, 22, tzinfo=UTC)
    assert forecast.issued_at == datetime(2024, 12, 3, 2, 36, 57, tzinfo=UTC)
    assert forecast.air_c[:3] == pytest.approx([-3.8889, -4.4444, -5.0], abs=1e-4)
    assert forecast.wind_mps[0] == pytest.approx(9 * 1852 / 3600)  # 9 knots
    assert forecast.cloud_fraction[:3] == pytest.approx([0.54, 0.76, 0.89])
    assert forecast.elevation_m == pytest.approx(367.8936)
    assert not forecast.is_height_corrected
    assert len(forecast.minima) == 8
    assert forecast.warnings == ()
    assert forecast.grade is Grade.OFFICIAL


def test_older_recording_without_frost_reads_too():
    forecast = read_grid(body("nws/pynws_detailed_forecast.json"), fetched_at=NWS_NOW)
    assert forecast.start_at == datetime(2022, 2, 3, 21, tzinfo=UTC)
    assert np.nanmin(forecast.air_c) > 0.0


def test_interval_of_two_days_fills_every_hour_of_it():
    forecast = grid(skyCover=layer("wmoUnit:percent", ("2024-12-03T00:00:00+00:00/P2DT15H", 40)))
    assert np.flatnonzero(~np.isnan(forecast.cloud_fraction)).tolist() == list(range(4, 4 + 63))


def test_minimum_below_the_hours_is_kept_with_its_interval():
    # recorded: on 7 of 7 nights the service's minimum lies 0.5 to 1.7 °C below its hours
    forecast = grid()
    differences = []
    for low in forecast.minima[:7]:
        first = int((low.start_at - forecast.start_at) / timedelta(hours=1))
        hours_c = forecast.air_c[first : first + int((low.end_at - low.start_at) / timedelta(hours=1))]
        differences.append(np.nanmin(hours_c) - low.air_c)
    assert min(differences) > 0.5
    assert max(differences) < 1.7


def test_precipitation_total_is_not_multiplied_by_its_hours():
    forecast = grid(quantitativePrecipitation=layer("wmoUnit:mm", ("2024-12-03T00:00:00+00:00/PT6H", 6.6)))
    assert np.nansum(forecast.rain_mm) == pytest.approx(6.6)


def test_old_unit_prefix_is_understood():
    assert grid(dewpoint=layer("unit:degC", ("2024-12-03T00:00:00+00:00/PT1H", -9.0))).dew_c[4] == -9.0


@pytest.mark.parametrize(
    ("name", "broken", "word"),
    [
        ("dewpoint", {"values": []}, None),
        ("dewpoint", None, None),
        ("dewpoint", layer("wmoUnit:furlong", ("2024-12-03T00:00:00+00:00/PT1H", 1)), "unit furlong is unknown"),
        ("dewpoint", layer(None, ("2024-12-03T00:00:00+00:00/PT1H", 1)), "unit is missing"),
        ("dewpoint", layer("wmoUnit:degC", ("2024-12-03T00:00:00+00:00/P1M", 1)), "could not be read"),
        ("dewpoint", layer("wmoUnit:degC", ("NOW/PT1H", 1)), "could not be read"),
        ("windSpeed", layer("wmoUnit:km_h-1", ("2024-12-03T00:00:00+00:00/PT1H", None)), None),
        ("skyCover", "cloudy", None),
    ],
    ids=["empty", "absent", "unknown-unit", "no-unit", "a-month", "the-word-now", "null", "not-a-layer"],
)
def test_broken_layer_is_unknown_and_named_while_the_rest_stays(name, broken, word):
    forecast = grid(**{name: broken})
    series = {"dewpoint": forecast.dew_c, "windSpeed": forecast.wind_mps, "skyCover": forecast.cloud_fraction}[name]
    assert np.isnan(series).all()
    assert not np.isnan(forecast.air_c).any()
    assert word is None or any(word in warning for warning in forecast.warnings)


@pytest.mark.parametrize(
    "temperature",
    [
        {"values": []},
        None,
        layer("wmoUnit:furlong", ("2024-12-03T00:00:00+00:00/PT1H", 1)),
        layer("wmoUnit:degC", ("2024-12-03T00:00:00+00:00/P7D", None)),
        layer("wmoUnit:degC", ("2024-12-03T00:00:00+00:00/P7D", 4000.0)),
        layer("wmoUnit:degC", ("2024-12-03T00:00:00+00:00/PT1H", 1), ("2094-12-03T00:00:00+00:00/PT1H", 1)),
    ],
    ids=["empty", "absent", "unknown-unit", "all-null", "thousands", "seventy-years"],
)
def test_without_believable_temperatures_there_is_no_forecast(temperature):
    with pytest.raises(UpstreamTrouble):
        grid(temperature=temperature)


def test_impossible_hour_is_left_out_and_named():
    answer = grid_tree()
    answer["properties"]["temperature"]["values"][5]["value"] = 4000.0
    forecast = read_grid(packed(answer), fetched_at=NWS_NOW)
    assert np.nanmax(forecast.air_c) < 30.0
    assert any("impossible" in warning for warning in forecast.warnings)
    assert any("filled in" in warning for warning in forecast.warnings)


@pytest.mark.parametrize("name", ["points_nebraska", "points_newer_shape_2026", "pynws_points"])
def test_every_recorded_shape_of_points_names_a_cell(name):
    cell = read_cell(body(f"nws/{name}.json"))
    properties = tree(f"nws/{name}.json")["properties"]
    assert cell is not None
    assert properties["forecastGridData"].endswith(cell.path)


def test_cell_is_taken_from_the_grid_and_not_from_the_county_warning_area():
    answer = tree("nws/points_nebraska.json")
    answer["properties"]["cwa"] = "XXX"
    assert read_cell(packed(answer)).office == "OAX"


def test_points_without_a_grid_mean_not_covered():
    answer = tree("nws/points_nebraska.json")
    answer["properties"].update(gridId=None, gridX=None, gridY=None, forecastGridData=None)
    assert read_cell(packed(answer)) is None


def test_cell_address_on_a_foreign_path_is_refused():
    answer = tree("nws/points_nebraska.json")
    answer["properties"]["forecastGridData"] = "https://api.weather.gov/gridpoints/../../etc"
    with pytest.raises(UpstreamTrouble):
        read_cell(packed(answer))


# ------------------------------------------------------------------------------------------------ asking


def test_first_question_finds_the_cell_and_its_forecast(nws, web):
    memory = Memory()
    answers = memory.update(nws, NEBRASKA, NWS_NOW)
    assert [answer.key for answer in answers] == ["points/41.212,-96.623", "grid/OAX/59,58"]
    assert memory.read(nws, NEBRASKA).elevation_m == pytest.approx(367.8936)


def test_every_question_carries_our_name_and_the_wanted_type(nws, web, known):
    for call in web.calls:
        assert call.request.headers["User-Agent"] == "carewatch/0 (office@example.org)"
        assert call.request.headers["Accept"] == "application/geo+json"


def test_coordinates_have_at_most_four_decimals_and_no_trailing_zeros():
    assert points_key(site(lat_deg=41.2120049, lon_deg=-96.60)) == "points/41.212,-96.6"
    assert points_key(site(lat_deg=0.00001, lon_deg=-0.00001)) == "points/0,0"


def test_nothing_is_asked_before_its_time(nws, web, known):
    asked = web.calls.call_count
    assert known.update(nws, NEBRASKA, NWS_NOW + timedelta(minutes=50)) == ()
    assert web.calls.call_count == asked


def test_two_sites_in_one_cell_share_its_forecast(nws, web, known):
    neighbour = site(lat_deg=41.2105, lon_deg=-96.625, id="hill")
    web.get("https://api.weather.gov/points/41.2105,-96.625").mock(return_value=ok(body("nws/points_nebraska.json")))
    answers = known.update(nws, neighbour, NWS_NOW + timedelta(minutes=5))
    assert [answer.key for answer in answers] == ["points/41.2105,-96.625"]
    assert known.read(nws, neighbour) is not None


def test_expires_of_the_service_is_waited_for(nws, web):
    headers = {"Date": "Tue, 03 Dec 2024 02:45:00 GMT", "Expires": "Tue, 03 Dec 2024 06:00:00 GMT"}
    web.get(GRID).mock(return_value=ok(body("nws/gridpoints_raw_OAX_59_58.json"), **headers))
    grid_answer = Memory().update(nws, NEBRASKA, NWS_NOW)[1]
    assert datetime(2024, 12, 3, 6, tzinfo=UTC) < grid_answer.ask_again_at < datetime(2024, 12, 3, 6, 15, tzinfo=UTC)


def test_last_modified_in_the_future_goes_back_unchanged_and_304_keeps_the_body(nws, web):
    future = "Thu, 01 Jan 2099 00:00:00 GMT"
    web.get(GRID).mock(return_value=ok(body("nws/gridpoints_raw_OAX_59_58.json"), **{"Last-Modified": future}))
    memory = Memory()
    first = memory.update(nws, NEBRASKA, NWS_NOW)[1]
    route = web.get(GRID).mock(return_value=httpx.Response(304))
    second = memory.update(nws, NEBRASKA, LATER)[0]
    assert route.calls.last.request.headers["If-Modified-Since"] == future
    assert second.body == first.body
    assert second.fetched_at == first.fetched_at
    assert second.ask_again_at > LATER
    assert second.validators == {"last-modified": future}


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (problem("UnexpectedProblem", 500), "UnexpectedProblem (correlation id 7f1c)"),
        (problem("ForecastGridExpired", 503), "ForecastGridExpired"),
        (problem("ForecastMissingData", 503), "ForecastMissingData"),
        (httpx.Response(502, headers={"Content-Type": "text/html"}, content=b"<html>Bad Gateway"), "502"),
        (httpx.Response(504, content=b""), "504"),
        (httpx.Response(200, headers={"Content-Type": "text/html"}, content=b"<html>Access Denied"), "text/html"),
        (httpx.Response(429, content=b"<html>slow down"), "slow down"),
        (ok(b"{"), "not valid JSON"),
        (ok(b"[]"), "unknown shape"),
        (ok(b"{}"), "without a forecast"),
        (ok(packed({"properties": {"temperature": {"values": [1, None, "x"]}}})), "temperatures"),
    ],
    ids=[
        "500",
        "503-expired",
        "503-missing",
        "502-html",
        "504",
        "block-page",
        "429",
        "cut",
        "list",
        "empty",
        "no-steps",
    ],
)
def test_trouble_with_the_grid_is_told_and_the_stored_forecast_stays(nws, web, known, reply, words):
    web.get(GRID).mock(return_value=reply)
    before = known.read(nws, NEBRASKA)
    with pytest.raises(UpstreamTrouble, match=r".") as trouble:
        known.update(nws, NEBRASKA, LATER)
    assert words in str(trouble.value)
    assert not trouble.value.is_lasting
    assert known.read(nws, NEBRASKA).issued_at == before.issued_at


def test_problem_500_then_200_heals_at_the_next_question(nws, web, known):
    answer = grid_tree()
    answer["properties"]["updateTime"] = "2024-12-03T04:30:00+00:00"
    web.get(GRID).mock(side_effect=[problem("UnexpectedProblem", 500), ok(packed(answer))])
    with pytest.raises(UpstreamTrouble):
        known.update(nws, NEBRASKA, LATER)
    known.update(nws, NEBRASKA, LATER + timedelta(minutes=2))
    assert known.read(nws, NEBRASKA).issued_at == datetime(2024, 12, 3, 4, 30, tzinfo=UTC)


def test_missing_user_agent_refusal_is_lasting(nws, web):
    web.get(POINTS).mock(return_value=httpx.Response(403, content=b"forbidden"))
    with pytest.raises(UpstreamTrouble, match="contact address") as trouble:
        Memory().update(nws, NEBRASKA, NWS_NOW)
    assert trouble.value.is_lasting


def test_older_forecast_from_a_cache_never_replaces_a_newer_one(nws, web, known):
    answer = grid_tree()
    answer["properties"]["updateTime"] = "2024-12-01T02:00:00+00:00"
    web.get(GRID).mock(return_value=ok(packed(answer)))
    known.update(nws, NEBRASKA, LATER)
    assert known.read(nws, NEBRASKA).issued_at == datetime(2024, 12, 3, 2, 36, 57, tzinfo=UTC)
    assert known.recall("grid/OAX/59,58").ask_again_at > LATER


def test_place_outside_the_area_is_remembered_as_not_covered(nws, web):
    web.get(POINTS).mock(return_value=problem("InvalidPoint", 404))
    memory = Memory()
    answers = memory.update(nws, NEBRASKA, NWS_NOW)
    assert [answer.key for answer in answers] == [points_key(NEBRASKA)]
    assert memory.read(nws, NEBRASKA) is None
    assert memory.update(nws, NEBRASKA, NWS_NOW + timedelta(days=6)) == ()


def moved_points() -> bytes:
    return body("nws/points_nebraska.json").replace(b"OAX/59,58", b"OAX/70,71")


@pytest.mark.parametrize("how", ["404", "elsewhere"])
def test_renumbered_grid_is_looked_up_again(nws, web, known, how):
    elsewhere = grid_tree()
    elsewhere["geometry"]["coordinates"] = [[[-90.0, 30.0], [-90.0, 30.1], [-89.9, 30.1], [-89.9, 30.0], [-90.0, 30.0]]]
    gone = problem("NotFound", 404) if how == "404" else ok(packed(elsewhere))
    web.get(GRID).mock(return_value=gone)
    web.get(POINTS).mock(return_value=ok(moved_points()))
    web.get("https://api.weather.gov/gridpoints/OAX/70,71").mock(
        return_value=ok(body("nws/gridpoints_raw_OAX_59_58.json"))
    )
    answers = known.update(nws, NEBRASKA, LATER)
    assert [answer.key for answer in answers] == [points_key(NEBRASKA), "grid/OAX/70,71"]
    assert known.read(nws, NEBRASKA) is not None


def test_stored_cell_that_is_another_place_is_never_read_as_ours(nws, web, known):
    far = site(lat_deg=30.0, lon_deg=-90.0)
    known.by_key[points_key(far)] = known.by_key[points_key(NEBRASKA)]
    with pytest.raises(UpstreamTrouble, match="renumbered"):
        known.read(nws, far)


def test_marine_point_without_forecast_is_lasting_trouble(nws, web):
    web.get(GRID).mock(return_value=problem("MarineForecastNotSupported", 404))
    memory = Memory()
    with pytest.raises(UpstreamTrouble) as trouble:
        memory.update(nws, NEBRASKA, NWS_NOW)
    assert trouble.value.is_lasting


def test_cell_found_while_the_grid_fails_is_kept(nws, web):
    web.get(GRID).mock(return_value=problem("UnexpectedProblem", 500))
    memory = Memory()
    assert [answer.key for answer in memory.update(nws, NEBRASKA, NWS_NOW)] == [points_key(NEBRASKA)]
    with pytest.raises(UpstreamTrouble):
        memory.update(nws, NEBRASKA, NWS_NOW + timedelta(minutes=2))


def test_known_cell_serves_on_while_looking_it_up_fails(nws, web, known):
    web.get(POINTS).mock(return_value=problem("UnexpectedProblem", 500))
    tomorrow = NWS_NOW + timedelta(days=2)
    assert [answer.key for answer in known.update(nws, NEBRASKA, tomorrow)] == ["grid/OAX/59,58"]
    with pytest.raises(UpstreamTrouble):
        known.update(nws, NEBRASKA, tomorrow + timedelta(minutes=5))


@pytest.mark.parametrize(("lon_deg", "inside"), [(-96.6145, True), (-96.6090, True), (-96.6000, False)])
def test_site_at_the_edge_of_its_cell_is_served(lon_deg, inside):
    # recorded outline: eastern edge at -96.6148, 0.03 degrees wide
    assert holds(body("nws/gridpoints_raw_OAX_59_58.json"), site(lon_deg=lon_deg)) is inside


def test_service_that_names_a_cell_elsewhere_is_not_believed(nws, web):
    web.get("https://api.weather.gov/points/30,-90").mock(return_value=ok(body("nws/points_nebraska.json")))
    memory, far = Memory(), site(lat_deg=30.0, lon_deg=-90.0)
    memory.update(nws, far, NWS_NOW)
    with pytest.raises(UpstreamTrouble, match="cell elsewhere"):
        memory.update(nws, far, NWS_NOW + timedelta(minutes=2))
    assert memory.read(nws, far) is None


def test_forecast_of_an_unknown_place_is_none(nws):
    assert Memory().read(nws, NEBRASKA) is None
    assert nws.alerts(NEBRASKA, now=NWS_NOW, recall=Memory().recall) == ()


@pytest.mark.parametrize(
    ("lat_deg", "lon_deg", "inside"),
    [(41.2, -96.6, True), (61.2, -149.9, True), (21.3, -157.9, True), (18.4, -66.1, True), (13.5, 144.8, True),
     (51.5, -0.1, False), (-33.9, 151.2, False)],
    ids=["nebraska", "alaska", "hawaii", "puerto-rico", "guam", "london", "sydney"],
)  # fmt: skip
def test_area_is_judged_coarsely_before_anything_is_asked(nws, lat_deg, lon_deg, inside):
    assert nws.covers(site(lat_deg=lat_deg, lon_deg=lon_deg)) is inside


# ------------------------------------------------------------------------------------------------ alerts

ALERTS_NOW = datetime(2025, 12, 15, 22, 0, tzinfo=UTC)


def alerts(now=ALERTS_NOW, change=None):
    answer = tree("nws/alerts_active_freeze_subset.json")
    if change:
        change(answer["features"])
    return read_alerts(packed(answer), zone=NEBRASKA.tz, now=now)


def test_only_live_freeze_messages_are_mentioned():
    # recorded: a live warning, a new warning, a watch replaced by it and a watch cancelled, all four in "active"
    assert alerts() == (
        "US National Weather Service: Freeze Warning from Mon 18:00 until Tue 08:00.",
        "US National Weather Service: Freeze Warning from Tue 00:00 until Tue 08:00.",
    )


@pytest.mark.parametrize("action", ["CAN", "UPG", "EXP"])
def test_cancelled_watch_is_ignored_by_its_code_alone(action):
    def change(features):
        for feature in features:
            feature["properties"]["urgency"] = "Expected"
            codes = feature["properties"]["parameters"]["VTEC"]
            feature["properties"]["parameters"]["VTEC"] = [code.replace(code[3:6], action) for code in codes]

    assert alerts(change=change) == ()


def test_later_cancellation_ends_an_event_still_listed():
    def change(features):
        first = json.loads(json.dumps(features[0]))
        first["properties"]["sent"] = "2025-12-15T17:00:00-05:00"
        first["properties"]["parameters"]["VTEC"] = [
            code.replace(".CON.", ".CAN.") for code in first["properties"]["parameters"]["VTEC"]
        ]
        features.insert(0, first)

    assert alerts(change=change) == ("US National Weather Service: Freeze Warning from Tue 00:00 until Tue 08:00.",)


def test_past_event_is_over_although_its_message_is_listed():
    assert alerts(now=datetime(2025, 12, 16, 14, 1, tzinfo=UTC)) == ()


def test_message_that_expired_while_its_event_goes_on_counts():
    def change(features):
        for feature in features[:1]:
            feature["properties"]["expires"] = "2025-12-15T12:00:00-05:00"

    assert len(alerts(change=change)) == 2


def test_updates_of_one_event_are_mentioned_once():
    assert len(alerts(change=lambda features: features.extend(features[:2]))) == 2


def uncoded(features):
    for feature in features:
        del feature["properties"]["parameters"]["VTEC"]


def test_message_without_a_code_is_told_by_its_own_times():
    # the recording gives onset and end in Eastern time as well; the codes say the same in UTC
    assert alerts(change=uncoded) == alerts()


def test_message_already_running_or_without_end_is_told_without_that_time():
    def change(features):
        for feature, times in zip(features, ("000000T0000Z-251216T1400Z", "251216T0600Z-009999T0000Z"), strict=False):
            codes = feature["properties"]["parameters"]["VTEC"]
            feature["properties"]["parameters"]["VTEC"] = [code[:22] + times + "/" for code in codes]

    assert alerts(change=change) == (
        "US National Weather Service: Freeze Warning until Tue 08:00.",
        "US National Weather Service: Freeze Warning from Tue 00:00.",
    )


@pytest.mark.parametrize(
    ("name", "value"), [("messageType", "Cancel"), ("status", "Test"), ("event", "Flood Watch"), ("urgency", "Past")]
)
def test_message_that_is_no_live_freeze_message_is_ignored(name, value):
    def change(features):
        for feature in features:
            feature["properties"][name] = value

    assert alerts(change=change) == ()


def test_older_recorded_alerts_without_freeze_give_none():
    assert read_alerts(body("nws/pynws_alerts_active_zone.json"), zone=NEBRASKA.tz, now=ALERTS_NOW) == ()


def test_no_alert_is_an_answer_and_a_failed_question_is_not(nws, web):
    route = web.get("https://api.weather.gov/alerts/active", params={"point": "41.212,-96.623"})
    route.mock(return_value=ok(packed({"type": "FeatureCollection", "features": []})))
    memory = Memory()
    memory.keep(nws.update_alerts(NEBRASKA, now=NWS_NOW, recall=memory.recall))
    assert nws.alerts(NEBRASKA, now=NWS_NOW, recall=memory.recall) == ()
    assert nws.update_alerts(NEBRASKA, now=NWS_NOW + timedelta(minutes=10), recall=memory.recall) == ()
    route.mock(return_value=httpx.Response(500))
    with pytest.raises(UpstreamTrouble):
        nws.update_alerts(NEBRASKA, now=LATER, recall=memory.recall)
    stale = nws.alerts(NEBRASKA, now=LATER, recall=memory.recall)
    assert len(stale) == 1
    assert stale[0].startswith("US National Weather Service: official messages unknown since Mon 21:")


def test_london_is_never_asked_about():
    with client() as http:
        assert not NationalWeatherService(http).covers(LONDON)
