"""How many mails six machines cost in a cold October, with people who act on them: `python -m tests.bench.october`.

The weather is that of the shipped example (typical-year records, moved to other dates); fleet, people and what they do
are invented: they spray on most working days, act on an evening message within the hour, forget one in twenty.
"""

from __future__ import annotations

import heapq
import random
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from itertools import count
from pathlib import Path
from zoneinfo import ZoneInfo

from carewatch.freeze.engines import fastest
from carewatch.logbook.entries import (
    BlownOut,
    Channel,
    Detail,
    Drained,
    Entry,
    EntryKind,
    Moved,
    Rinsed,
    Sprayed,
    Thawed,
)
from carewatch.notices.notice import Notice, NoticeKind
from carewatch.roster.files import FoundFiles, fingerprint_of
from carewatch.roster.model import Roster
from carewatch.roster.reading import parse_roster
from carewatch.service.forecasts import ask_sources
from carewatch.service.usecase import run_plan
from carewatch.service.workplace import Signature, Workplace
from carewatch.sources.choice import covering, of_scenario
from carewatch.store import entries, rosters
from carewatch.store.database import Database

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "autumn"
ZONE = ZoneInfo("America/Chicago")
FIRST, LAST = date(2025, 10, 13), date(2025, 11, 5)
SITES = {"mill-creek": (38.42, -95.31, ZONE.key), "quarry-lane": (36.85, -78.55, "America/New_York")}
TANKS = ("tank", "rinse_tank", "hopper", "hand_wash_tank")
FORGETS, WORKS = 0.05, 0.8
KINDS = {
    Sprayed: EntryKind.SPRAYED, Rinsed: EntryKind.RINSED, BlownOut: EntryKind.BLOWN_OUT, Drained: EntryKind.DRAINED,
    Moved: EntryKind.MOVED, Thawed: EntryKind.THAWED,
}  # fmt: skip


def fleet_text(machines: int) -> str:
    """A fleet of so many machines, half of them at each site."""
    sites = "".join(
        f'[[site]]\nid = "{site}"\nname = "{site}"\nlat_deg = {lat}\nlon_deg = {lon}\nelevation_m = 200\n'
        f'zone = "{zone}"\ncontacts = ["boss", "vice"]\n'
        '[[site.place]]\nid = "yard"\nname = "yard"\nkind = "outdoors"\n'
        '[[site.place]]\nid = "shop"\nname = "shop"\nkind = "heated_shop"\n'
        for site, (lat, lon, zone) in SITES.items()
    )
    people = "".join(
        f'[[person]]\nid = "{person}"\nname = "{person}"\nroles = ["{role}"]\nemail = "{person}@farm.example"\n'
        for person, role in [
            ("boss", "manager"),
            ("vice", "manager"),
            *((f"op{i}", "operator") for i in range(machines)),
        ]
    )
    sprayers = "".join(
        f'[[machine]]\nid = "m{i}"\nname = "Sprayer {i + 1}"\nhome_site = "{list(SITES)[i % 2]}"\nhome_place = "yard"\n'
        f'operators = ["op{i}"]\nboom_width_m = 36\nsections = [10, 10, 12, 10, 10]\nheld_l = 120\ntank_l = 4500\n'
        f'rinse_tank_l = 450\nnozzle_size = "04"\nnozzle_pressure_kpa = 300\nshift_end = "17:30"\n'
        for i in range(machines)
    )
    return f'[fleet]\nid = "october"\nname = "October"\nzone = "{ZONE.key}"\n{sites}{people}{sprayers}'


