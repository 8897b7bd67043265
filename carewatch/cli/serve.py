"""`carewatch serve`: the service."""

from __future__ import annotations

from pathlib import Path

import click

from carewatch.cli.installation import config_option


@click.command()
@config_option
@click.option("--once", is_flag=True, help="One round and its mails, then leave (for a system timer).")
def serve(config: Path, *, once: bool) -> None:
    """Run the service until it is stopped: forecasts, plan, mail out, /health on loopback.

    Example: carewatch serve --config config/carewatch.toml
    """
    from carewatch.service import clock
    from carewatch.service.logs import set_up_logs
    from carewatch.service.opening import channel_of, opened
    from carewatch.service.rounds import do_round, send_round
    from carewatch.service.running import Running
    from carewatch.settings import read_settings

    settings = read_settings(config)
    set_up_logs(settings.service.log_level)
    with opened(settings) as work:
        if once:
            found = do_round(work, settings.fleet_paths, now=clock.now())
            sent = send_round(work, channel_of(settings), worker="once")
            click.echo(f"{len(found.outcome.notices)} new messages, {len(sent.fates)} handed over.")
            for fault in found.faults:
                click.echo(str(fault), err=True)
            if found.faults or sent.trouble:
                raise click.ClickException(sent.trouble or "The roster files have faults; see above.")
            return
        running = Running(work, channel_of(settings), settings)
        running.start()
        try:
            running.wait()
        finally:
            running.stop()
