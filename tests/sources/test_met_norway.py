"""MET Norway: a recorded answer, its terms of service and status codes (api.met.no/doc)."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import httpx
import numpy as np
import pytest
import respx

from carewatch.errors import UpstreamTrouble
from carewatch.sources.met_norway import DEPRECATED, MetNorway, read_complete, site_key
from carewatch.weather.forecast import Grade
from tests.sources.recordings import (
    BERLIN,
    LONDON,
    MET_NOW,
    Memory,
    client,
    met_headers,
    met_tree,
    packed,
    site,
    tree,
)

URL = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
OSLO = site(lat_deg=59.91, lon_deg=10.75, elevation_m=20, zone="Europe/Oslo", id="fjord-shed")
LATER = MET_NOW + timedelta(hours=2)
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def met():
    with client() as http:
        yield MetNorway(http, installation="test")


@pytest.fixture
def route():
    with respx.mock(assert_all_called=False) as mocked:
        route = mocked.get(URL)
        route.mock(return_value=httpx.Response(200, headers=met_headers(), content=packed(met_tree())))
        yield route


@pytest.fixture
def known(met, route):
    memory = Memory()
    memory.update(met, LONDON, MET_NOW)
    return memory


def read(answer):
    return read_complete(packed(answer), site=LONDON, fetched_at=MET_NOW)


def steps(answer):
    return answer["properties"]["timeseries"]


# ------------------------------------------------------------------------------------------------ reading


def test_recorded_answer_reads_as_hours():
    # expected: read by eye from the recorded file (London, 2020-07-20)
    forecast = read(met_tree())
    assert forecast.start_at == datetime(2020, 7, 20, 11, tzinfo=UTC)
    assert forecast.end_at == datetime(2020, 7, 29, 6, tzinfo=UTC)
    assert forecast.issued_at == datetime(2020, 7, 20, 1, 30, 57, tzinfo=UTC)
    assert (forecast.air_c[0], forecast.dew_c[0], forecast.wind_mps[0]) == (18.8, 7.2, 2.3)
    assert forecast.cloud_fraction[0] == pytest.approx(0.125)
    assert forecast.elevation_m == 25.0
    assert forecast.is_height_corrected
    assert forecast.spread_c is None
    assert "MET Norway" in forecast.licence


def test_last_steps_without_periods_are_read():
    answer = met_tree()
    assert "next_1_hours" not in steps(answer)[-1]["data"]
    assert "next_6_hours" not in steps(answer)[-1]["data"]
    assert read(answer).air_c[-1] == 17.4


def test_six_hour_minimum_of_the_later_part_is_kept():
    forecast = read(met_tree())
    late = [low for low in forecast.minima if low.start_at == datetime(2020, 7, 23, 0, tzinfo=UTC)]
    assert [(low.air_c, low.end_at) for low in late] == [(11.8, datetime(2020, 7, 23, 6, tzinfo=UTC))]


def test_six_hour_minima_do_not_overlap():
    # recorded: every hour of the first part has a window of its own; one in six is kept
    minima = read(met_tree()).minima
    assert all(low.start_at.hour in (0, 6, 12, 18) for low in minima)
    assert all(one.end_at == next_.start_at for one, next_ in pairwise(minima))
    assert minima[0].start_at == datetime(2020, 7, 20, 12, tzinfo=UTC)


def test_hours_between_six_hour_steps_are_filled_in_and_said():
    forecast = read(met_tree())
    first = int((datetime(2020, 7, 23, 0, tzinfo=UTC) - forecast.start_at) / timedelta(hours=1))
    between = np.interp(3, (0, 6), (forecast.air_c[first], forecast.air_c[first + 6]))
    assert forecast.air_c[first + 3] == pytest.approx(between)
    assert sum("filled in" in warning for warning in forecast.warnings) == 1


def test_rain_of_six_hours_is_spread_and_not_multiplied():
    answer = met_tree()
    for step in steps(answer):
        for period in ("next_1_hours", "next_6_hours"):
            if period in step["data"]:
                step["data"][period]["details"]["precipitation_amount"] = 0.0
    steps(answer)[56]["data"]["next_6_hours"]["details"]["precipitation_amount"] = 6.6
    assert np.nansum(read(answer).rain_mm) == pytest.approx(6.6)


def test_compact_answer_leaves_the_dew_point_unknown():
    answer = tree("met_norway/compact_40.7_-74.0_alt10_2020-07-20.json")["data"]
    forecast = read(answer)
    assert np.isnan(forecast.dew_c).all()
    assert not np.isnan(forecast.air_c).any()


def test_percentiles_where_given_become_a_spread():
    # synthetic: no recorded Nordic answer with percentiles has a permissive licence; key names as documented
    answer = met_tree()
    for step in steps(answer)[:40]:
        details = step["data"]["instant"]["details"]
        details["air_temperature_percentile_10"] = details["air_temperature"] - 1.2816
        details["air_temperature_percentile_90"] = details["air_temperature"] + 1.2816
    forecast = read(answer)
    # expected: 10 and 90 % of the standard normal law lie at -1.2816 and +1.2816 (any table of it)
    assert forecast.spread_c[:40] == pytest.approx(np.ones(40), abs=1e-3)
    assert np.isnan(forecast.spread_c[40:]).all()


@pytest.mark.parametrize("value", [None, True, "warm", 4000.0, math.pi * 1e300])
def test_strange_temperature_of_an_hour_is_no_number(value):
    answer = met_tree()
    steps(answer)[3]["data"]["instant"]["details"]["air_temperature"] = value
    forecast = read(answer)
    assert forecast.air_c[3] == pytest.approx((forecast.air_c[2] + forecast.air_c[4]) / 2)


def test_unknown_unit_is_refused_not_guessed():
    answer = met_tree()
    answer["properties"]["meta"]["units"]["air_temperature"] = "kelvin"
    with pytest.raises(UpstreamTrouble, match="temperatures"):
        read(answer)


@pytest.mark.parametrize(
    "broken",
    [
        b"",
        b"nonsense",
        b"[]",
        b"{}",
        b'{"properties":{"timeseries":[]}}',
        b'{"properties":{"timeseries":[{"time":1}]}}',
    ],
    ids=["empty", "text", "list", "object", "no-steps", "no-time"],
)
def test_garbage_is_trouble_and_no_traceback(broken):
    with pytest.raises(UpstreamTrouble):
        read_complete(broken, site=LONDON, fetched_at=MET_NOW)


def test_answer_without_a_time_of_issue_is_refused():
    answer = met_tree()
    del answer["properties"]["meta"]["updated_at"]
    with pytest.raises(UpstreamTrouble, match="when it was made"):
        read(answer)


def test_answer_over_many_years_is_refused():
    answer = met_tree()
    steps(answer)[-1]["time"] = "2090-01-01T00:00:00Z"
    with pytest.raises(UpstreamTrouble, match="cannot be right"):
        read(answer)


def test_rain_without_a_known_unit_is_unknown():
    answer = met_tree()
    del answer["properties"]["meta"]["units"]["precipitation_amount"]
    assert np.isnan(read(answer).rain_mm).all()


def test_site_never_asked_about_has_no_forecast(met):
    assert Memory().read(met, LONDON) is None


@pytest.mark.parametrize(("at", "grade"), [(OSLO, Grade.OFFICIAL), (LONDON, Grade.RAW), (BERLIN, Grade.RAW)])
def test_only_the_nordic_area_counts_as_locally_corrected(met, at, grade):
    assert met.grade(at) is grade
    assert met.covers(at)


# ------------------------------------------------------------------------------------------------ asking


def test_question_names_us_and_the_place_with_four_decimals_and_whole_metres(met, route):
    Memory().update(met, site(lat_deg=51.50001234, lon_deg=-0.12345678, elevation_m=24.6), MET_NOW)
    request = route.calls.last.request
    assert dict(request.url.params) == {"lat": "51.5", "lon": "-0.1235", "altitude": "25"}
    assert request.headers["User-Agent"] == "carewatch/0 (office@example.org)"
    assert "gzip" in request.headers["Accept-Encoding"]


def test_sites_on_the_same_rounded_place_share_an_answer(met, route, known):
    neighbour = site(lat_deg=51.500011, lon_deg=-0.100012, elevation_m=25.3, id="second-barn")
    assert site_key(neighbour) == site_key(LONDON)
    assert known.update(met, neighbour, MET_NOW + timedelta(minutes=1)) == ()


def test_nothing_is_asked_before_expires(met, route, known):
    (answer,) = known.by_key.values()
    assert answer.ask_again_at > MET_NOW + timedelta(minutes=31)
    assert known.update(met, LONDON, answer.ask_again_at - timedelta(seconds=1)) == ()
    assert route.call_count == 1


def test_next_question_is_spread_by_installation_and_never_on_the_hour(route):
    moments = set()
    for number in range(40):
        with client() as http:
            (answer,) = Memory().update(MetNorway(http, installation=str(number)), LONDON, MET_NOW.replace(minute=58))
        moments.add(answer.ask_again_at)
        assert answer.ask_again_at.minute != 0
    assert len(moments) > 20


def test_last_modified_goes_back_verbatim_and_304_keeps_the_body_and_moves_expires(met, route, known):
    (first,) = tuple(known.by_key.values())
    expires = {"Date": "Mon, 20 Jul 2020 13:45:00 GMT", "Expires": "Mon, 20 Jul 2020 15:45:00 GMT"}
    route.mock(return_value=httpx.Response(304, headers=expires))
    (second,) = known.update(met, LONDON, LATER)
    assert route.calls.last.request.headers["If-Modified-Since"] == "Mon, 20 Jul 2020 11:44:31 GMT"
    assert second.body == first.body
    assert second.ask_again_at > LATER + timedelta(hours=2)
    assert known.read(met, LONDON).fetched_at == MET_NOW


def test_203_is_used_and_warned_of(met, route):
    route.mock(return_value=httpx.Response(203, headers=met_headers(), content=packed(met_tree())))
    memory = Memory()
    memory.update(met, LONDON, MET_NOW)
    assert DEPRECATED in memory.read(met, LONDON).warnings
    memory.update(met, LONDON, LATER)
    assert "If-Modified-Since" not in route.calls.last.request.headers


HTML = {"Content-Type": "text/html"}


@pytest.mark.parametrize(
    ("status", "is_lasting", "words"),
    [
        (400, True, "does not accept"),
        (401, True, "refuses us"),
        (403, True, "contact address"),
        (404, True, "coordinates"),
        (422, True, "coordinates"),
        (429, False, "slow down"),
        (499, False, "in trouble"),
        (500, False, "in trouble"),
        (502, False, "in trouble"),
        (503, False, "in trouble"),
        (504, False, "in trouble"),
    ],
)
def test_each_status_is_told_and_the_stored_forecast_stays(met, route, known, status, is_lasting, words):
    route.mock(return_value=httpx.Response(status, headers=HTML, content=b"<html>secret & not json</html>"))
    with pytest.raises(UpstreamTrouble, match=words) as trouble:
        known.update(met, LONDON, LATER)
    assert trouble.value.is_lasting is is_lasting
    assert "html" not in str(trouble.value)
    assert known.read(met, LONDON) is not None


@pytest.mark.parametrize(("asked_for", "minutes"), [(None, 10), ("5", 10), ("3600", 60)])
def test_throttling_is_obeyed_for_at_least_ten_minutes(met, route, asked_for, minutes):
    headers = {} if asked_for is None else {"Retry-After": asked_for}
    route.mock(return_value=httpx.Response(429, headers=headers))
    with pytest.raises(UpstreamTrouble) as trouble:
        Memory().update(met, LONDON, MET_NOW)
    assert trouble.value.retry_after == timedelta(minutes=minutes)


@pytest.mark.parametrize(
    "reply",
    [
        httpx.Response(200, headers=JSON, content=b'{"cut": '),
        httpx.Response(200, headers=HTML, content=b"<html>maintenance</html>"),
        httpx.Response(200, headers=JSON, content=b"{}"),
        httpx.Response(200, content=packed(met_tree())),
    ],
    ids=["cut", "html", "empty", "no-type"],
)
def test_broken_answer_never_replaces_a_good_one(met, route, known, reply):
    route.mock(return_value=reply)
    with pytest.raises(UpstreamTrouble):
        known.update(met, LONDON, LATER)
    assert known.read(met, LONDON).air_c[0] == 18.8


@pytest.mark.parametrize(
    "error", [httpx.ConnectTimeout, httpx.ReadTimeout, httpx.ConnectError, httpx.RemoteProtocolError]
)
def test_network_trouble_is_told_in_our_words(met, route, error):
    route.mock(side_effect=error("secret detail"))
    with pytest.raises(UpstreamTrouble, match=r"api\.met\.no") as trouble:
        Memory().update(met, LONDON, MET_NOW)
    assert not trouble.value.is_lasting
    assert "secret" not in str(trouble.value)
