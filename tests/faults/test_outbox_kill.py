"""Kill -9 at any moment loses no notice, invents none, and doubles at most one per kill."""

from __future__ import annotations

import json
import subprocess
import sys

KILLS = 40
"""A thousand: `python -m tests.faults.outbox_kills --kills 1000`."""


def outcome_of(*options: str) -> dict[str, int]:
    command = [sys.executable, "-m", "tests.faults.outbox_kills", *options]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300)
    outcome: dict[str, int] = json.loads(done.stdout)
    for never in ("lost", "ghosts", "false_sent", "changed_bytes"):
        assert outcome[never] == 0, (never, outcome)
    return outcome


def test_kill_9_loses_nothing_and_doubles_at_most_one_notice_a_kill() -> None:
    outcome = outcome_of("--kills", str(KILLS), "--seed", "7")
    assert outcome["kills"] == KILLS
    assert outcome["arrived"] >= KILLS / 2, "too few notices for the test to mean something"
    assert outcome["duplicates"] <= KILLS


def test_three_workers_at_once_send_each_notice_once() -> None:
    outcome = outcome_of("--kills", "20", "--together", "3")
    assert (outcome["queued"], outcome["arrived"], outcome["duplicates"]) == (60, 60, 0)
