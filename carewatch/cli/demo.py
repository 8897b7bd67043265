"""`carewatch demo`: the whole loop on the example fleet."""

from __future__ import annotations

import shutil
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Iterator

    from carewatch.service.replay import Scenario, Step

SEED = 38975  # with these errors the early forecasts of 27 October see a frost that does not come
LOOK_EVERY = timedelta(minutes=15)
FROM_ON, TO_ON = date(2025, 10, 16), date(2025, 11, 3)
SHOWN_AT = "http://127.0.0.1:8710"


@click.command(epilog="Example: carewatch demo --out demo-out")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo-out"),
    show_default=True,
    help="Folder for mails and JSON lines; made anew.",
)
@click.option("--everything", is_flag=True, help="Tell every entry and message, the everyday ones too.")
@click.option("--serve", is_flag=True, help="Then show the pages of that fleet on this computer, until Ctrl-C.")
def demo(out: Path, everything: bool, serve: bool) -> None:
    """Three autumn weeks of an invented fleet, offline, in seconds, told as a timeline.

    Weather: real hourly records, moved to other dates and places. Forecasts: synthetic, made from them with errors as
    real ones have. People, machines and places: invented.
    """
    from carewatch.cli.story import progress_over, timeline
    from carewatch.errors import BadInput
    from carewatch.service.replay import MAILS, MARKER, read_scenario, replay

    folder = example_folder()
    scenario = read_scenario(folder)
    if out.exists():
        if any(out.iterdir()) and not (out / MARKER).exists():
            raise BadInput(f"{out} holds other files. Give another folder with --out.")
        shutil.rmtree(out)
    steps = replay(
        scenario, from_on=FROM_ON, to_on=TO_ON, out=out, forecast="synthetic", seed=SEED, look_every=LOOK_EVERY
    )
    kept: list[Step] = list(progress_over(steps, scenario, from_on=FROM_ON, to_on=TO_ON))
    for line in timeline(kept, scenario, from_on=FROM_ON, everything=everything):
        click.echo(line)
    for line in _summary(kept, scenario):
        click.echo(line)
    click.echo(f"\nMails as .eml are in {out / MAILS}, JSON lines in {out}. Forecasts here are synthetic.")
    if serve:
        _serve(scenario, out, at=kept[-1].at)


def _serve(scenario: Scenario, out: Path, *, at: datetime) -> None:
    """Show the pages as they stand at the end of the demo; its clock goes on from there."""
    from carewatch.roster.model import Role
    from carewatch.service import clock
    from carewatch.service.health import health_of
    from carewatch.service.links import sign_in_link
    from carewatch.service.replay import replayed
    from carewatch.web.app import make_app
    from carewatch.web.serving import PageServer

    began = clock.now()

    def now() -> datetime:
        return at + (clock.now() - began)

    fleet = shutil.copy(scenario.folder / "fleet.toml", out / "fleet.toml")  # edited on a page, the example stays
    with replayed(scenario, out, forecast="synthetic", seed=SEED) as work:
        app = make_app(
            work,
            now=now,
            pages_url=SHOWN_AT,
            fleet_paths=(Path(fleet),),
            health=lambda: health_of(work, now=now(), tick_every=timedelta(days=1)),
        )
        pages = PageServer(app, host="127.0.0.1", port=int(SHOWN_AT.rpartition(":")[2]))
        pages.start()
        click.echo(f"\nThe pages as they stand on {at:%d %B %Y}, until Ctrl-C. Each link signs in once:")
        for person in scenario.roster.people:
            if person.roles & {Role.MANAGER, Role.OWNER}:
                link = sign_in_link(work, person.id, public_url=SHOWN_AT, now=now(), valid_for=timedelta(days=1))
                click.echo(f"  {person.name}: {link}")
        try:
            pages.wait()
        except KeyboardInterrupt:
            click.echo("Stopped.")
        finally:
            pages.stop()


def example_folder() -> Path:
    """The shipped example: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parent.parent
    return next(
        (
            folder
            for folder in (package / "examples" / "autumn", package.parent / "examples" / "autumn")
            if folder.is_dir()
        ),
        package / "examples" / "autumn",
    )


def _summary(steps: list[Step], scenario: Scenario) -> Iterator[str]:
    from collections import Counter

    notices = [notice for step in steps for notice in step.outcome.notices]
    yield f"\n{len(notices)} messages:"
    for kind, count in Counter(notice.kind.value for notice in notices).most_common():
        yield f"  {kind:14} {count}"
    weeks = max((steps[-1].at - steps[0].at).days / 7, 1)
    yield "Messages per person and week:"
    for person, count in Counter(notice.person for notice in notices).most_common():
        yield f"  {scenario.roster.person(person).name:24} {count / weeks:.1f}"
