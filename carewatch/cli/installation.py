"""What every command on an installation shares: its settings file, opened."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from carewatch.service.workplace import Workplace
    from carewatch.settings.model import Settings

Function = TypeVar("Function", bound=Callable[..., Any])


def config_option(function: Function) -> Function:
    """`--config`, the settings file; also CAREWATCH_CONFIG."""
    return click.option(
        "--config",
        type=click.Path(path_type=Path),
        default=Path("config/carewatch.toml"),
        show_default=True,
        envvar="CAREWATCH_CONFIG",
        help="The settings file.",
    )(function)


@contextmanager
def installation(config: Path) -> Iterator[tuple[Settings, Workplace]]:
    """Settings and workplace; the roster files are taken in first. While they are broken the last good ones count."""
    from carewatch.errors import FaultyFiles
    from carewatch.service import clock
    from carewatch.service.gather import current_roster
    from carewatch.service.opening import opened
    from carewatch.service.roster_files import take_in_roster
    from carewatch.settings.reading import read_settings

    settings = read_settings(config)
    with opened(settings) as work:
        faults = take_in_roster(work, settings.fleet_paths, now=clock.now())
        with work.remembered.lock, work.database.reading() as rx:
            has_roster = current_roster(work, rx) is not None
        if not has_roster:
            raise FaultyFiles(faults)
        for fault in faults:
            click.echo(f"{fault} (the last good roster stays in use)", err=True)
        yield settings, work
