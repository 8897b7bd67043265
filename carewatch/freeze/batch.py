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

    Columns lie as job, body, wind; a night's columns as key, wind. Weather is held once for all who feel it: an air is
    what the bodies of a job feel whose liquid got in at the same time (a rinse leaves them wet), a wind one of its
    winds; a night's airs and winds lie as air or wind, night.
    """

    def __init__(self, jobs: Sequence[Job], *, kernel: Kernel) -> None:
        self.jobs = jobs
        self.kernel = kernel
        self.start_at = min(job.feels.start_at for job in jobs)
        self.marks = max(self._mark(job.feels.start_at) + job.feels.marks for job in jobs)
        bodies = [(j, job, body) for j, job in enumerate(jobs) for body in job.bodies]
        self.first_column = np.cumsum([0, *(len(job.bodies) * WINDS for job in jobs)])
        self.parts = stack([body.part for _, _, body in bodies for _ in range(WINDS)])
        self.first_h = np.repeat([float(self._entered_mark(job, body)) for _, job, body in bodies], WINDS)
        self.airs = list(dict.fromkeys((j, self._rinsed_mark(job, body)) for j, job, body in bodies))
        at_air = {air: i for i, air in enumerate(self.airs)}
        self.air_of = np.repeat([at_air[j, self._rinsed_mark(job, body)] for j, job, body in bodies], WINDS)
        self.wind_of = np.array([j * WINDS + wind for j, _, _ in bodies for wind in range(WINDS)], dtype=np.intp)
        self.forcing = self._forcing()
        self.moves = self._of_airs([job.feels.moves for job in jobs])
        self.keys = [
            Key(job=j, body=b, night=n)
            for j, job in enumerate(jobs)
            for b in range(len(job.bodies))
            for n in range(len(job.nights))
        ]
        self.columns = np.array(
            [self.first_column[key.job] + key.body * WINDS + wind for key in self.keys for wind in range(WINDS)],
            dtype=np.intp,
        )
        self.from_mark, self.to_mark = self._night_marks()
        self.night_hours = int(np.max(self.to_mark - self.from_mark, initial=1))
        self.nights, self.night_moves = self._nights()
        self.main = self._main()

    def margins_c(self) -> FloatArray:
        """Freeze margin of every key [K]; the wind that is worse counts."""
        index = np.arange(self.columns.size)
        night_air_of, night_wind_of = self._felt(index)
        likely_low_c, low_air_c = self._lows_c(night_air_of)
        nights = Nights(
            parts=self.parts.take(self.columns),
            forcing=self.nights,
            moves=self.night_moves,
            weather_of=night_air_of,
            wind_of=night_wind_of,
            start_c=self.main.part_c[self._start_mark(index), self.columns],
            first_h=self._first_h(index),
            last_h=(self.to_mark - self.from_mark).astype(np.float64),
            likely_low_c=likely_low_c,
            guessed_low_c=low_air_c,
        )
        return freeze_margins_c(nights, kernel=self.kernel, winds=WINDS)

    def under_shift(self, keys: Sequence[int], shift_c: Sequence[float]) -> list[Trace]:
        """What happens to some keys when their night turns out `shift_c` warmer; ice left over from before goes on."""
        if not keys:
            return []
        index = (np.asarray(keys, dtype=np.intp)[:, None] * WINDS + np.arange(WINDS)).reshape(-1)
        night_air_of, night_wind_of = self._felt(index)
        start_mark, columns = self._start_mark(index), self.columns[index]
        parts = self.parts.take(columns)
        load = Load(
            parts=parts,
            forcing=self.nights,
            moves=self.night_moves,
            weather_of=night_air_of,
            wind_of=night_wind_of,
            shift_c=np.repeat(np.asarray(shift_c, dtype=np.float64), WINDS),
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

    def _rinsed_mark(self, job: Job, body: Body) -> int | None:
        """The mark at which its liquid got in, if it did so within the series."""
        return None if body.entered_at is None else self._entered_mark(job, body)

    def _on_marks(self, job: Job, values: FloatArray) -> FloatArray:
        """[..., marks] of a job on the common marks; ends are held outside."""
        before = self._mark(job.feels.start_at)
        ends = (before, self.marks - before - values.shape[-1])
        return np.pad(values, [(0, 0)] * (values.ndim - 1) + [ends], mode="edge")

    def _of_airs(self, per_job: Sequence[FloatArray]) -> FloatArray:
        """[marks] of each job to [common marks, airs]."""
        held = [self._on_marks(job, values) for job, values in zip(self.jobs, per_job, strict=True)]
        return np.stack([held[j] for j, _ in self.airs], axis=1)

    def _forcing(self) -> Forcing:
        def same(name: str) -> FloatArray:
            return self._of_airs([getattr(job.feels, name) for job in self.jobs])

        return Forcing(
            air_c=same("air_c"),
            dew_c=same("dew_c"),
            wind_mps=np.concatenate([self._on_marks(job, job.feels.wind_mps) for job in self.jobs]).T,
            cloud_fraction=same("cloud_fraction"),
            ground_below_air_c=same("ground_below_air_c"),
            sky_open=same("sky_open"),
            is_wet=np.maximum(same("is_wet"), self._rinsed()),
        )

    def _rinsed(self) -> FloatArray:
        """1 for two hours after a liquid got in, where the spot does not keep the outside dry."""
        is_open = self._of_airs([job.feels.is_open.astype(np.float64) for job in self.jobs])
        entered = np.array([np.inf if mark is None else float(mark) for _, mark in self.airs])
        since = np.arange(self.marks)[:, None] - entered
        return np.where((since >= 0) & (since <= DRIES_IN_H), is_open, 0.0)

    def _night_span(self, job: int, night: Night) -> tuple[int, int]:
        """First and last mark of a night."""
        feels = self.jobs[job].feels
        before = self._mark(feels.start_at)
        return before + feels.mark_at_or_before(night.start_at), before + feels.mark_at_or_after(night.end_at)

    def _night_marks(self) -> tuple[IndexArray, IndexArray]:
        """First and last mark of every night's column."""
        spans = [self._night_span(key.job, self.jobs[key.job].nights[key.night]) for key in self.keys]
        first, last = np.repeat(np.array(spans, dtype=np.intp).reshape(-1, 2), WINDS, axis=0).T
        return first, last

    def _main(self) -> Run:
        """The forecast as it is, from each liquid's entry to the last night; it starts as warm as the air, unfrozen."""
        entry_c = self.forcing.air_c[self.first_h.astype(np.intp), self.air_of]
        last = np.zeros(len(self.jobs))
        np.maximum.at(last, [key.job for key in self.keys], self.to_mark[::WINDS])
        marks = int(last.max()) + 1
        load = Load(
            parts=self.parts,
            forcing=Forcing(**{name: getattr(self.forcing, name)[:marks] for name in MARKS}),
            weather_of=self.air_of,
            wind_of=self.wind_of,
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

    def _nights(self) -> tuple[Forcing, FloatArray]:
        """Weather and moves of every air's and wind's nights, [marks of the longest night, airs or winds x nights]."""
        airs = [(air, j, night) for air, (j, _) in enumerate(self.airs) for night in self.jobs[j].nights]
        winds = [
            (j * WINDS + wind, j, night)
            for j, job in enumerate(self.jobs)
            for wind in range(WINDS)
            for night in job.nights
        ]
        fields = {name: self._cut(getattr(self.forcing, name), airs) for name in MARKS if name != "wind_mps"}
        return Forcing(**fields, wind_mps=self._cut(self.forcing.wind_mps, winds)), self._cut(self.moves, airs)

    def _cut(self, values: FloatArray, nights: Sequence[tuple[int, int, Night]]) -> FloatArray:
        """Nights (column, job, night) out of the whole time [marks, columns]."""
        columns = np.array([column for column, _, _ in nights], dtype=np.intp)
        from_mark = np.array([self._night_span(j, night)[0] for _, j, night in nights], dtype=np.intp)
        return values[self._marks_from(from_mark, values.shape[0]), columns]

    def _marks_from(self, from_mark: IndexArray, marks: int) -> IndexArray:
        """[hours of the longest night + 1, n] marks from the first one on, held at the last."""
        return np.asarray(np.minimum(from_mark + np.arange(self.night_hours + 1)[:, None], marks - 1))

    def _felt(self, index: IndexArray) -> tuple[IndexArray, IndexArray]:
        """Which air's and which wind's night each of a night's columns feels."""
        nights = np.array([len(job.nights) for job in self.jobs])
        airs_before = np.cumsum([0, *(nights[j] for j, _ in self.airs)])
        winds_before = np.cumsum([0, *np.repeat(nights, WINDS)])
        night = np.repeat([key.night for key in self.keys], WINDS)[index]
        columns = self.columns[index]
        return airs_before[self.air_of[columns]] + night, winds_before[self.wind_of[columns]] + night

    def _lows_c(self, night_air_of: IndexArray) -> tuple[FloatArray, FloatArray]:
        """Coldest of each part and of its air over its night as forecast; NaN for a part in which there is ice."""
        index = np.arange(self.columns.size)
        hour = np.arange(self.night_hours + 1)[:, None]
        inside = (hour >= self._first_h(index)) & (hour <= self.to_mark - self.from_mark)
        marks = self._marks_from(self.from_mark, self.main.part_c.shape[0])
        part_c = np.where(inside, self.main.part_c[marks, self.columns], np.inf).min(axis=0)
        ice = np.where(inside, self.main.ice_fraction[marks, self.columns], 0.0).max(axis=0)
        air_c = np.where(inside, self.nights.air_c[:, night_air_of], np.inf).min(axis=0)
        return np.where(ice > 0.0, np.nan, part_c), air_c

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