@dataclass(kw_only=True)
class People:
    """What the invented people will write, and when it arrives."""

    chance: random.Random
    ahead: list[tuple[datetime, int, Entry]] = field(default_factory=list)
    number: Iterator[int] = field(default_factory=count)
    flushed: set[tuple[str, date]] = field(default_factory=set)
    ends: dict[tuple[str, date], datetime] = field(default_factory=dict)

    def write(self, machine: str, at: datetime, detail: Detail) -> None:
        number = next(self.number)
        entry = Entry(
            id=f"e{number}", machine=machine, kind=KINDS[type(detail)], happened_at=at, recorded_at=at,
            by=machine.replace("m", "op"), channel=Channel.PAGE, detail=detail,
        )  # fmt: skip
        heapq.heappush(self.ahead, (at, number, entry))

    def plan_work(self, machines: int) -> None:
        """Spraying until about half past four on most working days; what was in the shop comes out first."""
        for day in range((LAST - FIRST).days + 1):
            on = FIRST + timedelta(days=day)
            for i in range(machines):
                if on.weekday() < 6 and self.chance.random() < WORKS:
                    zone = ZoneInfo(SITES[list(SITES)[i % 2]][2])
                    end = datetime.combine(on, time(16, 30), zone).astimezone(UTC) + timedelta(minutes=3 * i)
                    self.write(f"m{i}", end, Sprayed(product="herbicide mix", sides=("front", "rear")))
                    self.ends[f"m{i}", on] = end

    def answer(self, notice: Notice, roster: Roster, now: datetime) -> None:
        """Do what a notice asks for, most of the time."""
        is_forgotten = self.chance.random() < FORGETS
        for machine in notice.machines:
            wants = {key.split("|")[0] for key in notice.duties if f"|{machine}|" in key}
            if notice.kind is NoticeKind.MORNING_AFTER and notice.person.startswith("op"):
                self.write(machine, now + timedelta(hours=2), Thawed(found_ice=False))
            if notice.kind is NoticeKind.STILL_WET or (notice.kind is NoticeKind.EVENING and not is_forgotten):
                self.do(machine, roster, wants, now)

    def do(self, machine: str, roster: Roster, wants: set[str], now: datetime) -> None:
        """After the day's spraying: flush both sides if it sprayed, then what tonight asks."""
        sprayed_at = self.ends.get((machine, now.astimezone(ZONE).date()))
        now = max(now, sprayed_at) if sprayed_at else now
        is_flushed = (machine, now.astimezone(ZONE).date()) in self.flushed
        if ("rinse" in wants or sprayed_at) and not is_flushed:
            self.flushed.add((machine, now.astimezone(ZONE).date()))
            self.write(machine, now + timedelta(minutes=35), Rinsed(sides=("front", "rear"), litres=450, passes=3))
        if "protect" in wants:
            site = roster.machine(machine).home_site
            if int(machine[1:]) % 3 == 0:
                self.write(machine, now + timedelta(minutes=50), Moved(site=site, place="shop"))
            else:
                self.write(machine, now + timedelta(minutes=48), Drained(where=TANKS))
                self.write(machine, now + timedelta(minutes=50), BlownOut(sides=("front", "rear")))
        else:
            self.write(
                machine, now + timedelta(minutes=55), Moved(site=roster.machine(machine).home_site, place="yard")
            )


def run(machines: int, seed: int) -> tuple[list[Notice], Roster]:
    """Every notice of the month."""
    texts = {"october.toml": fleet_text(machines)}
    roster, _ = parse_roster(texts)
    available = of_scenario(EXAMPLE, made="synthetic", seed=seed)
    people = People(chance=random.Random(seed))  # noqa: S311  # a repeatable story
    people.plan_work(machines)
    notices = []
    with tempfile.TemporaryDirectory() as folder:
        work = Workplace(
            database=Database.open(Path(folder) / "october.db"),
            sources_for=lambda site: covering(site, available),
            signature=Signature(name="carewatch", address="carewatch@farm.example"),
            secret=b"known to this bench only",
            kernel=fastest(),
        )
        now = datetime.combine(FIRST, time(0), ZONE).astimezone(UTC)
        with work.database.transaction() as tx:
            found = FoundFiles(texts=texts, faults=())
            rosters.add_version(tx, fingerprint=fingerprint_of(found), texts=texts, at=now)
        end = datetime.combine(LAST + timedelta(days=1), time(0), ZONE).astimezone(UTC)
        while now < end:
            while people.ahead and people.ahead[0][0] <= now:
                with work.database.transaction() as tx:
                    entries.add(tx, heapq.heappop(people.ahead)[2])
            ask_sources(work, roster.sites, now=now)
            outcome = run_plan(work, now=now)
            for notice in outcome.notices:
                notices.append(notice)
                people.answer(notice, roster, now)
            following = [outcome.next_due_at, next_issue(now), *(at for at, _, _ in people.ahead[:1])]
            now = min(at for at in following if at > now)
        work.database.close()
    return notices, roster


def next_issue(now: datetime) -> datetime:
    """Twenty past midnight, six, noon and six, UTC."""
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    return next(at for n in range(6) if (at := midnight + timedelta(hours=6 * n, minutes=20)) > now)


def main() -> None:
    """Print mails per person, kind and week."""
    notices, _ = run(6, seed=11)
    weeks = ((LAST - FIRST).days + 1) / 7
    print(f"six machines, {FIRST:%d %b} to {LAST:%d %b}, {weeks:.1f} weeks, {len(notices)} mails")
    table: dict[str, Counter[str]] = {}
    for notice in notices:
        table.setdefault(notice.person, Counter())[notice.kind.value] += 1
    for person, kinds in sorted(table.items()):
        words = ", ".join(f"{kind} {number}" for kind, number in kinds.most_common())
        print(f"  {person:6} {sum(kinds.values()) / weeks:5.1f} a week   {words}")


if __name__ == "__main__":
    main()
