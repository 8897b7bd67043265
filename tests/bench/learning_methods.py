"""Is there a better way for a site to learn? `python -m tests.bench.learning_methods PAIRS.csv` (about four minutes).

PAIRS.csv is a table as `carewatch score` reads it, in whole °F. Every method knows only the nights known when the
forecast was issued. Settings are chosen on every second place in the first season (before July 2021); all that is
printed afterwards is of the other places in that season, and of all places in the second. Differences of the Brier
score to the way carewatch learns come with a 95 % interval from a paired bootstrap of blocks of five whole nights.
With so many of them, one in twenty is marked by chance: look for what holds at every lead and in both groups.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np

from carewatch.freeze.score.measures import BIN_EDGES
from carewatch.freeze.score.table import read_pairs
from tests.bench import learning_regressions as regressions
from tests.bench import learning_rivals as rivals
from tests.bench.learning_nights import Array, Method, Nights, nights_of

SEASONS_PART_ON = date(2021, 7, 1)
THRESHOLD = 0.10
NEEDED_CAUGHT = 0.985  # what the chance is asked to catch; also where false shares are compared
SURE = 1e-3  # a chance below 1/1000 counts as 1/1000 in the log score
BLOCK_NIGHTS = 5  # chosen: weather of one kind lasts a few days
DRAWS = 4000
MEASURES = (
    "Brier x 1e4 | minus (b) [95 % interval] | log score | caught and false share at 0.10 | false where .985 caught"
)


@dataclass(frozen=True, kw_only=True)
class Way:
    """A way to learn, with the settings to choose among."""

    name: str
    method: Method
    choices: dict[str, Sequence[object]] = field(default_factory=dict)

    def settings(self) -> list[dict[str, object]]:
        """Every combination of the choices."""
        return [dict(zip(self.choices, values, strict=True)) for values in product(*self.choices.values())]


BASE = "(b) carewatch: site by itself, shrunk"
WAYS = (
    Way(name="(a) static default", method=rivals.static),
    Way(name=BASE, method=rivals.shrinkage),
    Way(name="(b) and warm bias in full", method=partial(rivals.shrinkage_with, warm_credit=1.0)),
    Way(name="(b) and two forecasts", method=rivals.shrinkage_with, choices={"change_pull": (0.1, 0.2, 0.3)}),
    Way(name="(b) and width by change", method=rivals.shrinkage_with, choices={"change_width": (0.05, 0.1, 0.2)}),
    Way(name="(b) and fat tails", method=rivals.shrinkage_with, choices={"tail": (5.0, 8.0, 16.0)}),
    Way(name="(b) and warmer when cold", method=rivals.shrinkage_with, choices={"warmer_when_cold": (0.2, 0.4)}),
    Way(
        name="(c) logistic, pooled",
        method=rivals.logistic,
        choices={"ridge": (1.0, 10.0, 100.0), "half_life_days": (30.0, 90.0, 1000.0), "change": (False, True)},
    ),
    Way(
        name="(d) distributional, pooled + site",
        method=regressions.distributional,
        choices={
            "tail": (0.0, 6.0),
            "site_sd_c": (0.7, 1.0),
            "half_life_days": (60.0, 1000.0),
            "change": (False, True),
        },
    ),
    Way(
        name="(e) analog nights",
        method=rivals.analogs,
        choices={
            "width_c": (0.5, 1.0),
            "own": (3.0, 10.0, 30.0),
            "default_worth": (10.0, 50.0),
            "change_width_c": (0.0, 1.5),
        },
    ),
    Way(name="(f) EMOS, pooled", method=partial(regressions.emos, pooled=True), choices={"window": (20, 40, 80)}),
    Way(name="(f) EMOS, each site", method=partial(regressions.emos, pooled=False), choices={"window": (40, 80)}),
)


def main() -> None:
    """Choose the settings, then print what held elsewhere."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pairs", type=Path)
    path = parser.parse_args().pairs
    table = read_pairs(path.read_text(encoding="utf-8-sig"), file=path.name)
    leads = [nights_of(table, at) for at in range(len(table.columns))]
    for nights in leads:
        same = rivals.shrinkage_with(nights) - rivals.shrinkage(nights)
        if np.abs(same).max() > 1e-9:
            raise SystemExit("(b) written out for its additions is not what carewatch says.")
    print("Settings, chosen on every second place in the first season by the mean Brier score over the leads")
    said = {way.name: chosen(way, leads) for way in WAYS}
    for title, where in GROUPS.items():
        print(f"\n{title}\n{MEASURES}")
        for at, nights in enumerate(leads):
            report(nights, {name: chances[at] for name, chances in said.items()}, where(nights))
    print("\nAll nights: (b) at the threshold that catches as many freezes as the default at 0.10, and what flags cost")
    for at, nights in enumerate(leads):
        same_catch(nights, default=said[WAYS[0].name][at], learned=said[BASE][at])
    print(
        "\nOf the held-out nights with about this chance, how many froze (* outside the 95 % interval of whole nights)"
    )
    for at, nights in enumerate(leads):
        for name in (WAYS[0].name, BASE):
            reliability(name, nights, said[name][at])


# ------------------------------------------------------------------ which nights


def in_first_season(nights: Nights) -> np.ndarray:
    """Whether each pair is of the first season."""
    return nights.days < SEASONS_PART_ON.toordinal()


def to_choose_on(nights: Nights) -> np.ndarray:
    """Every second place in the first season."""
    return in_first_season(nights) & (nights.place % 2 == 0)


