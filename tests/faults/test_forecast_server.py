"""The three services over real sockets on loopback: terms kept, and every fault bounded in time and size."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from carewatch.errors import UpstreamTrouble
from carewatch.sources.met_norway import MetNorway
from carewatch.sources.nws import NationalWeatherService
from carewatch.sources.open_meteo import Ensemble, Hosts, OpenMeteo
from carewatch.weather.join import join
from tests.faults.forecast_server import KINDS, ForecastServer
from tests.sources.recordings import NEBRASKA, Memory, client, site

NOW = datetime(2026, 10, 3, 18, 20, tzinfo=UTC)
SERVICES = ("nws", "met_norway", "open_meteo")
DEADLINE_S = 0.8


@pytest.fixture
def server():
    with ForecastServer(now=NOW, colder_c=12.0) as running:
        yield running


@pytest.fixture
def sources(server):
    with client(deadline_s=DEADLINE_S) as http:
        yield {
            "nws": NationalWeatherService(http, base_url=server.url),
            "met_norway": MetNorway(http, base_url=server.url),
            "open_meteo": OpenMeteo(
                http,
                is_non_commercial=True,
                ensemble=Ensemble.SPREAD,
                hosts=Hosts(forecast=server.url, ensemble=server.url),
            ),
        }


@pytest.mark.parametrize("service", SERVICES)
def test_recorded_answers_are_current_and_read(sources, service):
    memory = Memory()
    assert memory.update(sources[service], NEBRASKA, NOW)
    forecast = memory.read(sources[service], NEBRASKA)
    assert forecast.age_h(NOW) < 7
    weather = join(NEBRASKA, [forecast], now=NOW, nights=5)
    assert [night.is_usable for night in weather.nights] == [True] * 5


def test_daily_course_stays_in_place(sources):
    memory = Memory()
    memory.update(sources["nws"], NEBRASKA, NOW)
    forecast = memory.read(sources["nws"], NEBRASKA)
    local_hours = [(forecast.start_at + timedelta(hours=i)).astimezone(NEBRASKA.tz).hour for i in range(forecast.hours)]
    night = [c for c, hour in zip(forecast.air_c, local_hours, strict=True) if 2 <= hour < 8]
    noon = [c for c, hour in zip(forecast.air_c, local_hours, strict=True) if 12 <= hour < 17]
    assert np.mean(night) < np.mean(noon) - 3


@pytest.mark.parametrize("service", ["nws", "met_norway"])
def test_second_question_is_conditional_and_unchanged(server, sources, service):
    memory = Memory()
    before = memory.update(sources[service], NEBRASKA, NOW)
    later = NOW + timedelta(days=1, minutes=30)
    after = memory.update(sources[service], NEBRASKA, later)
    assert [answer.body for answer in after] == [answer.body for answer in before]
    assert all(answer.ask_again_at > later for answer in after)
    assert all("if-modified-since" in request.headers for request in server.asked(service)[len(before) :])


def test_place_outside_the_united_states_is_not_covered(sources):
    memory = Memory()
    abroad = site(lat_deg=51.0, lon_deg=-100.0)
    memory.update(sources["nws"], abroad, NOW)
    assert memory.read(sources["nws"], abroad) is None


def test_official_messages_come_over_the_line(sources):
    memory, nws = Memory(), sources["nws"]
    memory.keep(nws.update_alerts(NEBRASKA, now=NOW, recall=memory.recall))
    assert any("Freeze Warning" in text for text in nws.alerts(NEBRASKA, now=NOW, recall=memory.recall))


FAULTS = [(service, kind) for service in SERVICES for kind in KINDS if kind not in ("203", "stale")]


@pytest.mark.parametrize(("service", "kind"), FAULTS, ids=[f"{service}-{kind}" for service, kind in FAULTS])
def test_fault_is_bounded_told_and_costs_no_stored_forecast(server, sources, service, kind):
    source, memory = sources[service], Memory()
    memory.update(source, NEBRASKA, NOW)
    issued_at = memory.read(source, NEBRASKA).issued_at
    server.faults.set(service, kind)
    began = time.perf_counter()
    with pytest.raises(UpstreamTrouble) as trouble:
        memory.update(source, NEBRASKA, NOW + timedelta(days=1))
    assert time.perf_counter() - began < DEADLINE_S + 1.0
    assert any(
        name in str(trouble.value) for name in ("127.0.0.1", "National Weather Service", "MET Norway", "Open-Meteo")
    )
    assert memory.read(source, NEBRASKA).issued_at == issued_at


@pytest.mark.parametrize("service", ["nws", "met_norway"])
def test_stale_forecast_never_reassures(server, sources, service):
    server.faults.set(service, "stale")
    memory = Memory()
    memory.update(sources[service], NEBRASKA, NOW)
    weather = join(NEBRASKA, [memory.read(sources[service], NEBRASKA)], now=NOW)
    assert not any(night.is_usable for night in weather.nights)


def test_fault_ends_and_the_next_question_heals(server, sources):
    memory = Memory()
    server.faults.set("met_norway", "500", count=1)
    with pytest.raises(UpstreamTrouble):
        memory.update(sources["met_norway"], NEBRASKA, NOW)
    assert memory.update(sources["met_norway"], NEBRASKA, NOW)


def test_second_service_serves_while_the_first_is_down(server, sources):
    memories = {name: Memory() for name in SERVICES}
    server.faults.set("nws", "503")
    with pytest.raises(UpstreamTrouble):
        memories["nws"].update(sources["nws"], NEBRASKA, NOW)
    memories["met_norway"].update(sources["met_norway"], NEBRASKA, NOW)
    found = [memories[name].read(sources[name], NEBRASKA) for name in ("nws", "met_norway")]
    weather = join(NEBRASKA, [forecast for forecast in found if forecast], now=NOW)
    assert weather.forecast.source == "met_norway"
    assert weather.nights[0].is_usable
