"""What weather stations near a site measured: recorded answers, and the oddities seen in them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import httpx
import numpy as np
import pytest
import respx

from carewatch.errors import UpstreamTrouble
from carewatch.sources.nws import NationalWeatherService
from carewatch.sources.nws_stations import nearest_station, read_observed
from tests.sources.recordings import NEBRASKA, NWS_NOW, Memory, body, client, packed, site, tree

API = "https://api.weather.gov"
STATIONS = "nws/pynws_gridpoints_stations_subset.json"
OBSERVED = "nws/observations_KFLG_2024-02-20.json"
COLUMBUS = site(lat_deg=39.99, lon_deg=-82.9, elevation_m=250.0, id="columbus")
GEO = {"Content-Type": "application/geo+json"}


def flagstaff_station():
    flagstaff = site(lat_deg=35.2, lon_deg=-111.65, elevation_m=2100.0)
    listed = tree(OBSERVED)
    listed["features"][0]["properties"] |= {"stationIdentifier": "KFLG", "name": "Flagstaff"}
    return nearest_station(packed(listed), flagstaff)


def test_the_nearest_station_of_the_recorded_list_and_its_distance():
    station = nearest_station(body(STATIONS), COLUMBUS)
    assert station.id == "KCMH"
    # 0.0231 degrees of longitude at 39.99 N: 0.0231 * cos(39.99°) * 111.19 km
    assert station.away_km == pytest.approx(0.02309 * np.cos(np.radians(39.99)) * 111.19, abs=0.02)


def test_a_station_too_far_or_too_high_is_none():
    assert nearest_station(body(STATIONS), NEBRASKA) is None
    assert nearest_station(body(STATIONS), site(lat_deg=39.99, lon_deg=-82.9, elevation_m=600.0)) is None


def test_the_recorded_observation_says_what_its_raw_report_says():
    """The METAR group T00671061 is 6.7 °C and a dew point of -6.1 °C; CLR is a clear sky (WMO-No. 306, FM 15)."""
    readings = read_observed(body(OBSERVED), flagstaff_station())
    assert readings.moments == (datetime(2024, 2, 20, 17, 57, tzinfo=UTC),)
    assert (readings.air_c[0], readings.dew_c[0], readings.cloud_fraction[0]) == (6.7, -6.1, 0.0)
    assert np.isnan(readings.wind_mps[0])
    assert not readings.is_at_site
    assert readings.by == "the weather station KFLG (Flagstaff), 8 km away"


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"unitCode": "unit:degF", "value": 28.4, "qualityControl": "qc:V"}, -2.0),
        ({"unitCode": "unit:degC", "value": "-1.5", "qualityControl": "qc:C"}, -1.5),  # numbers have come as text
        ({"unitCode": "wmoUnit:degC", "value": -1.5, "qualityControl": "X"}, None),
        ({"unitCode": "wmoUnit:degC", "value": None, "qualityControl": "Z"}, None),
        ({"unitCode": "wmoUnit:degC", "value": -100, "qualityControl": "V"}, None),
        ({"unitCode": "furlong", "value": 3, "qualityControl": "V"}, None),
    ],
)
def test_units_quality_marks_and_impossible_values(change, expected):
    told = tree(OBSERVED)
    told["features"][0]["properties"]["temperature"] = change
    readings = read_observed(packed(told), flagstaff_station())
    assert (None if readings is None else pytest.approx(readings.air_c[0])) == expected


def test_the_thickest_layer_of_cloud_counts():
    told = tree(OBSERVED)
    told["features"][0]["properties"]["cloudLayers"] = [{"amount": "FEW"}, {"amount": "BKN"}, {"amount": None}]
    assert read_observed(packed(told), flagstaff_station()).cloud_fraction[0] == 0.75


@pytest.mark.parametrize("garbage", [b"[]", b"null", b"<html>", b'{"features": 3}', b'{"features": [1, {"a": 2}]}'])
def test_garbage_is_no_reading_and_no_traceback(garbage):
    try:
        assert nearest_station(garbage, COLUMBUS) is None
        assert read_observed(garbage, flagstaff_station()) is None
    except UpstreamTrouble:
        pass


@respx.mock
def test_stations_are_looked_up_once_a_week_and_readings_asked_for_every_six_hours():
    memory = Memory()
    respx.get(f"{API}/points/39.99,-82.9").respond(
        200, headers=GEO, json={"properties": {"forecastGridData": f"{API}/gridpoints/ILN/85,81"}}
    )
    grid = body("nws/gridpoints_raw_OAX_59_58.json")
    respx.get(f"{API}/gridpoints/ILN/85,81").respond(200, headers=GEO, content=grid)
    listed = respx.get(f"{API}/gridpoints/ILN/85,81/stations").respond(200, headers=GEO, content=body(STATIONS))
    observed = respx.get(f"{API}/stations/KCMH/observations").respond(200, headers=GEO, content=body(OBSERVED))
    with client() as http:
        nws = NationalWeatherService(http, installation="test")
        assert nws.update_measured(COLUMBUS, now=NWS_NOW, recall=memory.recall) == ()  # the cell is not known yet
        memory.keep([nws._points(COLUMBUS, stored=None, now=NWS_NOW)])
        for hours in (0, 1, 5, 7):
            now = NWS_NOW + timedelta(hours=hours)
            memory.keep(nws.update_measured(COLUMBUS, now=now, recall=memory.recall))
        assert (listed.call_count, observed.call_count) == (1, 2)
        assert observed.calls[0].request.url.params["start"] == "2024-12-01T20:00:00Z"  # 30 h before, the full hour
        assert nws.measured(COLUMBUS, recall=memory.recall).air_c[0] == 6.7


@respx.mock
def test_an_answer_that_is_no_list_takes_the_place_of_nothing():
    memory = Memory()
    respx.get(f"{API}/points/39.99,-82.9").respond(
        200, headers=GEO, json={"properties": {"forecastGridData": f"{API}/gridpoints/ILN/85,81"}}
    )
    respx.get(f"{API}/gridpoints/ILN/85,81/stations").mock(return_value=httpx.Response(200, headers=GEO, json={}))
    with client() as http:
        nws = NationalWeatherService(http, installation="test")
        memory.keep([nws._points(COLUMBUS, stored=None, now=NWS_NOW)])
        with pytest.raises(UpstreamTrouble, match="no list"):
            nws.update_measured(COLUMBUS, now=NWS_NOW, recall=memory.recall)
