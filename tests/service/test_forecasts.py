"""Asking the services: backoff, lasting trouble, terms; and what they answer never reads as safe when it is garbage."""

from __future__ import annotations

from datetime import timedelta

import pytest

from carewatch.errors import UpstreamTrouble
from carewatch.service.forecasts import LASTING_WAIT, LONGEST_WAIT, ask_sources
from carewatch.service.forecasts import weather_of as weather_of_sites
from carewatch.service.gather import current_roster
from carewatch.store import answers, visits
from carewatch.weather.answer import Answer
from tests.service.farm import AFTERNOON, HOUR, Forecaster, Messenger, open_farm

MINUTE = timedelta(minutes=1)
DOWN = UpstreamTrouble("The service is in trouble (500).")


def opened(tmp_path, *sources):
    return open_farm(tmp_path, *sources)


def tries(farm, service: Forecaster, until: timedelta, *, every: timedelta = 5 * MINUTE) -> list[int]:
    """Minutes after the start at which the first site was really asked."""
    found = []
    for number in range(int(until / every)):
        before = service.asked.count("yard")
        farm.ask(AFTERNOON + number * every)
        if service.asked.count("yard") > before:
            found.append(round(number * every / MINUTE))
    return found


def weather_of(farm, at, site_id: str = "yard"):
    with farm.database.reading() as rx:
        site = current_roster(farm.work, rx).site(site_id)
        return weather_of_sites(farm.work, rx, (site,), now=at)[site.id]


def test_a_service_in_trouble_is_asked_ever_more_rarely(tmp_path):
    service = Forecaster(trouble=DOWN)
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        assert tries(farm, service, 2 * HOUR) == [0, 5, 10, 15, 25, 40, 70, 100]


def test_trouble_is_forgotten_with_the_first_answer(tmp_path):
    service = Forecaster(trouble=DOWN)
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        assert {words for _, _, words in farm.ask(AFTERNOON).troubles} == {str(DOWN)}
        service.trouble = None
        assert farm.ask(AFTERNOON + 5 * MINUTE).troubles == ()
        with farm.database.reading() as rx:
            assert visits.failing(rx) == ()


def test_lasting_trouble_rests_for_hours_and_is_told_at_every_round(tmp_path):
    service = Forecaster(trouble=UpstreamTrouble("refuses us (403)", is_lasting=True))
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        farm.ask(AFTERNOON)
        resting = farm.ask(AFTERNOON + LASTING_WAIT - MINUTE)
        assert (len(service.asked), len(resting.troubles)) == (2, 2)
        farm.ask(AFTERNOON + LASTING_WAIT)
        assert len(service.asked) == 4


def test_retry_after_is_obeyed_but_not_for_ever(tmp_path):
    service = Forecaster(trouble=UpstreamTrouble("slow down (429)", retry_after=40 * MINUTE))
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        assert tries(farm, service, 90 * MINUTE) == [0, 40, 80]
        service.trouble = UpstreamTrouble("slow down (429)", retry_after=timedelta(days=400))
        farm.ask(AFTERNOON + 3 * HOUR)
        with farm.database.reading() as rx:
            assert visits.get(rx, "made", "yard").next_at <= AFTERNOON + 3 * HOUR + LONGEST_WAIT


def test_a_clock_put_back_does_not_silence_a_service(tmp_path):
    service = Forecaster(trouble=DOWN)
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        for number in range(6):
            farm.ask(AFTERNOON + timedelta(days=365 * 5) + number * HOUR)
        before = len(service.asked)
        farm.ask(AFTERNOON)
        assert len(service.asked) == before + 2


def test_one_site_in_trouble_does_not_stop_the_other(tmp_path):
    class OnlyHill(Forecaster):
        def update(self, site, *, now, recall):
            if site.id == "yard":
                raise DOWN
            return super().update(site, now=now, recall=recall)

    with opened(tmp_path, OnlyHill()) as farm:
        farm.run(AFTERNOON)
        assert weather_of(farm, AFTERNOON, "hill").forecast is not None
        assert weather_of(farm, AFTERNOON, "yard").forecast is None


