"""What no single setting can tell: settings that contradict each other, the environment, or good sense."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from carewatch.errors import Fault
from carewatch.roster.document import ABSENT, Document, advice, nearest
from carewatch.settings.model import HIDDEN, SECRETS, SECTIONS, Section, WeatherSettings

ENVIRONMENT_PREFIX = "CAREWATCH_"
OTHER_VARIABLES = ("CAREWATCH_CONFIG",)  # read by the commands: which settings file
LOOPBACK = ("127.0.0.1", "::1", "localhost")
EXAMPLE_DOMAINS = ("example", "example.org", "example.com", "example.net", "invalid", "test")  # RFC 2606


def faults_between(document: Document, environ: Mapping[str, str], weather: Section | None) -> Iterator[Fault]:
    """Every fault that lies between settings; `weather`: its section, None where it has faults of its own."""
    yield from _headings(document)
    yield from _misplaced_secrets(document)
    yield from _mail_faults(document, environ)
    yield from _mail_in_faults(document, environ)
    yield from _environment_faults(environ)
    yield from _open_doors(document)
    yield from _forbidden_sources(document, weather)
    yield from _example_contact(document)


def _headings(document: Document) -> Iterator[Fault]:
    for name, value in document.data.items():
        if name not in SECTIONS:
            home = next((section for section, model in SECTIONS.items() if name in model.model_fields), None)
            fix = f"Put it under [{home}]." if home else advice(name, SECTIONS)
            yield document.fault((name,), ABSENT if isinstance(value, dict) else value, "is not a heading here.", fix)


def _misplaced_secrets(document: Document) -> Iterator[Fault]:
    for variable, (section, key) in SECRETS.items():
        table = document.data.get(section)
        if isinstance(table, dict) and key in table:
            problem = "does not belong into a file."
            fix = f"Delete the line and set the environment variable {variable}."
            yield document.fault((section, key), HIDDEN, problem, fix)


def _mail_faults(document: Document, environ: Mapping[str, str]) -> Iterator[Fault]:
    written = document.data.get("mail", {})
    if not isinstance(written, dict):
        return
    if "files" not in written and "host" not in written:
        fix = (
            'Write files = "mails" to have messages written into a folder, or host = "smtp.farm.example" to send them.'
        )
        yield document.fault(("mail",), ABSENT, "names no way out.", fix)
    if "files" in written and "host" in written:
        fix = "Delete files to send mail, or host to only write it into a folder."
        yield document.fault(("mail", "files"), written["files"], "stands beside host.", fix)
    if "host" in written and "from_address" not in written:
        fix = 'Write from_address = "carewatch@farm.example".'
        yield document.fault(("mail", "from_address"), ABSENT, "is missing.", fix)
    yield from _login_faults(document, written, has_password=bool(environ.get("CAREWATCH_SMTP_PASSWORD")))


def _login_faults(document: Document, mail: Mapping[str, Any], *, has_password: bool) -> Iterator[Fault]:
    if "user" in mail and not has_password:
        fix = "Set the environment variable CAREWATCH_SMTP_PASSWORD, or delete user."
        yield document.fault(("mail", "user"), mail["user"], "has no password.", fix)
    if "host" in mail and "user" not in mail and has_password:
        fix = 'Write user = "...", or unset CAREWATCH_SMTP_PASSWORD.'
        yield document.fault(("mail", "user"), ABSENT, "is missing: the password is not used.", fix, is_warning=True)
    if mail.get("security") == "none" and has_password and mail.get("host") not in (None, *LOOPBACK):
        fix = 'Write security = "starttls" or "tls".'
        yield document.fault(("mail", "security"), "none", "would send the password readable for everyone.", fix)


def _mail_in_faults(document: Document, environ: Mapping[str, str]) -> Iterator[Fault]:
    written, has_password = document.data.get("mail_in", {}), bool(environ.get("CAREWATCH_IMAP_PASSWORD"))
    if not isinstance(written, dict):
        return
    host = written.get("host")
    if host is None and (written or has_password):
        fix = 'Write host = "imap.farm.example" under [mail_in], or leave all of it out.'
        yield document.fault(("mail_in", "host"), ABSENT, "is missing: no answers are read.", fix, is_warning=True)
    if host is not None and "user" not in written:
        fix = 'Write user = "carewatch@farm.example".'
        yield document.fault(("mail_in", "user"), ABSENT, "is missing.", fix)
    if host is not None and not has_password:
        fix = "Set the environment variable CAREWATCH_IMAP_PASSWORD."
        yield document.fault(("mail_in", "host"), host, "has no password.", fix)
    if host not in (None, *LOOPBACK) and written.get("security") == "none":
        fix = 'Write security = "tls" or "starttls".'
        yield document.fault(("mail_in", "security"), "none", "would send the password readable for everyone.", fix)


def _forbidden_sources(document: Document, weather: Section | None) -> Iterator[Fault]:
    if isinstance(weather, WeatherSettings) and "open_meteo" in weather.order and not weather.may_use_open_meteo:
        problem = 'names "open_meteo", which needs a key or a declared non-commercial use.'
        fix = "Take it out, or set CAREWATCH_OPEN_METEO_KEY."
        yield document.fault(("weather", "order"), weather.order, problem, fix)


def _open_doors(document: Document) -> Iterator[Fault]:
    """Settings that show to others what is meant for this computer or this network."""
    service, mail = document.data.get("service"), document.data.get("mail")
    host = service.get("health_host") if isinstance(service, dict) else None
    if isinstance(host, str) and host not in LOOPBACK:
        fix = 'Write health_host = "127.0.0.1", unless a firewall keeps strangers out.'
        problem = "lets other computers ask /health."
        yield document.fault(("service", "health_host"), host, problem, fix, is_warning=True)
    if isinstance(mail, dict) and mail.get("security") == "none" and mail.get("host") not in (None, *LOOPBACK):
        fix = 'Write security = "starttls" or "tls" where the server offers it.'
        problem = "sends every message readable for whoever is on the way."
        yield document.fault(("mail", "security"), "none", problem, fix, is_warning=True)


def _environment_faults(environ: Mapping[str, str]) -> Iterator[Fault]:
    known = [*SECRETS, *OTHER_VARIABLES]
    for name in sorted(environ):
        if name.startswith(ENVIRONMENT_PREFIX) and name not in known:
            guess = nearest(name, known)
            fix = f"Did you mean {guess}?" if guess else "Unset it; settings belong into the file."
            yield Fault(
                file="environment",
                line=None,
                field=name,
                value=HIDDEN,
                problem="is not read.",
                fix=fix,
                is_warning=True,
            )


def _example_contact(document: Document) -> Iterator[Fault]:
    table = document.data.get("weather")
    contact = table.get("contact") if isinstance(table, dict) else None
    domain = contact.rpartition("@")[2] if isinstance(contact, str) else ""
    if domain in EXAMPLE_DOMAINS or domain.rpartition(".")[2] in EXAMPLE_DOMAINS:
        fix = "Write an address that somebody reads before asking a forecast service."
        problem = "is an invented address; the services' terms ask for a real one."
        yield document.fault(("weather", "contact"), contact, problem, fix, is_warning=True)
