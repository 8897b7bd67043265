"""Gather, plan, apply on a real database: nothing twice, nothing that crosses an answer, documents that stay."""

from __future__ import annotations

import json
import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest

from carewatch.errors import BadInput, UpstreamTrouble
from carewatch.notices.notice import NoticeKind
from carewatch.notices.plan import plan
from carewatch.service import usecase
from carewatch.service.answering import write_entry
from carewatch.service.documents import outlook_document
from carewatch.service.gather import gather
from carewatch.service.usecase import apply, look, run_plan
from carewatch.store import outlooks
from tests.service.farm import AFTERNOON, HOUR, LATE, MORNING, Forecaster, into_shop, open_farm

TEXT, NUMBER, INSTANT = str, (int, float), str

# The words of the JSON that other programs rely on: key -> type, and whether null may stand there.
OUTLOOK_KEYS = {
    "machine": (TEXT, False),
    "site": (TEXT, False),
    "night": (TEXT, False),
    "state": (TEXT, False),
    "urgency": (TEXT, False),
    "severity": (TEXT, False),
    "certainty": (TEXT, False),
    "chance": (NUMBER, True),
    "margin_c": (NUMBER, True),
    "coldest_air_c": (NUMBER, True),
    "coldest_part_c": (NUMBER, True),
    "worst_part": (TEXT, True),
    "ice_fraction": (NUMBER, True),
    "first_ice_at": (INSTANT, True),
    "first_ice_early_at": (INSTANT, True),
    "contents": (dict, False),
    "because": (list, False),
    "forecast": (dict, True),
}
CONTENT_KEYS = {"holds", "full", "freezes_at_c", "known_by", "since"}
FORECAST_KEYS = {"source", "issued_at", "age_h"}
FIGURES = ("chance", "margin_c", "coldest_air_c", "coldest_part_c", "worst_part", "ice_fraction", "first_ice_at")


@pytest.fixture
def farm(tmp_path):
    with open_farm(tmp_path) as opened:
        yield opened


def stored(farm) -> list[dict]:
    with farm.database.reading() as rx:
        return [one.document for one in outlooks.latest(rx)]


def test_a_cold_night_is_told_once_however_often_the_plan_runs(farm):
    first = farm.run(MORNING)
    assert [notice.kind for notice in first.notices] == [NoticeKind.DAY]
    for _ in range(3):
        again = farm.run(MORNING)
        assert (again.notices, again.duties, again.outlooks) == ((), 0, 0)
    assert len(farm.channel.delivered) == 1


def test_a_day_of_ticks_sends_nothing_twice(farm):
    for number in range(26):
        farm.run(MORNING + number * HOUR)
    told = Counter((line.kind, line.person, line.created_at.date()) for line in farm.notices())
    assert told[NoticeKind.DAY, "mia", MORNING.date()] == 1
    assert told[NoticeKind.EVENING, "noah", MORNING.date()] == 1
    assert len({line.message_id for line in farm.notices()}) == len(farm.notices())
    assert len(farm.channel.delivered) == len(farm.notices())


def test_jumping_to_what_is_due_tells_what_ticking_tells(tmp_path):
    """Looking again only when the plan says so misses nothing that looking all the time would tell."""
    told = {}
    for way in ("tick", "jump"):
        (tmp_path / way).mkdir()
        with open_farm(tmp_path / way) as farm:
            now, ends_at = MORNING, MORNING + 11 * HOUR
            while now < ends_at:
                farm.take_in(now)
                if now == MORNING:
                    farm.ask(now)
                outcome = run_plan(farm.work, now=now)
                now = now + HOUR / 6 if way == "tick" else outcome.next_due_at
            told[way] = {(line.key, line.subject) for line in farm.notices()}
    assert told["tick"] == told["jump"]
    assert len(told["jump"]) >= 4


def test_two_instances_on_one_database_send_nothing_twice(farm):
    other = farm.beside()
    for number in range(12):
        now = MORNING + number * HOUR
        together(lambda now=now: farm.run(now), lambda now=now: other.run(now))
    other.database.close()
    arrived = [one.raw for one in (*farm.channel.delivered, *other.channel.delivered)]
    assert len(arrived) == len(set(arrived)) == len(farm.notices()) >= 4


