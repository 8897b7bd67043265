"""/health: ok, degraded or failing, always with reasons; one address on loopback that never falls over."""

from __future__ import annotations

import json
import socket
import urllib.error
import urllib.request
from datetime import timedelta
from pathlib import Path

import pytest

from carewatch.channels.port import ChannelDown, PermanentRefusal, TemporaryRefusal
from carewatch.errors import BadInput, StoreTrouble, UpstreamTrouble
from carewatch.service.health import HealthServer, health_of
from carewatch.service.rounds import beat, do_round, note_failed, send_round
from tests.service.farm import AFTERNOON, LATE, MORNING, Forecaster, open_farm

TICK = timedelta(minutes=5)


@pytest.fixture
def farm(tmp_path):
    with open_farm(tmp_path) as opened:
        yield opened


def round_at(farm, at):
    return do_round(farm.work, (farm.roster_file,), now=lambda: at)


def health(farm, at=AFTERNOON):
    return health_of(farm.work, now=at, tick_every=TICK)


def test_before_the_first_round_it_is_not_ok(farm):
    assert health(farm)["state"] == "failing"  # nobody is watched over yet
    farm.take_in(AFTERNOON)
    found = health(farm)
    assert found["state"] == "degraded"
    assert "first round" in found["reasons"][0]


def test_after_a_good_round_it_is_ok_and_says_when(farm):
    round_at(farm, AFTERNOON)
    found = health(farm)
    assert (found["state"], found["reasons"]) == ("ok", [])
    assert found["last_round_at"] == "2026-10-19T20:00:00Z"
    assert found["next_due_at"] > found["last_round_at"]


def test_missed_rounds_are_failing(farm):
    round_at(farm, AFTERNOON)
    farm.send(AFTERNOON)
    assert health(farm, AFTERNOON + 3 * TICK)["state"] == "ok"
    found = health(farm, AFTERNOON + 4 * TICK)
    assert found["state"] == "failing"
    assert "last good round" in found["reasons"][0]


def test_a_failed_round_is_told_until_a_good_one(farm):
    round_at(farm, AFTERNOON)
    note_failed(farm.work, "tick", StoreTrouble("The disk is full."), now=AFTERNOON + TICK)
    found = health(farm, AFTERNOON + TICK)
    assert (found["state"], found["reasons"]) == ("degraded", ["The last round failed: The disk is full."])
    round_at(farm, AFTERNOON + 2 * TICK)
    assert health(farm, AFTERNOON + 2 * TICK)["state"] == "ok"


def test_trouble_with_sending_is_kept_apart_from_the_rounds(farm):
    round_at(farm, AFTERNOON)
    note_failed(farm.work, "send", StoreTrouble("locked"), now=AFTERNOON)
    round_at(farm, AFTERNOON + TICK)
    assert health(farm, AFTERNOON + TICK)["reasons"] == ["Sending failed: locked"]
    send_round(farm.work, farm.channel, worker="w")
    assert health(farm, AFTERNOON + TICK)["state"] == "ok"


def test_a_service_in_trouble_and_unknown_nights_are_degraded_with_names(tmp_path):
    with open_farm(tmp_path, Forecaster(trouble=UpstreamTrouble("It is down (500)."))) as farm:
        round_at(farm, AFTERNOON)
        found = health(farm)
        assert found["state"] == "degraded"
        assert "yard: It is down (500)." in found["reasons"]
        assert "No usable forecast for tonight: sprayer-1, sprayer-2." in found["reasons"]


def test_a_forecast_that_only_grows_old_is_seen(farm):
    """The service answers, but nothing new: no request fails, and yet the night is not known any more."""
    farm.sources[0].issued_at, farm.sources[0].night_c = AFTERNOON - timedelta(hours=30), 8.0
    round_at(farm, AFTERNOON)
    assert "No usable forecast for tonight" in health(farm)["reasons"][0]


def test_mail_in_trouble_and_refused_addresses_are_told(farm):
    farm.channel.trouble = ChannelDown("no route to the mail server")
    farm.run(MORNING)
    round_at(farm, MORNING)
    assert health(farm, MORNING)["reasons"] == ["Mail: no route to the mail server"]
    assert health(farm, MORNING)["queue"]["waiting"] == 1
    farm.channel.trouble = None
    farm.channel.refusals["mia@larch-hollow.example"] = PermanentRefusal("550 no such user")
    farm.send(MORNING + TICK)
    assert "refused" in health(farm, MORNING)["reasons"][0]
    assert health(farm, MORNING)["queue"]["waiting"] == 0


