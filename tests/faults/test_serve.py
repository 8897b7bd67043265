"""The real service as a process: forecasts over HTTP, mails over SMTP, and what goes wrong around it."""

from __future__ import annotations

import signal
from collections import Counter

import pytest

from tests.channels.mailserver import running
from tests.faults.serving import installed, wait_for
from tests.service.farm import ROSTER


@pytest.fixture
def one(tmp_path):
    with installed(tmp_path) as installation:
        yield installation


def subjects(one) -> str:
    return " | ".join(subject for _, _, subject in one.mails())


def none_twice(one) -> bool:
    return max(Counter(message_id for message_id, _, _ in one.mails()).values(), default=0) <= 1


def test_mails_arrive_and_services_in_trouble_do_not_stop_it(one):
    with running(one.mailbox, port=one.mail_port):
        one.start()
        wait_for(lambda: "Sprayer 1" in subjects(one), "a mail about the machines")
        assert one.mails()[0][1] == "mia@larch-hollow.example"
        assert one.health()[0] == 200
        one.server.faults.set("nws", "500")
        one.server.faults.set("met_norway", "slow")
        wait_for(lambda: one.events("source_failed") >= 3, "failing services")
        wait_for(lambda: one.health()[1]["state"] == "degraded", "a word about them in /health")
        ticked = one.health()[1]["last_round_at"]
        wait_for(lambda: one.health()[1]["last_round_at"] != ticked, "rounds that go on")
        one.server.faults.clear()
        wait_for(lambda: one.events("source_recovered") >= 1, "their return")
        asked = [request for request in one.server.requests if "if-modified-since" in request.headers]
        assert asked
        assert all("office@larch-hollow.example" in request.headers["user-agent"] for request in one.server.requests)
        assert none_twice(one)
        assert one.stop() == 0
    assert one.events("service_stopped") == 1
    assert "Traceback" not in one.log
    assert "@larch-hollow.example" not in one.log  # ids in the log, no addresses


def test_a_broken_roster_edit_is_told_once_and_the_last_good_one_stays(one):
    with running(one.mailbox, port=one.mail_port):
        one.start()
        wait_for(lambda: one.health()[1].get("last_round_at"), "a first round")
        one.roster.write_text(ROSTER.replace("lat_deg = 41.62", "lat_deg = 4162"))
        wait_for(lambda: "Roster files cannot be used" in subjects(one), "a mail about the roster")
        assert any("Roster files" in reason for reason in one.health()[1]["reasons"])
        one.roster.write_text(ROSTER)
        wait_for(lambda: "Roster files" not in str(one.health()[1]["reasons"]), "the good roster")
        assert subjects(one).count("Roster files cannot be used") == 1


def test_a_mail_server_that_comes_back_gets_each_mail_once(one):
    one.start()
    wait_for(lambda: one.health()[1]["queue"]["waiting"] >= 1, "a queued mail")
    wait_for(lambda: any("Mail:" in reason for reason in one.health()[1]["reasons"]), "a word about mail")
    with running(one.mailbox, port=one.mail_port):
        wait_for(lambda: one.health()[1]["queue"]["waiting"] == 0, "an empty queue")
        wait_for(lambda: "Mail:" not in str(one.health()[1]["reasons"]), "mail in order")
        assert "Sprayer 1" in subjects(one)
        assert none_twice(one)


def test_killed_and_started_again_it_repeats_at_most_one_mail_a_kill(one):
    kills = 2
    with running(one.mailbox, port=one.mail_port):
        for _ in range(kills):
            one.start()
            wait_for(lambda: one.mails(), "a mail about the machines")
            assert one.stop(signal.SIGKILL) == -signal.SIGKILL
        one.start()
        ticked = one.health()[1].get("last_round_at")
        wait_for(lambda: one.health()[1]["last_round_at"] != ticked, "a round after the restart")
        sent = Counter(message_id for message_id, _, _ in one.mails())
        assert sent
        assert sent.total() - len(sent) <= kills  # a kill between "250" and our note of it: same mail, same Message-ID


def test_a_second_service_on_the_same_port_is_one_clear_message(one):
    with running(one.mailbox, port=one.mail_port):
        one.start()
        first = one.process
        with pytest.raises(AssertionError, match="/health cannot be offered"):
            one.start()
        assert one.process.wait(10) == 1
        one.process = first
    assert "Traceback" not in one.log