def test_a_second_service_goes_on_when_the_first_is_down(tmp_path):
    first, second = Forecaster(name="first", trouble=DOWN), Forecaster(name="second")
    with opened(tmp_path, first, second) as farm:
        farm.run(AFTERNOON)
        weather = weather_of(farm, AFTERNOON)
        assert weather.forecast.source == "second"
        assert weather.nights[1].is_usable


def test_official_messages_fail_and_rest_apart_from_the_forecast(tmp_path):
    service = Messenger(official_trouble=UpstreamTrouble("refuses", is_lasting=True))
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        for number in range(3):
            farm.ask(AFTERNOON + number * 5 * MINUTE)
        assert (service.asked.count("yard"), service.asked_official.count("yard")) == (3, 1)
        service.trouble, service.official_trouble = DOWN, None
        farm.ask(AFTERNOON + 7 * HOUR)
        assert service.asked_official.count("yard") == 2
        assert weather_of(farm, AFTERNOON).official == service.official


def test_official_messages_never_make_a_night_known(tmp_path):
    with opened(tmp_path, Messenger(trouble=DOWN)) as farm:
        farm.run(AFTERNOON)
        weather = weather_of(farm, AFTERNOON)
        assert weather.official
        assert not any(night.is_usable for night in weather.nights)


def test_slow_services_do_not_keep_the_plan_waiting_and_every_site_has_its_turn(tmp_path):
    service = Forecaster(trouble=DOWN)
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        with farm.database.reading() as rx:
            sites = current_roster(farm.work, rx).sites
        for number in range(4):
            turns = iter([True, False])
            ask_sources(farm.work, sites, now=AFTERNOON + number * 5 * MINUTE, goes_on=lambda turns=turns: next(turns))
        assert service.asked == ["yard", "hill", "yard", "hill"]


GARBAGE = {
    "no json": b"{",
    "html": b"<html>down</html>",
    "empty": b"",
    "another shape": b"[1, 2]",
    "no temperatures": b'{"issued_at": "2026-10-19T18:00:00Z", "start_at": "2026-10-19T18:00:00Z", "air_c": [null]}',
    "numbers that are none": b'{"issued_at": "2026-10-19T18:00:00Z", "start_at": "2026-10-19T18:00:00Z", "air_c": NaN}',
}


@pytest.mark.parametrize("body", GARBAGE.values(), ids=GARBAGE)
def test_garbage_in_the_database_never_reads_as_safe(tmp_path, body):
    with opened(tmp_path, Forecaster(body=body)) as farm:
        outcome = farm.run(AFTERNOON)
        weather = weather_of(farm, AFTERNOON)
        assert weather.forecast is None
        assert not any(night.is_usable for night in weather.nights)
        assert weather.because
        assert outcome.blind == ("sprayer-1", "sprayer-2")


def test_an_unreadable_older_answer_does_not_spoil_the_newest(tmp_path):
    service = Forecaster()
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        put(farm, b"<html>", at=AFTERNOON - HOUR)
        farm.ask(AFTERNOON)
        assert weather_of(farm, AFTERNOON).nights[1].is_usable


def put(farm, body: bytes, *, at) -> None:
    answer = Answer(source="made", key="yard", body=body, fetched_at=at, issued_at=at, ask_again_at=at, validators={})
    with farm.database.transaction() as tx:
        answers.put(tx, answer)


def test_hours_already_past_come_from_the_forecast_made_closest_to_them(tmp_path):
    service = Forecaster()
    with opened(tmp_path, service) as farm:
        farm.take_in(AFTERNOON)
        farm.ask(AFTERNOON - 24 * HOUR)
        service.night_c, service.day_c = -1.0, 4.0
        farm.ask(AFTERNOON)
        weather = weather_of(farm, AFTERNOON)
        last_night = [
            c
            for number, c in enumerate(weather.air_c)
            if AFTERNOON - 14 * HOUR <= weather.start_at + number * HOUR < AFTERNOON - 8 * HOUR
        ]
        assert set(last_night) == {-6.0}