def test_messages_that_wait_for_long_are_told_even_if_the_channel_is_not_down(farm):
    """A server that says 451 to each message: no connection fails, and nobody hears anything."""
    farm.channel.refusals["mia@larch-hollow.example"] = TemporaryRefusal("451 try again later")
    farm.run(MORNING)
    round_at(farm, MORNING)
    assert health(farm, MORNING + timedelta(minutes=9))["reasons"] == []
    later = MORNING + timedelta(minutes=11)
    farm.run(later)
    round_at(farm, later)
    assert "wait to be sent, the oldest since" in health(farm, later)["reasons"][0]


def test_without_any_roster_it_is_failing(farm):
    farm.write_roster("[fleet]\n")
    round_at(farm, AFTERNOON)
    found = health(farm)
    assert (found["state"], "nobody is watched over" in found["reasons"][0]) == ("failing", True)


def test_a_round_uses_the_time_after_the_services_answered(farm):
    """What people wrote while a service was slow has to count in the plan of the same round."""
    times = iter([AFTERNOON, AFTERNOON, LATE])
    outcome = do_round(farm.work, (farm.roster_file,), now=lambda: next(times)).outcome
    assert outcome.next_due_at > LATE


def test_old_raw_answers_are_forgotten_but_no_notice_is(farm):
    round_at(farm, MORNING)
    before = len(farm.notices())
    farm.sources[0].night_c = 8.0
    round_at(farm, MORNING + timedelta(days=20))
    round_at(farm, MORNING + timedelta(days=45))
    with farm.database.reading() as rx:
        kept = rx.exec_driver_sql("select count(*) from answer").scalar()
        nights = rx.exec_driver_sql("select min(night) from outlook").scalar()
    assert kept == 4  # of two sites: those of day 20 and of day 45
    assert nights > "2026-11-01"
    assert len(farm.notices()) >= before > 0


# ---------------------------------------------------------------- over HTTP


def asked(port: int, path: str = "/health", host: str = "127.0.0.1") -> tuple[int, dict]:
    try:
        with urllib.request.urlopen(f"http://{host}:{port}{path}", timeout=5) as reply:
            return reply.status, json.load(reply)
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.load(error)


@pytest.fixture
def served():
    found = {"state": "ok"}

    def document():
        if "trouble" in found:
            raise found["trouble"]
        return found

    server = HealthServer("127.0.0.1", 0, document)
    server.start()
    yield server, found
    server.stop()


def test_status_follows_the_state(served):
    server, found = served
    assert asked(server.port) == (200, {"state": "ok"})
    found["state"] = "degraded"
    assert asked(server.port)[0] == 200  # a watcher must not restart it because a forecast service is down
    found["state"] = "failing"
    assert asked(server.port)[0] == 503
    assert asked(server.port, "/")[0] == 404


def test_a_broken_store_is_told_not_raised(served):
    server, found = served
    found["trouble"] = StoreTrouble("The disk is full.")
    assert asked(server.port) == (503, {"state": "failing", "reasons": ["The disk is full."]})


def test_rude_clients_do_not_disturb_it(served, capsys):
    server, _ = served
    for rude in (b"", b"GARBAGE\r\n\r\n", b"GET " + b"x" * 70_000, b"GET /health HTTP/1.1\r\n\r\n"):
        with socket.create_connection(("127.0.0.1", server.port)) as line:
            line.sendall(rude)
    assert asked(server.port)[0] == 200
    assert "Traceback" not in capsys.readouterr().err


def test_a_taken_port_is_one_clear_message(served):
    server, _ = served
    with pytest.raises(BadInput, match="running already"):
        HealthServer("127.0.0.1", server.port, dict)
    with pytest.raises(BadInput, match=r"cannot be offered on no\.such\.host\.invalid"):
        HealthServer("no.such.host.invalid", 8711, dict)


@pytest.mark.skipif(not Path("/proc/net/if_inet6").exists(), reason="no IPv6 here")
def test_the_other_loopback_address_works_too():
    server = HealthServer("::1", 0, lambda: {"state": "ok"})
    server.start()
    assert asked(server.port, host="[::1]")[0] == 200
    server.stop()


def test_the_heartbeat_is_one_whole_line_and_never_stops_a_round(tmp_path):
    beat(tmp_path / "data" / "heartbeat", now=AFTERNOON)
    assert (tmp_path / "data" / "heartbeat").read_text().startswith("2026-10-19T20:00:00Z ")
    beat(tmp_path / "missing" / "deeper" / "heartbeat", now=AFTERNOON)
