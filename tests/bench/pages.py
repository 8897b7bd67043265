"""Measure the pages of a big fleet: board, machine and answer page, and memory.

    python -m tests.bench.pages [machines] [entries a machine]

Prints median and 95th percentile of 200 requests each. Nothing here passes or fails.
"""

from __future__ import annotations

import resource
import statistics
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from carewatch.logbook.entries import Channel, Entry, EntryKind, Rinsed
from carewatch.store import entries
from tests.service.farm import FLEET, MACHINE
from tests.web.browsing import Pages, open_pages

REQUESTS = 200


def main() -> None:
    machines = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    each = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    roster = FLEET + "".join(machine(n) for n in range(machines))
    with tempfile.TemporaryDirectory() as folder, open_pages(Path(folder), roster=roster) as pages:
        began = time.perf_counter()
        pages.farm.take_in(pages.clock.at)
        write_book(pages, machines, each)
        print(f"{machines} machines, {each} entries each: set up in {time.perf_counter() - began:.1f} s")
        for name in ("first", "second"):
            began = time.perf_counter()
            pages.farm.run(pages.clock.at)
            print(f"{name} round, with mails: {time.perf_counter() - began:.2f} s")
        browser = pages.signed_in("mia")
        for path in (
            "/",
            "/?level=freezes&page=50",
            "/machine/s-17",
            "/machine/s-17/entry/rinsed",
            pages.link_to("mia", "/a/"),
        ):
            times = []
            for _ in range(REQUESTS if not path.startswith("/a/") else 20):
                began = time.perf_counter()
                status = browser.get(path).status_code
                times.append(1000.0 * (time.perf_counter() - began))
            first, *rest = times
            print(
                f"{path[:26]:28} {status}: first {first:6.0f} ms, then median {statistics.median(rest):5.0f}, "
                f"95th percentile {sorted(rest)[int(0.95 * len(rest))]:5.0f} ms"
            )
        print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def machine(number: int) -> str:
    """Every other machine stands at the other site."""
    site, place = ("yard", "gravel") if number % 2 else ("hill", "stubble")
    return MACHINE.format(id=f"s-{number}", name=f"Sprayer {number}", site=site, place=place)


def write_book(pages: Pages, machines: int, each: int) -> None:
    """Rinses spread over five years."""
    with pages.farm.database.transaction() as tx:
        for n in range(machines):
            for k in range(each):
                at = pages.clock.at - timedelta(days=5 * 365) * (k + 1) / each
                entry = Entry(
                    id=f"{n}-{k}", machine=f"s-{n}", kind=EntryKind.RINSED, happened_at=at, recorded_at=at, by="noah",
                    on_behalf_of=None, channel=Channel.COMMAND, detail=Rinsed(sides=("front", "rear")),
                )  # fmt: skip
                entries.add(tx, entry)


if __name__ == "__main__":
    main()