GROUPS = {
    "The other places, first season": lambda nights: in_first_season(nights) & (nights.place % 2 == 1),
    "All places, second season": lambda nights: ~in_first_season(nights),
    "The other places, second season (neither was chosen on)": lambda nights: (
        ~in_first_season(nights) & (nights.place % 2 == 1)
    ),
    "All nights of the table (includes those chosen on)": lambda nights: np.ones(len(nights.days), dtype=bool),
}


def chosen(way: Way, leads: Sequence[Nights]) -> list[Array]:
    """The chances of each lead with the settings that are best where settings are chosen."""
    began = time.perf_counter()
    tried = []
    for settings in way.settings():
        chances = [way.method(nights, **settings) for nights in leads]
        scores = [
            np.mean((chance - nights.froze)[to_choose_on(nights)] ** 2)
            for chance, nights in zip(chances, leads, strict=True)
        ]
        tried.append((float(np.mean(scores)), settings, chances))
    best, settings, chances = min(tried, key=lambda one: one[0])
    words = ", ".join(f"{key} {value}" for key, value in settings.items()) or "-"
    spent_s = time.perf_counter() - began
    print(f"  {way.name:38s} {1e4 * best:6.1f}  {words} (of {len(tried)}, {spent_s:.0f} s)", flush=True)
    return chances


# ------------------------------------------------------------------ what is printed


def report(nights: Nights, said: dict[str, Array], here: np.ndarray) -> None:
    """One line for each way at one lead."""
    froze = nights.froze[here]
    print(f" {nights.lead_h:.0f} h, {len(froze)} nights, {froze.sum()} freezes")
    for name, everywhere in said.items():
        chance = everywhere[here]
        square = (chance - froze) ** 2
        worse = square - (said[BASE][here] - froze) ** 2
        low, high = interval(nights.days[here], worse)
        mark = "*" if low > 0.0 or high < 0.0 else " "
        flagged = chance >= THRESHOLD
        print(
            f"  {name:38s} {1e4 * square.mean():6.1f} | "
            f"{1e4 * worse.mean():+6.1f} [{1e4 * low:+6.1f} {1e4 * high:+6.1f}]{mark}| "
            f"{log_score(chance, froze):.4f} | {(flagged & froze).sum() / froze.sum():.4f} "
            f"{(flagged & ~froze).sum() / max(flagged.sum(), 1):.4f} | {false_where_caught(chance, froze):.4f}"
        )


def interval(days: np.ndarray, values: Array) -> tuple[float, float]:
    """95 % interval of the mean of values when blocks of whole nights are drawn again (the same seed for all)."""
    _, night = np.unique(days, return_inverse=True)
    sums, counts = np.bincount(night, values), np.bincount(night)
    blocks = -(-len(sums) // BLOCK_NIGHTS)
    starts = np.random.default_rng(1).integers(0, len(sums), (DRAWS, blocks))
    drawn = (starts[:, :, None] + np.arange(BLOCK_NIGHTS)).reshape(DRAWS, -1) % len(sums)
    low, high = np.percentile(sums[drawn].sum(axis=1) / np.maximum(counts[drawn].sum(axis=1), 1), [2.5, 97.5])
    return float(low), float(high)


def log_score(chance: Array, froze: np.ndarray) -> float:
    """Mean of minus the natural logarithm of the chance given to what happened."""
    kept = np.clip(chance, SURE, 1.0 - SURE)
    return float(-np.log(np.where(froze, kept, 1.0 - kept)).mean())


def false_where_caught(chance: Array, froze: np.ndarray) -> float:
    """Share of false flags at the highest threshold that catches 0.985 of the freezes; it knows the outcome."""
    frozen = np.sort(chance[froze])[::-1]
    flagged = chance >= frozen[int(np.ceil(NEEDED_CAUGHT * len(frozen))) - 1]
    return float((flagged & ~froze).sum() / flagged.sum())


def same_catch(nights: Nights, *, default: Array, learned: Array) -> None:
    """False shares where equally many freezes are caught, and the difference of cost (acting 0.1, a freeze 1)."""
    froze, flags = nights.froze, (default >= THRESHOLD, learned >= THRESHOLD)
    enough = np.sort(learned[froze])[::-1][(flags[0] & froze).sum() - 1]
    for name, flagged in (("default", flags[0]), ("(b)", flags[1]), (f"(b) from {enough:.3f}", learned >= enough)):
        caught, false = (flagged & froze).sum() / froze.sum(), (flagged & ~froze).sum() / flagged.sum()
        print(f"  {nights.lead_h:.0f} h {name:14s} caught {caught:.4f} false {false:.4f}")
    before, after = (THRESHOLD * flagged + (froze & ~flagged) for flagged in flags)
    low, high = interval(nights.days, after - before)
    mean, low, high = 1e4 * (after - before).mean(), 1e4 * low, 1e4 * high
    print(f"       cost of (b) less that of the default x 1e4 {mean:+.1f} [{low:+.1f} {high:+.1f}]")


def reliability(name: str, nights: Nights, chance: Array) -> None:
    """What was said and what happened, in bins, over all nights that nothing was chosen on."""
    held_out = ~to_choose_on(nights)
    inside = np.minimum(np.searchsorted(BIN_EDGES, chance, side="right") - 1, len(BIN_EDGES) - 2)
    print(f"  {nights.lead_h:.0f} h {name}")
    for one in range(len(BIN_EDGES) - 1):
        here = held_out & (inside == one)
        if not here.any():
            continue
        low, high = interval(nights.days[here], (nights.froze - chance)[here])
        mark = "*" if low > 0.0 or high < 0.0 else " "
        print(f"    said {chance[here].mean():.3f}, happened {nights.froze[here].mean():.3f}{mark} of {here.sum()}")


if __name__ == "__main__":
    main()