def together(*jobs: Callable[[], object]) -> None:
    barrier, troubles = threading.Barrier(len(jobs)), []

    def run(job: Callable[[], object]) -> None:
        barrier.wait()
        try:
            job()
        except Exception as error:  # noqa: BLE001  # shown by the test that started it
            troubles.append(error)

    threads = [threading.Thread(target=run, args=(job,)) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not troubles, troubles


def test_an_answer_runs_the_plan_at_once(farm):
    farm.run(AFTERNOON)
    is_new, outcome = write_entry(farm.work, into_shop("sprayer-1", AFTERNOON + HOUR), now=AFTERNOON + HOUR)
    assert is_new
    assert outcome.duties >= 1
    late = farm.run(LATE)
    assert {machine for notice in late.notices for machine in notice.machines} == {"sprayer-2"}


def test_a_repeated_answer_is_one_entry(farm):
    farm.run(AFTERNOON)
    entry = into_shop("sprayer-1", AFTERNOON)
    assert write_entry(farm.work, entry, now=AFTERNOON)[0]
    assert not write_entry(farm.work, entry, now=AFTERNOON + HOUR)[0]


def test_an_answer_that_does_not_fit_is_refused_and_not_kept(farm):
    farm.run(AFTERNOON)
    with pytest.raises(BadInput, match="sprayer-9"):
        write_entry(farm.work, replace(into_shop("sprayer-1", AFTERNOON), machine="sprayer-9"), now=AFTERNOON)
    ahead = replace(into_shop("sprayer-1", AFTERNOON), happened_at=AFTERNOON + 2 * HOUR)
    with pytest.raises(BadInput, match="after it was recorded"):
        write_entry(farm.work, ahead, now=AFTERNOON)
    assert gather(farm.work, now=LATE).picture[0] == 0


def test_what_was_decided_before_an_answer_came_in_is_dropped(farm):
    """A tick gathers, somebody answers, the tick wants to store: its reminder must not cross the answer."""
    farm.run(AFTERNOON)
    gathered = gather(farm.work, now=LATE)
    decided = plan(gathered.facts, gathered.told, LATE)
    assert any("sprayer-1" in notice.machines for notice in decided.notices)
    other = farm.beside()
    write_entry(other.work, into_shop("sprayer-1", LATE), now=LATE)
    other.database.close()
    before = len(farm.notices())
    assert apply(farm.work, gathered, decided, now=LATE) is None
    assert len(farm.notices()) == before


def test_a_plan_overtaken_by_an_answer_is_made_anew(farm, monkeypatch):
    farm.run(AFTERNOON)
    other = farm.beside()
    answers = iter([into_shop("sprayer-1", LATE)])

    def gather_then_answer(work, *, now):
        gathered = gather(work, now=now)
        for entry in answers:
            write_entry(other.work, entry, now=now)
        return gathered

    monkeypatch.setattr(usecase, "gather", gather_then_answer)
    farm.run(LATE)
    other.database.close()
    late = [line for line in farm.notices() if line.created_at == LATE]
    assert {machine for line in late for machine in line.machines} == {"sprayer-2"}


def test_outlook_documents_have_the_promised_keys(farm):
    farm.run(AFTERNOON)
    documents = stored(farm)
    assert {document["machine"] for document in documents} == {"sprayer-1", "sprayer-2"}
    for document in documents:
        check_shape(document)
        assert document["state"] == "assessed"
        assert 0.0 <= document["chance"] <= 1.0
        assert document["forecast"].keys() >= FORECAST_KEYS
    urgencies = {(document["night"], document["urgency"]) for document in documents if document["chance"] > 0.5}
    assert ("2026-10-19", "expected") in urgencies
    assert ("2026-10-20", "future") in urgencies


def check_shape(document: dict) -> None:
    assert document.keys() >= OUTLOOK_KEYS.keys()
    for key, (kind, may_be_null) in OUTLOOK_KEYS.items():
        assert isinstance(document[key], kind) or (may_be_null and document[key] is None), (key, document[key])
    assert document["contents"]
    for part, contents in document["contents"].items():
        assert contents.keys() >= CONTENT_KEYS, part
    for name in ("state", "urgency", "severity", "certainty"):
        assert document[name] == document[name].lower()
    for name in ("first_ice_at", "first_ice_early_at"):
        assert document[name] is None or document[name].endswith("Z")
    json.dumps(document, allow_nan=False)


@pytest.mark.parametrize("night_c", [-25.0, -6.0, 0.0, 2.0, 15.0, 30.0])
def test_documents_hold_for_any_weather(tmp_path, night_c):
    with open_farm(tmp_path, Forecaster(night_c=night_c, day_c=night_c + 5)) as farm:
        farm.run(AFTERNOON)
        for outlook in look(farm.work, now=AFTERNOON, asks=False).outlooks:
            check_shape(outlook_document(outlook))


def test_without_a_forecast_nothing_is_assessed_and_nothing_reads_as_safe(tmp_path):
    with open_farm(tmp_path, Forecaster(trouble=UpstreamTrouble("is down"))) as farm:
        outcome = farm.run(AFTERNOON)
        assert outcome.blind == ("sprayer-1", "sprayer-2")
        for document in stored(farm):
            check_shape(document)
            assert (document["state"], document["urgency"]) == ("not_assessed", "unknown")
            assert [document[name] for name in FIGURES] == [None] * len(FIGURES)
            assert document["because"]
        late = farm.run(AFTERNOON + 3 * HOUR)
        assert [notice.kind for notice in (*outcome.notices, *late.notices)] == [NoticeKind.NO_FORECAST]


def test_a_machine_still_wet_at_its_deadline_is_immediate(farm):
    farm.run(AFTERNOON)
    farm.run(LATE)
    tonight = [one for one in stored(farm) if one["night"] == "2026-10-19"]
    assert {one["urgency"] for one in tonight} == {"immediate"}
    write_entry(farm.work, into_shop("sprayer-1", LATE + HOUR), now=LATE + HOUR)
    tonight = {one["machine"]: one["urgency"] for one in stored(farm) if one["night"] == "2026-10-19"}
    assert tonight == {"sprayer-1": "none", "sprayer-2": "immediate"}


def test_outlooks_are_stored_again_only_when_they_changed(tmp_path):
    service = Forecaster(issued_at=AFTERNOON - HOUR)
    with open_farm(tmp_path, service) as farm:
        first = farm.run(AFTERNOON)
        assert first.outlooks == len(stored(farm)) >= 10
        assert farm.run(AFTERNOON + HOUR / 2).outlooks == 0
        service.issued_at, service.night_c = AFTERNOON, -9.0
        assert farm.run(AFTERNOON + HOUR).outlooks > 0


def test_the_database_opened_anew_tells_the_same_and_nothing_again(farm):
    farm.run(MORNING)
    before = len(farm.notices())
    other = farm.beside()
    assert other.run(MORNING + timedelta(minutes=5)).notices == ()
    assert len(other.notices()) == before
    other.database.close()


def test_nothing_happens_before_there_is_a_roster(farm):
    farm.write_roster("[fleet]\n")
    outcome = farm.run(MORNING)
    assert (outcome.notices, outcome.next_due_at > MORNING) == ((), True)
    with pytest.raises(BadInput, match="no roster yet"):
        look(farm.work, now=MORNING, asks=True)
    with pytest.raises(BadInput, match="no roster yet"):
        write_entry(farm.work, into_shop("sprayer-1", MORNING), now=MORNING)


def test_a_notice_that_refers_to_another_stands_in_its_thread(farm):
    """RFC 5322, 3.6.4: References names the message that is answered or followed up."""
    for number in range(12):
        farm.run(MORNING + number * HOUR)
    by_key = {line.key: line for line in farm.notices()}
    threaded = [line for line in by_key.values() if line.refers_to in by_key]
    raws = {one.raw for one in farm.channel.delivered}
    for line in threaded:
        raw = next(raw for raw in raws if line.message_id.encode() in raw.partition(b"References")[0])
        assert by_key[line.refers_to].message_id.encode() in raw
