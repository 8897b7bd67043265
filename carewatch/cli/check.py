"""`carewatch check`: every setting with its origin, the roster, every fault, and what works here."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from carewatch.cli.check_report import Findings, as_document, as_lines
from carewatch.cli.installation import config_option

if TYPE_CHECKING:
    from carewatch.errors import Fault
    from carewatch.roster.model import Roster
    from carewatch.settings.model import Settings

SendTest = Callable[["Settings", "Roster", datetime], list[str]]

DAYS_LOOKED_AHEAD = 60  # chosen: absences are entered weeks ahead; beyond, a warning would only be noise


def send_by_service(settings: Settings, roster: Roster, now: datetime) -> list[str]:
    """A test message to every manager through the channel of the settings; one line for each says what became of it."""
    sent: list[str] = import_module("carewatch.service.testing_mail").send_test(settings, roster, now)
    return sent


def make_check(send: SendTest) -> click.Command:
    """The command, with the function that sends test messages."""

    @click.command()
    @config_option
    @click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
    @click.option("--send-test", is_flag=True, help="Send a test message to every manager, the way notices go.")
    def check(config: Path, as_json: bool, send_test: bool) -> None:
        """Check settings and roster before relying on them.

        Names every fault with file, line and field, and what to write instead; says where each setting comes from
        and which ways of answering work here. Exit code 0: usable (there may be warnings), 1: not usable.

        \b
        Example:
          carewatch check --config config/carewatch.toml
        """
        from carewatch.service import clock

        now = clock.now()
        findings = look(config, now)
        if send_test:
            _try_sending(findings, send, now)
        click.echo(as_document(findings) if as_json else "\n".join(as_lines(findings)))
        if findings.errors:
            sys.exit(1)

    return check


check = make_check(send_by_service)


def look(config: Path, now: datetime) -> Findings:
    """Read everything a run of the service would read, and judge it."""
    from carewatch.errors import FaultyFiles
    from carewatch.roster.reading import read_roster
    from carewatch.settings.reading import fleet_paths_in, read_settings

    findings = Findings()
    fleet_paths: tuple[Path, ...] = ()
    try:
        findings.settings = read_settings(config)
        fleet_paths = findings.settings.fleet_paths
        findings.faults += [*findings.settings.warnings, *_path_faults(findings.settings)]
    except FaultyFiles as faulty:
        findings.faults += faulty.faults
        fleet_paths = fleet_paths_in(config)  # so that one look names the faults of the roster as well
    try:
        if fleet_paths:
            findings.roster, warnings = read_roster(fleet_paths)
            findings.faults += [*warnings, *_nobody_there(findings.roster, now)]
            if findings.settings is not None:
                findings.faults += _forbidden_sources(findings.settings, findings.roster)
                _look_at_thermometers(findings, findings.settings, findings.roster)
    except FaultyFiles as faulty:
        findings.faults += faulty.faults
    return findings


def _look_at_thermometers(findings: Findings, settings: Settings, roster: Roster) -> None:
    """Which sites have a thermometer of their own, and what is wrong in its file."""
    from carewatch.errors import Fault
    from carewatch.service.opening import thermometers_of

    files = thermometers_of(settings)
    for site in roster.sites:
        record = files.record(site)
        if record is not None:
            findings.faults += record.faults
            read = (
                "nothing usable"
                if record.readings is None
                else f"last read {record.readings.moments[-1]:%d %b %H:%M} UTC"
            )
            findings.thermometers.append(f"{site.id}: {files.path(site)}, {read}")
        else:
            findings.thermometers.append(f"{site.id}: none ({files.path(site)} is not there)")
    known = {files.path(site).name for site in roster.sites}
    for path in sorted(settings.thermometer_folder.glob("*.csv")):
        if path.name not in known:
            findings.faults.append(
                Fault(
                    file=path.as_posix(),
                    line=None,
                    field="(file)",
                    value="",
                    problem="belongs to no site.",
                    fix="Name it after the id of a site.",
                    is_warning=True,
                )
            )


def _path_faults(settings: Settings) -> Iterator[Fault]:
    """Files that are folders; folders that cannot be written into, or made: only the last of a path is ever made."""
    for name, file in (("database.path", settings.database_path), ("service.heartbeat_file", settings.heartbeat_path)):
        if file.is_dir():
            yield _path_fault(settings, name, file, "is a folder.", "Write the path of a file, such as data/file.")
        elif reason := _why_not_writable(file.parent):
            yield _path_fault(settings, name, file.parent, reason)
    if settings.mail_folder is not None and (reason := _why_not_writable(settings.mail_folder)):
        yield _path_fault(settings, "mail.files", settings.mail_folder, reason)


ANOTHER_PATH = "Write another path, or give the account carewatch runs under the right to write there."


def _path_fault(settings: Settings, name: str, path: Path, problem: str, fix: str = ANOTHER_PATH) -> Fault:
    from carewatch.errors import Fault

    origin, _, line = settings.origins[name].rpartition(":")
    return Fault(
        file=origin or settings.file.as_posix(),
        line=int(line) if line.isdigit() else None,
        field=name,
        value=str(path),
        problem=problem,
        fix=fix,
    )


def _why_not_writable(folder: Path) -> str | None:
    import os

    nearest = folder if folder.exists() else folder.parent
    if not nearest.exists():
        return f"cannot be made: {nearest} does not exist."
    if not nearest.is_dir():
        return f"cannot be used: {nearest} is no folder."
    return None if os.access(nearest, os.W_OK | os.X_OK) else "cannot be written into."


def _nobody_there(roster: Roster, now: datetime) -> Iterator[Fault]:
    """Days ahead on which everybody who is told about a site is away."""
    from carewatch.errors import Fault
    from carewatch.notices.who import Address

    for site in roster.sites:
        noons = [now + timedelta(days=n) for n in range(DAYS_LOOKED_AHEAD)]
        alone = [at for at in noons if not Address(roster=roster, refused=frozenset(), now=at).chain(site)]
        if alone:
            yield Fault(
                file="roster",
                line=None,
                field=f"site {site.id}",
                value=", ".join(site.contacts),
                problem=f"has nobody to tell on {len(alone)} days from {alone[0].astimezone(site.tz).date()} on.",
                fix="Name a deputy in [[person.absence]], or another contact.",
                is_warning=True,
            )


def _forbidden_sources(settings: Settings, roster: Roster) -> Iterator[Fault]:
    """Sites that want a forecast service whose terms do not allow it here."""
    from carewatch.errors import Fault

    for site in roster.sites:
        if "open_meteo" in site.sources and not settings.weather.may_use_open_meteo:
            yield Fault(
                file="roster",
                line=None,
                field=f"site {site.id}",
                value=", ".join(site.sources),
                problem='wants "open_meteo", which needs a key or a declared non-commercial use.',
                fix="Take it out of the site's sources, or set CAREWATCH_OPEN_METEO_KEY.",
            )


def _try_sending(findings: Findings, send: SendTest, now: datetime) -> None:
    from carewatch.errors import CarewatchError

    if findings.errors or findings.settings is None or findings.roster is None:
        findings.sent = ["No test message was sent: correct the faults first."]
        return
    try:
        findings.sent = send(findings.settings, findings.roster, now)
    except CarewatchError as trouble:
        findings.faults.append(_sending_fault(findings.settings, str(trouble)))


def _sending_fault(settings: Settings, trouble: str) -> Fault:
    from carewatch.errors import Fault

    way = settings.mail.host or str(settings.mail_folder)
    fix = "Correct [mail], then run the same command again."
    return Fault(file=settings.file.as_posix(), line=None, field="mail", value=way, problem=trouble, fix=fix)
