"""Build the hourly weather of the example season from a typical-year file.

    pip download --no-deps pvlib==0.11.0 && unzip pvlib-0.11.0-*.whl pvlib/data/723170TYA.CSV
    python examples/make_autumn.py pvlib/data

The file is NREL TMY3 as carried by pvlib: one row an hour, local standard time, marked with the end of the hour (01:00
to 24:00), every month from another year. Nothing is invented and nothing is smoothed: every hour is one hour of the
file, at the same hour of standard time, moved to another date and another place. Only the stretches below are put one
after the other.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

HERE = Path(__file__).parent / "autumn" / "weather"
GREENSBORO = "723170TYA.CSV"
HOUR = timedelta(hours=1)
# five nights beyond the last day of the story, so that a forecast of that day has something to say
ENDS_AT = datetime(2025, 11, 12, 12)  # noqa: DTZ001  standard time of the site


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Consecutive hours of the file; `at` in the story and `was_at` in the file, both in local standard time."""

    at: datetime
    was_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteWeather:
    """The stretches of one site, one after the other, and its standard time."""

    site: str
    hours_behind_utc: int
    stretches: tuple[Stretch, ...]


def stretch(at: str, was_at: str) -> Stretch:
    """A stretch from two instants as text."""
    return Stretch(at=datetime.fromisoformat(at), was_at=datetime.fromisoformat(was_at))


SITES = (
    SiteWeather(
        site="quarry-lane",
        hours_behind_utc=5,
        stretches=(
            stretch("2025-10-11T12:00", "1980-10-14T12:00"),
            # from here a cool spring: the clear calm night of 5 April 1980 (1.1 °C) becomes that of 22 October
            stretch("2025-10-19T13:00", "1980-04-02T13:00"),
        ),
    ),
    SiteWeather(
        site="mill-creek",
        hours_behind_utc=6,
        stretches=(
            stretch("2025-10-11T12:00", "1980-10-01T12:00"),
            stretch("2025-10-16T12:00", "1980-10-07T12:00"),  # one cool night left out: the week is mild
            stretch("2025-10-21T13:00", "1994-11-06T13:00"),
        ),
    ),
    SiteWeather(
        site="high-bench",
        hours_behind_utc=7,
        stretches=(
            stretch("2025-10-11T12:00", "1990-03-08T12:00"),
            # the late-winter storm of 15 and 16 February 1996 (-7.2 °C) becomes that of 28 and 29 October
            stretch("2025-10-28T12:00", "1996-02-15T12:00"),
            stretch("2025-11-08T12:00", "1990-03-09T12:00"),
        ),
    ),
)

Row = Mapping[str, str]


def read_hours(path: Path) -> dict[datetime, Row]:
    """The rows of a typical-year file by their hour mark (hour 24 is the next midnight)."""
    with path.open(encoding="utf-8", newline="") as file:
        next(file)  # station, place, zone
        return {hour_mark(row["Date (MM/DD/YYYY)"], row["Time (HH:MM)"]): row for row in csv.DictReader(file)}


def hour_mark(day: str, end: str) -> datetime:
    """The end of an hour: `04/05/1980`, `24:00` is midnight to 6 April."""
    return datetime.strptime(day, "%m/%d/%Y") + int(end[:2]) * HOUR  # noqa: DTZ007  standard time of the station


def hours_of(site: SiteWeather, hours: Mapping[datetime, Row]) -> Iterator[tuple[datetime, Row]]:
    """Every hour of a site with the row it is taken from."""
    ends = (*(following.at for following in site.stretches[1:]), ENDS_AT)
    for part, end in zip(site.stretches, ends, strict=True):
        for step in range((end - part.at) // HOUR):
            yield part.at + step * HOUR, hours[part.was_at + step * HOUR]


def write_site(site: SiteWeather, hours: Mapping[datetime, Row], folder: Path) -> None:
    """Write one site as `time_utc,air_c,dew_c,wind_mps,cloud_fraction`."""
    lines = ["time_utc,air_c,dew_c,wind_mps,cloud_fraction"]
    for at, row in hours_of(site, hours):
        time_utc = at + site.hours_behind_utc * HOUR
        air_c, dew_c, wind_mps = row["Dry-bulb (C)"], row["Dew-point (C)"], row["Wspd (m/s)"]
        cloud_fraction = float(row["TotCld (tenths)"]) / 10.0
        lines.append(f"{time_utc:%Y-%m-%dT%H:%MZ},{air_c},{dew_c},{wind_mps},{cloud_fraction:.1f}")
    (folder / f"{site.site}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def main(source: Path, folder: Path = HERE) -> None:
    """Build every site's file from the typical-year file in `source`."""
    hours = read_hours(source / GREENSBORO)
    for site in SITES:
        write_site(site, hours, folder)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Write the folder with the typical-year file: python examples/make_autumn.py pvlib/data")
    main(Path(sys.argv[1]))
