"""Every case's parts, winds and nights on one batch axis, and what the heat balance says of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from carewatch.freeze.exchange import MARKS, Forcing
from carewatch.freeze.forcing import DRIES_IN_H, HOUR, WIND_FACTORS, Surroundings
from carewatch.freeze.kernel import Kernel, Load, Run
from carewatch.freeze.margin import Nights, freeze_margins_c
from carewatch.freeze.parts import Part, PartArrays, stack
from carewatch.weather.nights import Night

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

WINDS = len(WIND_FACTORS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """One part of one case: what it is and when its liquid got in (None: before the series)."""

    part: Part
    entered_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One case for the batch: what it feels, its bodies, its nights (only those with weather)."""

    feels: Surroundings
    bodies: tuple[Body, ...]
    nights: tuple[Night, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A place in the batch: job, body, night, each by its index."""

    job: int
    body: int
    night: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One body over one night under one shift, the worse of the winds. Arrays [marks of the night], first at `from_at`.

    `ice_fraction` the most ice of any wind case, `part_c` the coldest; `onset_at` first ice, None if there is none.
    """

    from_at: datetime
    ice_fraction: FloatArray
    part_c: FloatArray
    onset_at: datetime | None

    def ice_at(self, moment: datetime) -> float:
        """Ice fraction at the last hour mark not after a moment, held inside the night."""
        mark = min(max(int((moment - self.from_at) / HOUR), 0), self.ice_fraction.shape[0] - 1)
        return float(self.ice_fraction[mark])


class Batch:
    """The main run of all jobs, and the nights cut out of it.

    Columns lie as job, body, wind; a night's columns as key, wind.
    """

    def __init__(self, jobs: Sequence[Job], *, kernel: Kernel) -> None:
        self.jobs = jobs
        self.kernel = kernel
        self.start_at = min(job.feels.start_at for job in jobs)
        self.first_column = np.cumsum([0, *(len(job.bodies) * WINDS for job in jobs)])
        self.marks = max(self._mark(job.feels.start_at) + job.feels.marks for job in jobs)
        self.parts = stack([body.part for job in jobs for body in job.bodies for _ in range(WINDS)])
        self.first_h = np.array(
            [float(self._entered_mark(job, body)) for job in jobs for body in job.bodies for _ in range(WINDS)]
        )
        self.forcing = self._forcing()
        self.moves = self._columns([np.broadcast_to(job.feels.moves, (WINDS, job.feels.marks)) for job in jobs])
        self.keys = [
            Key(job=j, body=b, night=n)
            for j, job in enumerate(jobs)
            for b in range(len(job.bodies))
            for n in range(len(job.nights))
        ]
        self.at_key = {key: i for i, key in enumerate(self.keys)}
        self.columns = np.array(
            [self.first_column[key.job] + key.body * WINDS + wind for key in self.keys for wind in range(WINDS)],
            dtype=np.intp,
        )
        self.from_mark, self.to_mark = self._night_marks()
        self.night_hours = int(np.max(self.to_mark - self.from_mark, initial=1))
        self.main = self._main()

    def margins_c(self) -> FloatArray:
        """Freeze margin of every key [K]; the wind that is worse counts."""
        index = np.arange(self.columns.size)
        forcing, moves = self._night_forcing(index)
        likely_low_c, low_air_c = self._lows_c(forcing)
        nights = Nights(
            parts=self.parts.take(self.columns),
            forcing=forcing,
            moves=moves,
            start_c=self.main.part_c[self._start_mark(index), self.columns],
            first_h=self._first_h(index),
            last_h=(self.to_mark - self.from_mark).astype(np.float64),
            likely_low_c=likely_low_c,
            low_air_c=low_air_c,
        )
        return freeze_margins_c(nights, kernel=self.kernel, winds=WINDS)

    def under_shift(self, keys: Sequence[int], shift_c: Sequence[float]) -> list[Trace]:
        """What happens to some keys when their night turns out `shift_c` warmer; ice left over from before goes on."""
        if not keys:
            return []
        index = (np.asarray(keys, dtype=np.intp)[:, None] * WINDS + np.arange(WINDS)).reshape(-1)
        shift = np.repeat(np.asarray(shift_c, dtype=np.float64), WINDS)
        forcing, moves = self._night_forcing(index)
        start_mark, columns = self._start_mark(index), self.columns[index]
        parts = self.parts.take(columns)
        load = Load(
            parts=parts,
            forcing=forcing.shifted(shift * moves),
            start_j=heat_j(parts, self.main.part_c[start_mark, columns], self.main.ice_fraction[start_mark, columns]),
            first_h=self._first_h(index),
            last_h=(self.to_mark - self.from_mark)[index].astype(np.float64),
        )
        return self._traces(index, self.kernel(load))

    def main_trace(self, key: int) -> Trace:
        """The forecast as it is for one key; `onset_at` is when the ice that is there at the end, or formed, began."""
        columns = self._winds(key)
        first, last = self._span(key)
        ice = self.main.ice_fraction[first : last + 1, columns].max(axis=1)
        part_c = self.main.part_c[first : last + 1, columns].min(axis=1)
        return Trace(from_at=self._moment(first), ice_fraction=ice, part_c=part_c, onset_at=None)

    def ice_since(self, key: int, moment: datetime) -> datetime | None:
        """When the ice that the forecast itself says is there at a moment began; None if there is none then."""
        columns = self._winds(key)
        mark = min(max(int((moment - self.start_at) / HOUR), 0), self.main.ice_fraction.shape[0] - 1)
        ice = self.main.ice_fraction[: mark + 1, columns].max(axis=1)
        if ice[-1] <= 0.0:
            return None
        without = np.flatnonzero(ice <= 0.0)
        return self._moment(int(without[-1]) if without.size else 0)

    def _winds(self, key: int) -> IndexArray:
        return self.columns[key * WINDS : (key + 1) * WINDS]

    def _span(self, key: int) -> tuple[int, int]:
        """First and last mark of a night in which the part holds its liquid."""
        at = key * WINDS
        last = int(self.to_mark[at])
        return min(max(int(self.from_mark[at]), int(self.first_h[self.columns[at]])), last), last

    def _moment(self, mark: float) -> datetime:
        return self.start_at + timedelta(hours=mark)

    def _mark(self, moment: datetime) -> int:
        return int((moment - self.start_at) / HOUR)

    def _entered_mark(self, job: Job, body: Body) -> int:
        from_mark = self._mark(job.feels.start_at)
        return from_mark if body.entered_at is None else from_mark + job.feels.mark_at_or_before(body.entered_at)

    def _columns(self, per_job: Sequence[npt.NDArray[np.float64]]) -> FloatArray:
        """[winds, marks] of each job, for each of its bodies, on the common marks; ends are held outside."""
        columns = []
        for job, values in zip(self.jobs, per_job, strict=True):
            before = self._mark(job.feels.start_at)
            held = np.pad(values, ((0, 0), (before, self.marks - before - values.shape[1])), mode="edge")
            columns.append(np.tile(held, (len(job.bodies), 1)))
        return np.ascontiguousarray(np.concatenate(columns).T)

    def _forcing(self) -> Forcing:
        def same(name: str) -> FloatArray:
            return self._columns([np.tile(getattr(job.feels, name), (WINDS, 1)) for job in self.jobs])

        return Forcing(
            air_c=same("air_c"),
            dew_c=same("dew_c"),
            wind_mps=self._columns([job.feels.wind_mps for job in self.jobs]),
            cloud_fraction=same("cloud_fraction"),
            ground_below_air_c=same("ground_below_air_c"),
            sky_open=same("sky_open"),
            is_wet=np.maximum(same("is_wet"), self._rinsed()),
        )

    def _rinsed(self) -> FloatArray:
        """1 for two hours after a liquid got in, where the spot does not keep the outside dry."""
        is_open = self._columns([np.tile(job.feels.is_open.astype(np.float64), (WINDS, 1)) for job in self.jobs])
        entered = np.array(
            [body.entered_at is not None for job in self.jobs for body in job.bodies for _ in range(WINDS)]
        )
        since = np.arange(self.marks)[:, None] - self.first_h[None, :]
        return np.where((since >= 0) & (since <= DRIES_IN_H) & entered, is_open, 0.0)

    def _night_marks(self) -> tuple[IndexArray, IndexArray]:
        first, last = [], []
        for key in self.keys:
            job, night = self.jobs[key.job], self.jobs[key.job].nights[key.night]
            before = self._mark(job.feels.start_at)
            first += [before + job.feels.mark_at_or_before(night.start_at)] * WINDS
            last += [before + job.feels.mark_at_or_after(night.end_at)] * WINDS
        return np.array(first, dtype=np.intp), np.array(last, dtype=np.intp)

    def _main(self) -> Run:
        """The forecast as it is, from each liquid's entry to the last night; it starts as warm as the air, unfrozen."""
        entry_c = self.forcing.air_c[self.first_h.astype(np.intp), np.arange(self.parts.count)]
        last = np.zeros(len(self.jobs))
        np.maximum.at(last, [key.job for key in self.keys], self.to_mark[::WINDS])
        marks = int(last.max()) + 1
        load = Load(
            parts=self.parts,
            forcing=Forcing(**{name: getattr(self.forcing, name)[:marks] for name in MARKS}),
            start_j=self.parts.enthalpy_j(np.maximum(entry_c, self.parts.freezes_at_c)),
            first_h=self.first_h,
            last_h=np.repeat(last, np.diff(self.first_column)),
        )
        return self.kernel(load)

    def _start_mark(self, index: IndexArray) -> IndexArray:
        """The night's first mark, or the liquid's entry if it got in later."""
        entered = self.first_h[self.columns[index]].astype(np.intp)
        return np.minimum(np.maximum(self.from_mark[index], entered), self.to_mark[index])

    def _first_h(self, index: IndexArray) -> FloatArray:
        return (self._start_mark(index) - self.from_mark[index]).astype(np.float64)

    def _night_forcing(self, index: IndexArray) -> tuple[Forcing, FloatArray]:
        fields = {name: self._cut(getattr(self.forcing, name), index) for name in MARKS}
        return Forcing(**fields), self._cut(self.moves, index)

    def _cut(self, values: FloatArray, index: IndexArray) -> FloatArray:
        """[marks, columns] of the whole time to [marks, nights' columns]."""
        hours = np.arange(self.night_hours + 1)[:, None]
        marks = np.minimum(self.from_mark[index] + hours, values.shape[0] - 1)
        return np.asarray(values.reshape(-1).take(marks * self.parts.count + self.columns[index]))

    def _lows_c(self, forcing: Forcing) -> tuple[FloatArray, FloatArray]:
        """Coldest of each part and of its air over its night as forecast; NaN for a part in which there is ice."""
        index = np.arange(self.columns.size)
        hour = np.arange(self.night_hours + 1)[:, None]
        inside = (hour >= self._first_h(index)) & (hour <= self.to_mark - self.from_mark)
        part_c = np.where(inside, self._cut(self.main.part_c, index), np.inf).min(axis=0)
        ice = np.where(inside, self._cut(self.main.ice_fraction, index), 0.0).max(axis=0)
        return np.where(ice > 0.0, np.nan, part_c), np.where(inside, forcing.air_c, np.inf).min(axis=0)

    def _traces(self, index: IndexArray, run: Run) -> list[Trace]:
        traces = []
        for at in range(0, index.size, WINDS):
            span = slice(at, at + WINDS)
            first = int(self._first_h(index[at : at + 1])[0])
            last = int((self.to_mark - self.from_mark)[index[at]])
            from_mark = int(self.from_mark[index[at]])
            onset_h = run.onset_h[span]
            has_ice = not np.isnan(onset_h).all()
            traces.append(
                Trace(
                    from_at=self._moment(from_mark + first),
                    ice_fraction=run.ice_fraction[first : last + 1, span].max(axis=1),
                    part_c=run.part_c[first : last + 1, span].min(axis=1),
                    onset_at=self._moment(from_mark + float(np.nanmin(onset_h))) if has_ice else None,
                )
            )
        return traces


def heat_j(parts: PartArrays, part_c: FloatArray, ice_fraction: FloatArray) -> FloatArray:
    """Heat above liquid at the freezing point [J] of parts whose temperature [°C] and ice fraction are known."""
    solid_j = np.minimum(part_c - parts.freezes_at_c, 0.0) * parts.solid_j_per_k
    return np.where(ice_fraction > 0.0, -ice_fraction * parts.latent_j + solid_j, parts.enthalpy_j(part_c))
