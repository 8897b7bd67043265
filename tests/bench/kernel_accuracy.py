"""Measure both engines against the full equations on measured nights, and the time of one machine's outlook.

    python tests/bench/kernel_accuracy.py [nights]

Prints missed freezes, onset error (kernel minus exact, minutes), ice error, energy residual and times. Nothing here
passes or fails; tests/reference/test_freeze_exact.py holds a small set to limits.
"""

from __future__ import annotations

import statistics
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from carewatch.freeze.assess import assess
from carewatch.freeze.engines import NAMES, NUMPY, engine_named, has_numba
from carewatch.freeze.exchange import Forcing
from carewatch.freeze.kernel import SUB_STEPS, SWEEP_SUB_STEPS, Kernel, Load
from carewatch.freeze.parts import BOOM_PIPE, HOSES, PUMP, TANK, VALVE, stack
from tests.freeze.farm import NOW, case
from tests.reference.exact import Marks, solve
from tests.reference.measured_nights import greensboro, stations

PARTS = {"valve": VALVE, "boom_pipe": BOOM_PIPE, "hoses": HOSES, "pump": PUMP, "tank": TANK}


def kernel_run(kernel: Kernel, parts, marks: Marks, sub_steps: int):
    def columns(values: np.ndarray) -> np.ndarray:
        return np.repeat(values[:, None], len(parts), axis=1)

    arrays = stack(parts)
    forcing = Forcing(
        air_c=columns(marks.air_c),
        dew_c=columns(marks.dew_c),
        wind_mps=columns(marks.wind_mps),
        cloud_fraction=columns(marks.cloud),
        ground_below_air_c=columns(marks.ground_below_c),
        sky_open=columns(np.ones_like(marks.air_c)),
        is_wet=columns(marks.wet),
    )
    start_c = np.full(len(parts), marks.air_c[0])
    load = Load(
        parts=arrays,
        forcing=forcing,
        start_j=arrays.enthalpy_j(np.maximum(start_c, arrays.freezes_at_c)),
        first_h=np.zeros(len(parts)),
        last_h=np.full(len(parts), float(forcing.hours)),
    )
    return kernel(load, sub_steps=sub_steps)


def main() -> None:
    nights = [*stations(), *greensboro()][: int(sys.argv[1]) if len(sys.argv) > 1 else None]
    bodies = list(PARTS.values())
    began = time.perf_counter()
    exact = [[solve(part, marks, start_c=marks.air_c[0]) for part in bodies] for marks in nights]
    print(f"{len(nights)} nights x {len(bodies)} parts, exact solution in {time.perf_counter() - began:.1f} s")
    for name in (name for name in NAMES if name == NUMPY or has_numba()):
        for sub_steps in (2, 3, SWEEP_SUB_STEPS, SUB_STEPS, 12):
            compare(name, nights, bodies, exact, sub_steps)
    outlook_time()


def compare(name: str, nights, bodies, exact, sub_steps: int) -> None:
    kernel = engine_named(name)
    missed = false = freezes = 0
    errors_min, ice, residual, temperature = [], [], [], []
    for marks, solutions in zip(nights, exact, strict=True):
        run = kernel_run(kernel, bodies, marks, sub_steps)
        for j, solution in enumerate(solutions):
            has, should = not np.isnan(run.onset_h[j]), not np.isnan(solution.onset_h)
            freezes += should
            missed += should and not has
            false += has and not should
            if has and should:
                errors_min.append(60.0 * (run.onset_h[j] - solution.onset_h))
            ice.append(np.abs(run.ice_fraction[:, j] - solution.ice_fraction).max())
            temperature.append(np.sqrt(np.mean((run.part_c[:, j] - solution.part_c) ** 2)))
            residual.append(abs(run.end_j[j] - solution.end_j) / solution.exchanged_j)
    absolute = np.abs(errors_min)
    print(
        f"{name} {sub_steps:2d} sub-steps/h: {freezes} freezes, missed {missed}, false {false}; onset error min mean "
        f"{np.mean(errors_min):+.3f} sd {np.std(errors_min):.3f} p95 {np.percentile(absolute, 95):.2f} max "
        f"{absolute.max():.2f}; part rms {np.sqrt(np.mean(np.square(temperature))):.3f} K; ice max {max(ice):.4f}; "
        f"energy residual median {np.median(residual):.1e} max {max(residual):.1e}"
    )


def outlook_time() -> None:
    one = case(1.0, nights=10)
    wall_s, processor_s = zip(*(timed([one]) for _ in range(15)), strict=True)
    parts = len(one.machine.wetted_parts)
    print(
        f"one machine, {parts} wetted parts, 10 nights: median {statistics.median(wall_s):.3f} s, "
        f"best {min(wall_s):.3f}, worst {max(wall_s):.3f}; processor time median {statistics.median(processor_s):.3f} s"
    )
    many = [case(low, nights=10) for low in np.linspace(-5.0, 10.0, 32)]
    wall, processor = timed(many)
    print(f"{len(many)} machines, 10 nights: {wall:.2f} s, processor {1000.0 * processor / len(many):.0f} ms each")


def timed(cases) -> tuple[float, float]:
    began, began_processor = time.perf_counter(), time.process_time()
    assess(cases, now=NOW)
    return time.perf_counter() - began, time.process_time() - began_processor


if __name__ == "__main__":
    main()
