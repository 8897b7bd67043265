"""The commands. Each one is loaded only when it is called, so that `--help` is quick."""

from __future__ import annotations

import importlib
import os
import sys

import click

COMMANDS = {  # name -> module, function, one line of help
    "demo": ("carewatch.cli.demo", "demo", "The whole loop on an invented fleet, offline, in seconds."),
    "check": ("carewatch.cli.check", "check", "Settings and roster: every fault, and what to write instead."),
    "serve": ("carewatch.cli.serve", "serve", "Run the service: forecasts, plan, mail out."),
    "outlook": ("carewatch.cli.outlook", "outlook", "Tonight and the nights ahead, machine by machine."),
    "log": ("carewatch.cli.log", "log", "Write an entry into the logbook."),
    "hours": ("carewatch.cli.hours", "hours", "Spray hours and the next inspection; take in hours from files."),
    "parts": ("carewatch.cli.parts", "parts", "Findings, pick list, spares and what to buy for a machine."),
    "round": ("carewatch.cli.round", "technician_round", "A technician's round over the fleets that agreed."),
    "link": ("carewatch.cli.link", "link", "Make a sign-in link for a person (there are no pages yet)."),
    "replay": ("carewatch.cli.replay", "replay", "Drive the same plan over past days of a scenario."),
    "score": ("carewatch.cli.score", "score", "Score the chance on nights that were forecast and observed."),
    "calc": ("carewatch.cli.calc", "calc", "The same arithmetic as a calculator."),
}


class Lazy(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order people meet them."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module, function, _ = COMMANDS[cmd_name]
        command: click.Command = getattr(importlib.import_module(module), function)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The one-liners above, without importing anything."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, _, words) in COMMANDS.items()])


@click.command(cls=Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="carewatch", prog_name="carewatch")
def carewatch() -> None:
    """Keeps sprayer booms from freezing: knows what each holds, watches the coming nights, tells people in time.

    Example: carewatch demo
    """


def main() -> None:
    """Run a command; what carewatch itself complains about is one clear message and exit code 1."""
    from carewatch.errors import CarewatchError

    try:
        sys.exit(carewatch(standalone_mode=False) or 0)
    except click.exceptions.Exit as leave:
        sys.exit(leave.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.Abort:
        click.echo("Stopped.", err=True)
        sys.exit(1)
    except CarewatchError as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    except BrokenPipeError:  # whoever read our words has had enough, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        click.echo(f"{where}{error.strerror or error}. Check the path and its rights.", err=True)
        sys.exit(1)
