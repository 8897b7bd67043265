"""What a check found, for a reader and for a program."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from carewatch.errors import Fault
    from carewatch.roster.model import Roster
    from carewatch.settings.model import Settings

CAUTIONS = (
    "Mail wakes nobody. Who must be woken for an urgent notice needs a device that makes a noise for this sender.",
    "A notice is not an official weather warning, and no notice is no promise of no freeze.",
)


@dataclass(kw_only=True)
class Findings:
    """What a check found; whatever could not be read stays None and its faults say why."""

    settings: Settings | None = None
    roster: Roster | None = None
    faults: list[Fault] = field(default_factory=list)
    thermometers: list[str] = field(default_factory=list)
    sent: list[str] = field(default_factory=list)

    @property
    def errors(self) -> list[Fault]:
        return [fault for fault in self.faults if not fault.is_warning]


# ---------------------------------------------------------------- what works here


def ways_out(settings: Settings) -> list[str]:
    """How messages leave this installation."""
    if settings.mail_folder is not None:
        return [f"NO MAIL IS SENT: messages are written into {settings.mail_folder}. Set [mail] host to send them."]
    mail = settings.mail
    login = f", as {mail.user}" if mail.user else ", without login"
    return [f"Mail goes out by {mail.host}:{mail.port_used} ({mail.security}{login}), from {mail.from_address}."]


def ways_of_answering(settings: Settings | None) -> list[tuple[str, bool, str]]:
    """Every way an answer may come in, whether it works here, and what to know about it."""
    return [
        ("carewatch log", True, "on this computer; somebody at it writes down what people say or call in"),
        _by_mail(settings),
        _by_page(settings),
    ]


def _by_page(settings: Settings | None) -> tuple[str, bool, str]:
    if settings is None or settings.pages_url is None:
        return ("web page", False, "no [web] port is set: messages hold no links")
    url = settings.pages_url
    if settings.service.public_url is None:
        return ("web page", True, f"only in a browser on this computer: {url}; set service.public_url for phones")
    if not url.startswith("https://"):
        doubt = "without HTTPS: no answers without signal, and others on the way can read along"
        return ("web page", True, f"{url}, {doubt}")
    return ("web page", True, f"{url}; open it on a phone once to see that it gets there")


def _by_mail(settings: Settings | None) -> tuple[str, bool, str]:
    if settings is None or settings.mail_in.host is None:
        return ("reply by mail", False, "no mailbox is set under [mail_in]; replies go to a person, if to anybody")
    mail_in, reply_to = settings.mail_in, settings.mail.reply_to or settings.mail.from_address
    if settings.mail_folder is not None:
        return ("reply by mail", False, "no mail is sent, so nobody can reply")
    where = f"{mail_in.user} at {mail_in.host}:{mail_in.port_used} ({mail_in.security}), folder {mail_in.folder}"
    how = f"replies to {reply_to} must arrive there, each from the address of the person it was sent to"
    return ("reply by mail", True, f"read every {mail_in.check_every_s} s from {where}; {how}")


# ---------------------------------------------------------------- showing it


def as_lines(findings: Findings) -> Iterator[str]:
    """The findings for a reader; faults stand last, where the eye ends up."""
    if findings.settings is not None:
        yield "Settings"
        rows = list(findings.settings.rows())
        wide_name, wide_value = (max(len(row[n]) for row in rows) for n in (0, 1))
        for name, value, origin in rows:
            yield f"  {name:<{wide_name}}  {value:<{min(wide_value, 40)}}  {origin}"
    if findings.roster is not None:
        yield "Roster"
        yield from (f"  {line}" for line in roster_lines(findings.roster))
    if findings.settings is not None:
        if findings.thermometers:
            yield "Thermometers at the sites"
            yield from (f"  {line}" for line in findings.thermometers)
        yield "Messages"
        yield from (f"  {line}" for line in [*ways_out(findings.settings), *CAUTIONS])
        yield "Answers"
        for way, works, remark in ways_of_answering(findings.settings):
            yield f"  {'works' if works else 'does not work'}: {way} ({remark})"
    yield from findings.sent
    yield from _fault_lines(findings)


def _fault_lines(findings: Findings) -> Iterator[str]:
    warnings = [fault for fault in findings.faults if fault.is_warning]
    for heading, faults in (("Warnings", warnings), ("Faults", findings.errors)):
        if faults:
            yield heading
            yield from (f"  {fault}" for fault in faults)
    if findings.errors:
        yield f"Not usable as it is: {_counted(len(findings.errors), 'fault')}, {_counted(len(warnings), 'warning')}."
    else:
        yield f"Usable. {_counted(len(warnings), 'warning')}."


def _counted(number: int, word: str) -> str:
    return f"{number or 'no'} {word}{'' if number == 1 else 's'}"


def roster_lines(roster: Roster) -> Iterator[str]:
    """Each fleet with its sites and machines, and what is only estimated."""
    for fleet in roster.fleets:
        sites, people, machines = len(fleet.sites), len(fleet.people), len(fleet.machines)
        yield f"{fleet.name} ({fleet.id}): {_counted(sites, 'site')}, {people} people, {_counted(machines, 'machine')}"
        for machine in fleet.machines:
            how = "measured" if machine.held_is_measured else "estimated: measure it once"
            held = f"holds {machine.held_l:.0f} L ({how})"
            boom = f"{machine.boom_width_m:.1f} m, {machine.positions} nozzle bodies, {held}"
            yield f"  {machine.name} ({machine.id}): {machine.home_site}/{machine.home_place}, {boom}"


def as_document(findings: Findings) -> str:
    """The findings as one JSON document."""
    settings, roster = findings.settings, findings.roster
    rows = settings.rows() if settings else ()
    return json.dumps(
        {
            "usable": not findings.errors,
            "settings": [{"name": name, "value": value, "origin": origin} for name, value, origin in rows],
            "fleets": _fleet_rows(roster) if roster else [],
            "thermometers": findings.thermometers,
            "ways_out": ways_out(settings) if settings else [],
            "ways_of_answering": [
                {"way": way, "works": works, "remark": remark} for way, works, remark in ways_of_answering(settings)
            ],
            "cautions": list(CAUTIONS),
            "sent": findings.sent,
            "faults": [_fault_row(fault) for fault in findings.faults],
        },
        indent=2,
    )


def _fleet_rows(roster: Roster) -> list[dict[str, object]]:
    return [
        {
            "id": fleet.id,
            "name": fleet.name,
            "sites": [site.id for site in fleet.sites],
            "people": [person.id for person in fleet.people],
            "machines": [
                {"id": machine.id, "held_l": round(machine.held_l, 1), "held_is_measured": machine.held_is_measured}
                for machine in fleet.machines
            ],
        }
        for fleet in roster.fleets
    ]


def _fault_row(fault: Fault) -> dict[str, object]:
    return {
        "file": fault.file,
        "line": fault.line,
        "field": fault.field,
        "value": fault.value,
        "problem": fault.problem,
        "fix": fault.fix,
        "severity": "warning" if fault.is_warning else "error",
    }
