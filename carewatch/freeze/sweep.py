"""Freeze margins of fleets the size of a continent: many nights, a few parts, as much memory as a few thousand nights.

The parts begin each night as warm as its air and without ice, and the whole night moves with the shift: a machine's own
outlook, with what it holds, where it stood and the ice left over from before, is `assess.assess`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from carewatch.freeze.air import STILL_AIR_MPS
from carewatch.freeze.exchange import Forcing
from carewatch.freeze.forcing import WIND_FACTORS
from carewatch.freeze.kernel import SWEEP_SUB_STEPS, Kernel
from carewatch.freeze.margin import Nights, freeze_margins_c
from carewatch.freeze.parts import Part, stack

FloatArray = npt.NDArray[np.float64]

WINDS = len(WIND_FACTORS)
NIGHTS_AT_ONCE = 500  # bounds the memory and keeps both threads busy to the end; changes no number
# chosen, fitted to 6,000 made nights: only where the search begins
CLEAR_STILL_C, CLOUD_KEEPS, WIND_KEEPS = 5.7, 0.92, 1.7
ICE_SIDE_C = 0.8  # chosen: from a first try with ice the roots of the three winds are told apart best


def sweep(
    chunks: Iterable[Forcing],
    parts: Sequence[Part],
    *,
    kernel: Kernel,
    sub_steps: int = SWEEP_SUB_STEPS,
    workers: int = 2,
) -> Iterator[FloatArray]:
    """Freeze margins [nights, parts] of chunk after chunk of nights, in their order.

    Parameters
    ----------
    chunks : iterable of Forcing
        Weather of some hundred nights each, [hours + 1, nights], with the forecast's own wind at the part; taken one
        by one, so that they may be made or read while others are worked on.
    parts : sequence of Part
        What is asked about in every night.
    kernel : Kernel
        Engine of the heat balance.
    sub_steps : int
        Steps an hour.
    workers : int
        Threads; both engines let others run while they compute.
    """
    pending: deque[Future[FloatArray]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        for chunk in chunks:
            pending.append(pool.submit(night_margins_c, chunk, parts, kernel=kernel, sub_steps=sub_steps))
            if len(pending) > workers:
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()


def night_margins_c(
    weather: Forcing, parts: Sequence[Part], *, kernel: Kernel, sub_steps: int = SWEEP_SUB_STEPS
) -> FloatArray:
    """Freeze margins [nights, parts] in K, the worst wind counts, for nights with weather [hours + 1, nights]."""
    count = weather.air_c.shape[1]
    found = [
        freeze_margins_c(
            nights_of(weather.take(slice(at, at + NIGHTS_AT_ONCE)), parts),
            kernel=kernel,
            winds=WINDS,
            sub_steps=sub_steps,
        )
        for at in range(0, count, NIGHTS_AT_ONCE)
    ]
    return np.concatenate(found).reshape(count, len(parts)) if found else np.zeros((0, len(parts)))


def nights_of(weather: Forcing, parts: Sequence[Part]) -> Nights:
    """Every part in every night under every wind; columns lie as night, part, wind."""
    count, each = weather.air_c.shape[1], len(parts) * WINDS
    night = np.repeat(np.arange(count), each)
    wind = np.tile(np.arange(WINDS), count * len(parts))
    winds_mps = [np.maximum(weather.wind_mps * factor, STILL_AIR_MPS) for factor in WIND_FACTORS]
    return Nights(
        parts=stack([part for part in parts for _ in range(WINDS)]).take(np.tile(np.arange(each), count)),
        forcing=replace(weather, wind_mps=np.concatenate(winds_mps, axis=1)),
        weather_of=night,
        wind_of=wind * count + night,
        start_c=weather.air_c[0][night],
        first_h=np.zeros(night.size),
        last_h=np.full(night.size, float(weather.hours)),
        guessed_low_c=_guessed_low_c(weather)[night],
    )


def _guessed_low_c(weather: Forcing) -> FloatArray:
    """About how cold a part gets in each night [°C]: below the coldest air, the more so the clearer and stiller.

    Guessed a little too warm, so that the first shift makes ice in most.
    """
    at = (weather.air_c.argmin(axis=0), np.arange(weather.air_c.shape[1]))
    openness = weather.sky_open[at] * (1.0 - CLOUD_KEEPS * weather.cloud_fraction[at])
    below_c = CLEAR_STILL_C * openness / (1.0 + WIND_KEEPS * np.sqrt(weather.wind_mps[at]))
    return np.asarray(weather.air_c[at] - below_c + ICE_SIDE_C)
