"""A small invented scenario written into a folder: two machines, three days, nights that freeze."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from tests.service.farm import ROSTER

FROM_ON, TO_ON = date(2026, 10, 19), date(2026, 10, 21)
BEGIN = datetime(2026, 10, 17, tzinfo=UTC)
BOTH = ["front", "rear"]
SHOP = {"kind": "moved", "site": "yard", "place": "shop"}
SPRAYED = {"kind": "sprayed", "product": "mix", "sides": BOTH, "hours": 2.0}


def line(machine: str, happened_at: str, told: dict, **more: object) -> dict:
    return {"machine": machine, "happened_at": happened_at, "by": "noah", **told, **more}


LINES = (
    line("sprayer-1", "2026-10-18T22:00:00Z", {"kind": "rinsed", "sides": BOTH}),
    line("sprayer-1", "2026-10-19T21:30:00.250Z", SPRAYED, recorded_at="2026-10-19T21:31:00.750Z", sides=["front"]),
    line("sprayer-2", "2026-10-19T23:05:00Z", SHOP),
    line("sprayer-1", "2026-10-20T22:10:00Z", SHOP),
    line("sprayer-2", "2026-10-21T19:00:00Z", SPRAYED),
)


def write_scenario(folder: Path) -> Path:
    (folder / "weather").mkdir(parents=True)
    (folder / "fleet.toml").write_text(ROSTER)
    (folder / "logbook.jsonl").write_text("".join(json.dumps(line) + "\n" for line in LINES))
    for site, shift_c in (("yard", 0.0), ("hill", -0.7)):
        rows = ["time_utc,air_c,dew_c,wind_mps,cloud_fraction"]
        for hour in range(24 * 12):
            at = BEGIN + timedelta(hours=hour)
            air_c = shift_c + 2.5 - 5.5 * math.cos(2 * math.pi * (at.hour - 11) / 24)
            rows.append(f"{at:%Y-%m-%dT%H:%MZ},{air_c:.1f},{air_c - 3:.1f},1.2,0.1")
        (folder / "weather" / f"{site}.csv").write_text("\n".join(rows) + "\n")
    return folder
