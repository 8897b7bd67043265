"""One run of the real service over a played day: `python -m tests.faults.serve_run` shows what was asked and arrived.

Three forecast services played on loopback over real HTTP (Last-Modified, Expires, 304), one of them failing with 500
for a while and one not answering at all; a real SMTP server that is down for a while. `--hours` of played time.
"""

from __future__ import annotations

import argparse
import signal
import tempfile
import threading
from collections import Counter
from pathlib import Path

from tests.channels.mailserver import running
from tests.faults.forecast_server import service_of
from tests.faults.serving import Installation, PlayedServer, installed, sim, wait_for


def count_answers(server: PlayedServer) -> Counter:
    """Count status codes by service as they are sent."""
    found: Counter = Counter()
    handler = server._server.RequestHandlerClass
    usual = handler.send_response_only

    def counted(self, code, message=None):
        found[service_of(self.path), int(code)] += 1
        usual(self, code, message)

    handler.send_response_only = counted
    return found


def run(hours: float) -> None:
    with tempfile.TemporaryDirectory() as folder, installed(Path(folder), colder_c=2.0, speed=1500.0) as one:
        answers = count_answers(one.server)
        with running(one.mailbox, port=one.mail_port):
            one.start()
            wait_for(lambda: one.health()[1].get("last_round_at"), "a first round")
            pause(one, 2)
            one.server.faults.set("nws", "500", count=6)
            one.server.faults.set("met_norway", "slow", count=2)
            print("2 h: nws answers 500 six times, met_norway does not answer twice")
            pause(one, 3)
            print("5 h: /health", one.health()[1]["state"])
        print("5 h: the mail server is gone for 2 h")
        pause(one, 2)
        with running(one.mailbox, port=one.mail_port):
            pause(one, hours - 7)
            code, health = one.health()
            print(f"end: /health {code} {health['state']} {health['queue']} {health['reasons']}")
            print("SIGTERM: exit code", one.stop(signal.SIGTERM))
        report(one, answers)


def pause(one: Installation, hours: float) -> None:
    """Let played time pass."""
    threading.Event().wait(max(sim(one, hours=hours), 0.0))


def report(one: Installation, answers: Counter) -> None:
    print("\nanswers by service and status (slow ones have none):")
    for (service, code), count in sorted(answers.items()):
        print(f"  {service:12} {code} x {count}")
    asked = Counter(
        (service_of(request.path), "if-modified-since" in request.headers) for request in one.server.requests
    )
    print("requests by service, with If-Modified-Since or without:")
    for (service, is_conditional), count in sorted(asked.items()):
        print(f"  {service:12} {'with' if is_conditional else 'without':7} {count}")
    print("user agent:", one.server.requests[0].headers["user-agent"])
    print("example of a path:", one.server.asked("met_norway")[0].path, one.server.asked("met_norway")[0].query)
    events = ("source_failed", "source_recovered", "channel_down", "channel_recovered", "notice_sent")
    print(
        "log:", ", ".join(f"{name} {one.events(name)}" for name in events), "| tracebacks", one.log.count("Traceback")
    )
    print("mails that arrived:")
    for message_id, to, subject in one.mails():
        print(f"  {to:28} {subject}  {message_id}")
    twice = [key for key, count in Counter(mail[0] for mail in one.mails()).items() if count > 1]
    print("twice:", twice or "none")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=26.0, help="played hours; one hour takes 2.4 seconds")
    run(parser.parse_args().hours)
