"""`carewatch serve`: the service."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from carewatch.cli.installation import config_option, installation

if TYPE_CHECKING:
    from carewatch.service.running import Running
    from carewatch.service.workplace import Workplace
    from carewatch.settings.model import Settings
    from carewatch.web.serving import PageServer


@click.command()
@config_option
@click.option("--once", is_flag=True, help="One round and its mails, then leave (for a system timer).")
def serve(config: Path, *, once: bool) -> None:
    """Run the service until it is stopped: forecasts, plan, mail out and in, /health on loopback.

    Example: carewatch serve --config config/carewatch.toml
    """
    from carewatch.service.logs import set_up_logs
    from carewatch.service.opening import channel_of, inbox_of
    from carewatch.service.running import Running

    with installation(config) as (settings, work):
        set_up_logs(settings.service.log_level)
        if once:
            _do_once(work, settings)
            return
        running = Running(work, channel_of(settings), settings, inbox_of(settings))
        pages = _pages(work, settings, running)
        running.start()
        if pages is not None:
            pages.start()
        try:
            running.wait()
        finally:
            if pages is not None:
                pages.stop()
            running.stop()


def _pages(work: Workplace, settings: Settings, running: Running) -> PageServer | None:
    """The pages, loaded only where they are wanted: an office PC without them stays small."""
    if settings.web.port is None or settings.pages_url is None:
        return None
    from carewatch.service import clock
    from carewatch.web.app import make_app
    from carewatch.web.serving import PageServer

    app = make_app(
        work,
        now=clock.now,
        pages_url=settings.pages_url,
        fleet_paths=settings.fleet_paths,
        health=running.health_document,
    )
    return PageServer(app, host=settings.web.host, port=settings.web.port)


def _do_once(work: Workplace, settings: Settings) -> None:
    from carewatch.service import clock
    from carewatch.service.opening import channel_of, inbox_of
    from carewatch.service.rounds import do_round, reply_round, send_round

    inbox = inbox_of(settings)
    answers = reply_round(work, inbox) if inbox else None
    found = do_round(work, settings.fleet_paths, now=clock.now)
    sent = send_round(work, channel_of(settings), worker="once")
    click.echo(f"{len(found.outcome.notices)} new messages, {sent.handed_over} handed over.")
    for _, source, words in found.asked.troubles:
        click.echo(f"{source}: {words}", err=True)
    trouble = sent.trouble or (answers.trouble if answers else "")
    if found.faults or trouble:
        raise click.ClickException(trouble or "The roster files have faults; see above.")
