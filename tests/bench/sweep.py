"""Measure the sweep of freeze margins: speed, memory, what its short cuts change, and how near it is to the processor.

    python -m tests.bench.sweep [SITES ...]        default 1000 10000 100000
    python -m tests.bench.sweep --one ENGINE SITES

Four parts (valve, boom pipe, hoses, pump) under three winds, ten nights of 24 h, every site-night with weather of its
own (tests/freeze/made_nights.py). Making the weather is not part of the seconds. Nothing here passes or fails.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from dataclasses import dataclass

import numpy as np

from carewatch.freeze import margin
from carewatch.freeze.engines import NAMES, engine_named, fastest, has_numba
from carewatch.freeze.exchange import Forcing
from carewatch.freeze.kernel import SUB_STEPS, SWEEP_SUB_STEPS, Kernel, Load, Run
from carewatch.freeze.margin import freeze_margins_c
from carewatch.freeze.parts import BOOM_PIPE, HOSES, PUMP, VALVE
from carewatch.freeze.sweep import NIGHTS_AT_ONCE, WINDS, night_margins_c, nights_of, sweep
from tests.bench.arithmetic import limit_s, rates
from tests.freeze.made_nights import HOURS, chunks, made_nights
from tests.reference.exact import Marks, solve

FOUR = (VALVE, BOOM_PIPE, HOSES, PUMP)
NIGHTS = 10
SITES = (1_000, 10_000, 100_000)
AT_ONCE = 20_000  # nights whose weather is made before the clock runs
PROOF_NIGHTS = 26_000


def main(words: list[str]) -> None:
    if words[:1] == ["--one"]:
        print_one(words[1], int(words[2]))
        return
    engines = [name for name in NAMES if name == "numpy" or has_numba()]
    print("seconds by the clock, processor seconds of all threads, peak memory of the whole process")
    heads = f"{'engine':8}{'sites':>9}{'seconds':>9}{'processor':>11}{'ms/site':>9}"
    print(heads + f"{'part-nights/s':>15}{'part-hours/s':>14}{'peak MB':>9}")
    for name in engines:
        for sites in [int(word) for word in words] or SITES:
            own_process = [sys.executable, "-m", "tests.bench.sweep", "--one", name, str(sites)]
            print(subprocess.run(own_process, check=True, capture_output=True, text=True).stdout, end="", flush=True)
    for name in engines:
        print_ratios(name)
    if has_numba():
        print_limit()
    print_screening()
    print_search_error()
    print_steps()


def print_one(name: str, sites: int) -> None:
    """One line of the table; called in a process of its own, for the peak of memory."""
    kernel = engine_named(name)
    night_margins_c(made_nights(10, seed=0), FOUR, kernel=kernel)
    seconds, processor_s, nights = 0.0, 0.0, sites * NIGHTS
    for number, at in enumerate(range(0, nights, AT_ONCE)):
        count = min(AT_ONCE, nights - at)
        work = list(chunks(count, at_once=NIGHTS_AT_ONCE, seed=1000 * number))
        began, began_processor = time.perf_counter(), time.process_time()
        found = sum(one.shape[0] for one in sweep(work, FOUR, kernel=kernel))
        seconds += time.perf_counter() - began
        processor_s += time.process_time() - began_processor
        assert found == count
    part_nights = nights * len(FOUR)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    line = f"{name:8}{sites:9,}{seconds:9.2f}{processor_s:11.2f}{1000 * seconds / sites:9.3f}"
    print(line + f"{part_nights / seconds:15,.0f}{HOURS * part_nights / seconds:14,.0f}{peak_mb:9.0f}")


@dataclass
class Counting:
    """An engine that counts the columns it ran and its own seconds."""

    kernel: Kernel
    columns: int = 0
    passes: int = 0
    seconds: float = 0.0

    def __call__(self, load: Load, **how) -> Run:
        began = time.perf_counter()
        run = self.kernel(load, **how)
        self.seconds += time.perf_counter() - began
        self.columns += load.parts.count
        self.passes += 1
        return run


def print_ratios(name: str, cases: int = 300, nights: int = 2000) -> None:
    """One thread of an engine beside scipy and beside a loop that asks for one part in one night at a time."""
    kernel, weather = engine_named(name), made_nights(nights, seed=1)
    work = nights_of(weather, FOUR)
    every = np.arange(work.parts.count)
    began = time.perf_counter()
    kernel(work.under(np.zeros(every.size), every), sub_steps=SUB_STEPS)
    run_s = (time.perf_counter() - began) / every.size
    began = time.perf_counter()
    for case in range(cases):
        solve(FOUR[case % 4], marks_of(weather, case), start_c=float(weather.air_c[0, case]))
    exact_s = (time.perf_counter() - began) / cases
    began = time.perf_counter()
    night_margins_c(weather, FOUR, kernel=kernel)
    margin_s = (time.perf_counter() - began) / (nights * len(FOUR))
    few = 12
    began = time.perf_counter()
    for part in FOUR:
        for night in range(few):
            alone = nights_of(weather.take(slice(night, night + 1)), (part,))
            freeze_margins_c(alone, kernel=kernel, sub_steps=SWEEP_SUB_STEPS).max()
    loop_s = (time.perf_counter() - began) / (few * len(FOUR))
    print(
        f"\n{name}, one thread: a part-night's run with ice {1e6 * run_s:.1f} us, scipy {1e6 * exact_s:,.0f} us"
        f" ({exact_s / run_s:,.0f} times); a margin {1e6 * margin_s:.1f} us, by part-night alone {1e6 * loop_s:,.0f} us"
        f" ({loop_s / margin_s:,.0f} times)"
    )


def marks_of(weather: Forcing, night: int) -> Marks:
    """A made night as the exact equations want it."""
    return Marks(
        air_c=weather.air_c[:, night],
        dew_c=weather.dew_c[:, night],
        wind_mps=weather.wind_mps[:, night],
        cloud=weather.cloud_fraction[:, night],
        ground_below_c=weather.ground_below_air_c[:, night],
        wet=weather.is_wet[:, night],
    )


def print_limit(nights: int = 16 * NIGHTS_AT_ONCE) -> None:
    """How much of the seconds the processor's own speed for the counted operations explains."""
    kernel = Counting(engine_named("numba"))
    work = list(chunks(nights, at_once=NIGHTS_AT_ONCE, seed=50))
    began = time.perf_counter()
    for weather in work:
        night_margins_c(weather, FOUR, kernel=kernel)
    seconds = time.perf_counter() - began
    found = rates()
    least_s = limit_s(kernel.columns * HOURS, sub_steps=SWEEP_SUB_STEPS, of=found)
    print(
        f"\narithmetic of the compiled engine, one thread: {found.root / 1e9:.2f} G square roots/s, "
        f"{found.division / 1e9:.2f} G divisions/s, {found.fused / 1e9:.1f} G multiply-adds/s; "
        f"{kernel.columns / (nights * len(FOUR) * WINDS):.2f} runs a part-night and wind in "
        f"{kernel.passes / len(work):.1f} passes; at those rates {least_s:.2f} s, "
        f"engine {kernel.seconds:.2f} s ({least_s / kernel.seconds:.0%}), whole search {seconds:.2f} s"
    )


