"""Synthetic tables of nights forecast and observed, with a fixed seed: a made climate and made forecast errors."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from carewatch.freeze.score.table import PairsTable, read_pairs

FIRST = date(2020, 10, 1)


def made_text(
    *,
    nights: int = 180,
    bias_c: dict[str, float] | None = None,
    sd_c: float = 1.8,
    seed: int = 1,
    lead_h: tuple[int, ...] = (24, 48),
) -> str:
    """CSV in °C: `bias_c` is by how much each place turns out warmer than forecast."""
    random = np.random.default_rng(seed)
    lines = ["date,place," + ",".join(f"fc{h}_c" for h in lead_h) + ",obs_min_c"]
    for place, shift_c in (bias_c or {"hill": 0.0}).items():
        for day in range(nights):
            climate_c = 3.0 - 4.0 * np.sin(np.pi * day / nights) + random.normal(0.0, 4.0)
            forecast_c = [climate_c + random.normal(0.0, 0.3) for _ in lead_h]
            observed_c = climate_c + shift_c + random.normal(0.0, sd_c)
            numbers = ",".join(f"{value:.2f}" for value in [*forecast_c, observed_c])
            lines.append(f"{FIRST + timedelta(days=day)},{place},{numbers}")
    return "\n".join(lines) + "\n"


def made_table(**how: object) -> PairsTable:
    """The same, read."""
    return read_pairs(made_text(**how), file="made.csv")  # type: ignore[arg-type]
