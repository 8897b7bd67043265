"""`carewatch serve` as it is, under a clock that begins where it is told and runs faster: `serve_at START SPEED ARGS`.

Only time is played: settings, database, HTTP, mail and signals are those of the real program. START is an ISO instant
at which the process of SPEED began, given as START@UNIX_SECONDS so that a restarted process goes on in the same time.
"""

from __future__ import annotations

import functools
import sys
import time
from datetime import datetime, timedelta

from carewatch.cli.main import main
from carewatch.http import HttpClient
from carewatch.service import clock, opening, running

REQUEST_DEADLINE_S = 0.8
SEND_EVERY = timedelta(minutes=3)


def played(start: str, speed: float):
    begin, _, began = start.partition("@")
    begin_at, began_s = datetime.fromisoformat(begin), float(began)
    return lambda: begin_at + timedelta(seconds=(time.time() - began_s) * speed)


if __name__ == "__main__":
    start, speed = sys.argv[1], float(sys.argv[2])
    clock.now = played(start, speed)
    usual = running.Every
    running.Every = lambda every: usual(every / speed)
    running.SEND_EVERY = SEND_EVERY
    opening.HttpClient = functools.partial(HttpClient, deadline_s=REQUEST_DEADLINE_S)
    sys.argv = ["carewatch", *sys.argv[3:]]
    main()