def print_screening(nights: int = PROOF_NIGHTS) -> None:
    """Margins with winds left that cannot win, and with every wind followed to the end."""
    differences, saved = [], []
    for weather in chunks(nights, at_once=NIGHTS_AT_ONCE, seed=7000):
        work, few, all_of_them = nights_of(weather, FOUR), Counting(fastest()), Counting(fastest())
        screened = freeze_margins_c(work, kernel=few, winds=WINDS, sub_steps=SWEEP_SUB_STEPS)
        every = freeze_margins_c(
            work, kernel=all_of_them, winds=WINDS, sub_steps=SWEEP_SUB_STEPS, follows_every_wind=True
        )
        differences.append(np.abs(screened - every))
        saved.append(1.0 - few.columns / all_of_them.columns)
    found = np.concatenate(differences)
    print(
        f"\nleaving winds that cannot win, {found.size:,} part-nights: {np.count_nonzero(found)} margins differ, by at "
        f"most {found.max():.4f} K (searched to {margin.TOLERANCE_C} K), {np.mean(saved):.0%} of the runs saved"
    )


def print_search_error(nights: int = 16 * NIGHTS_AT_ONCE) -> None:
    """Margins of the search beside roots found to 1e-5 K for every wind on its own."""
    errors = []
    for weather in chunks(nights, at_once=NIGHTS_AT_ONCE, seed=8000):
        found = night_margins_c(weather, FOUR, kernel=fastest()).reshape(-1)
        errors.append(found - fine_margins_c(weather))
    error = np.abs(np.concatenate(errors))
    print(
        f"the search, {error.size:,} part-nights, against roots to 1e-5 K: rms {np.sqrt(np.mean(error**2)):.5f}, "
        f"99.9 % within {np.percentile(error, 99.9):.5f}, worst {error.max():.3f} K, "
        f"{np.count_nonzero(error > margin.TOLERANCE_C)} beyond {margin.TOLERANCE_C} K"
    )


def fine_margins_c(weather: Forcing) -> np.ndarray:
    """The search with every step tried, to 1e-5 K."""
    usual = (margin.TOLERANCE_C, margin.SLOPE_DOUBT, margin.PASSES)
    margin.TOLERANCE_C, margin.SLOPE_DOUBT, margin.PASSES = 1e-5, 1.0, 80
    try:
        alone = freeze_margins_c(nights_of(weather, FOUR), kernel=fastest(), sub_steps=SWEEP_SUB_STEPS)
    finally:
        margin.TOLERANCE_C, margin.SLOPE_DOUBT, margin.PASSES = usual
    return alone.reshape(-1, WINDS).max(axis=1)


def print_steps(nights: int = 4 * NIGHTS_AT_ONCE) -> None:
    """What fewer steps an hour do to a margin."""
    weather = made_nights(nights, seed=9000)
    finest = night_margins_c(weather, FOUR, kernel=fastest(), sub_steps=48)
    for steps in (SWEEP_SUB_STEPS, SUB_STEPS):
        error = night_margins_c(weather, FOUR, kernel=fastest(), sub_steps=steps) - finest
        print(
            f"{steps} steps an hour against 48, {error.size:,} part-nights: margin rms "
            f"{np.sqrt(np.mean(error**2)):.4f} K, worst {np.abs(error).max():.3f} K"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
