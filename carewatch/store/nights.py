"""Nights looked back on: what was forecast and said of them, what was measured, what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, Connection, Select, and_, delete, select, update

from carewatch.freeze.learning import Pair
from carewatch.freeze.score.own import NightPair, NightWord
from carewatch.store.dialect import insert_all_new
from carewatch.store.tables import night_forecast, night_low, night_word
from carewatch.weather.forecast import Grade


@dataclass(frozen=True, slots=True, kw_only=True)
class NightForecast:
    """The low of a night as forecast for a site when it was `ahead` nights away (1: it was just beginning)."""

    site: str
    night: date
    ahead: int
    source: str
    grade: Grade
    lead_h: float
    low_c: float
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class NightLow:
    """The low of a night as read. `is_at_site`: by a thermometer where the machines stand."""

    site: str
    night: date
    low_c: float
    read_by: str
    is_at_site: bool
    at: datetime


def keep_forecasts(tx: Connection, forecasts: Sequence[NightForecast]) -> None:
    """Keep what was forecast; what was kept first stays."""
    rows = [{**asdict(one), "grade": one.grade.value} for one in forecasts]
    insert_all_new(tx, night_forecast, rows, unique=("site", "night", "ahead"))


def keep_words(tx: Connection, words: Sequence[NightWord]) -> None:
    """Keep what was said; what was kept first stays."""
    insert_all_new(tx, night_word, [asdict(word) for word in words], unique=("machine", "night"))


def keep_lows(tx: Connection, lows: Sequence[NightLow]) -> None:
    """Keep what was read; what was kept first stays."""
    insert_all_new(tx, night_low, [asdict(low) for low in lows], unique=("site", "night"))


def say_late(tx: Connection, machine: str, night: date, *, is_flagged: bool) -> None:
    """Note whether people had been told to see to a machine when they went to bed."""
    tx.execute(update(night_word).where(_of(machine, night)).values(was_flagged_late=is_flagged))


def came(tx: Connection, word: NightWord) -> None:
    """Note what came of a night."""
    values = {name: getattr(word, name) for name in ("came_margin_c", "came_low_c", "read_by")}
    tx.execute(update(night_word).where(_of(word.machine, word.night)).values(**values))


def found(tx: Connection, word: NightWord) -> None:
    """Note what people found in the morning."""
    tx.execute(update(night_word).where(_of(word.machine, word.night)).values(found_ice=word.found_ice))


def words(rx: Connection, *, since: date) -> tuple[NightWord, ...]:
    """Give what was said of the nights since a date, by night and machine."""
    query = select(night_word).where(night_word.c.night >= since)
    rows = rx.execute(query.order_by(night_word.c.night, night_word.c.machine)).mappings()
    return tuple(NightWord(**row) for row in rows)


def lows(rx: Connection, *, since: date) -> tuple[NightLow, ...]:
    """Give what was read of the nights since a date."""
    return tuple(NightLow(**row) for row in rx.execute(select(night_low).where(night_low.c.night >= since)).mappings())


def pairs(rx: Connection) -> tuple[NightPair, ...]:
    """Give every forecast of a night with what was read there."""
    rows = rx.execute(_with_lows(is_outer=True).order_by(night_forecast.c.night, night_forecast.c.site)).all()
    return tuple(
        NightPair(
            site=row.site,
            night=row.night,
            ahead=row.ahead,
            lead_h=row.lead_h,
            forecast_c=row.low_c,
            observed_c=row.observed_c,
        )
        for row in rows
    )


def lessons(rx: Connection) -> dict[str, tuple[Pair, ...]]:
    """Give, by site, the nights that teach: forecast, and read by a thermometer where the machines stand."""
    found: dict[str, list[Pair]] = {}
    for row in rx.execute(_with_lows(is_outer=False).where(night_low.c.is_at_site)).all():
        found.setdefault(row.site, []).append(
            Pair(
                night=row.night,
                grade=Grade(row.grade),
                lead_h=row.lead_h,
                forecast_min_c=row.low_c,
                observed_min_c=row.observed_c,
            )
        )
    return {site: tuple(some) for site, some in found.items()}


def prune(tx: Connection, *, before: date) -> None:
    """Forget nights before a date."""
    for table in (night_forecast, night_low, night_word):
        tx.execute(delete(table).where(table.c.night < before))


def _of(machine: str, night: date) -> ColumnElement[bool]:
    return and_(night_word.c.machine == machine, night_word.c.night == night)


def _with_lows(*, is_outer: bool) -> Select[tuple[object, ...]]:
    same = and_(night_low.c.site == night_forecast.c.site, night_low.c.night == night_forecast.c.night)
    joined = night_forecast.join(night_low, same, isouter=is_outer)
    return select(*night_forecast.c, night_low.c.low_c.label("observed_c")).select_from(joined)
