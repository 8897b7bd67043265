"""Kill -9 at any moment loses no notice, invents none, and doubles at most one per kill."""

from __future__ import annotations

import json
import subprocess
import sys

KILLS = 40
"""A thousand: `python -m tests.faults.outbox_kills --kills 1000`."""


def test_kill_9_loses_nothing_and_doubles_at_most_one_notice_a_kill() -> None:
    command = [sys.executable, "-m", "tests.faults.outbox_kills", "--kills", str(KILLS), "--seed", "7"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300)
    outcome = json.loads(done.stdout)
    assert outcome["kills"] == KILLS
    assert outcome["arrived"] >= KILLS / 2, "too few notices for the test to mean something"
    for never in ("lost", "ghosts", "false_sent", "changed_bytes"):
        assert outcome[never] == 0, (never, outcome)
    assert outcome["duplicates"] <= KILLS
