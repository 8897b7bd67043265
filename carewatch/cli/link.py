"""`carewatch link`: a sign-in link, for when mail is down."""

from __future__ import annotations

from pathlib import Path

import click

from carewatch.cli.installation import config_option, installation


@click.command(epilog="Example: carewatch link ana")
@click.argument("person")
@click.option("--hours", type=click.IntRange(1, 24 * 14), default=24, show_default=True, help="How long it works.")
@config_option
def link(person: str, hours: int, config: Path) -> None:
    """Make a sign-in link for PERSON (an id of the roster). Only a hash of it is kept: it is shown this once.

    It works once, for signing in on one device. Whoever has it is that person: hand it over in person.
    """
    from datetime import timedelta

    from carewatch.service import clock
    from carewatch.service.links import sign_in_link

    with installation(config) as (settings, work):
        made = sign_in_link(
            work, person, public_url=settings.pages_url, now=clock.now(), valid_for=timedelta(hours=hours)
        )
    click.echo(made)
