"""Settings, read once: a TOML file, and environment variables for secrets only."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr, ValidationError

from carewatch.errors import Fault, FaultyFiles
from carewatch.roster.complaints import faults_of
from carewatch.roster.document import ABSENT, Document, advice, nearest, parse_toml
from carewatch.roster.words import Email, Name, SourceName, refuse

DEFAULT_FILE = Path("config/carewatch.toml")
ENVIRONMENT_PREFIX = "CAREWATCH_"
SECRETS = {  # environment variable -> the setting it fills
    "CAREWATCH_SMTP_PASSWORD": ("mail", "password"),
    "CAREWATCH_IMAP_PASSWORD": ("mail_in", "password"),
    "CAREWATCH_OPEN_METEO_KEY": ("weather", "open_meteo_key"),
}
OTHER_VARIABLES = ("CAREWATCH_CONFIG",)  # read by the commands: which settings file
HIDDEN = "(hidden)"
LOOPBACK = ("127.0.0.1", "::1", "localhost")
MOST_BYTES = 1_000_000  # chosen: a settings file is a page long
EXAMPLE_DOMAINS = ("example", "example.org", "example.com", "example.net", "invalid", "test")  # RFC 2606


def _url(text: str) -> str:
    scheme, separator, host = text.partition("://")
    if separator != "://" or scheme not in ("http", "https") or not host or any(c.isspace() for c in text):
        refuse("is not a web address.", 'Write it with its scheme: "https://carewatch.farm.example".')
    return text.rstrip("/")


def _host(text: str) -> str:
    if not text or any(c.isspace() or c in "/@" for c in text) or "://" in text:
        refuse("is not the name of a computer.", 'Write the name alone: "smtp.farm.example".')
    return text


def _folder(text: str) -> str:
    if not text or not text.isascii() or not text.isprintable() or len(text) > 200:
        refuse("is no name for a folder of a mailbox.", 'Use plain letters: "INBOX" or "INBOX/done".')
    return text


Url = Annotated[str, AfterValidator(_url)]
Host = Annotated[str, AfterValidator(_host)]
FilePath = Annotated[str, Field(min_length=1, max_length=1000)]
FolderName = Annotated[str, AfterValidator(_folder)]


class Section(BaseModel):
    """A table of the settings file."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class DatabaseSettings(Section):
    """`[database]`: where facts are kept."""

    path: FilePath = "data/carewatch.db"


class RosterSettings(Section):
    """`[roster]`: which fleet files, or folders of them."""

    fleets: list[FilePath] = Field(default=["fleets"], min_length=1, max_length=1000, examples=[["fleets"]])


class MailSettings(Section):
    """`[mail]`: either a folder to write messages into, or a server to send them by."""

    files: FilePath | None = None
    host: Host | None = Field(default=None, examples=["smtp.farm.example"], description="the server that sends mail")
    port: int | None = Field(default=None, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = Field(default=None, min_length=1, max_length=320)
    password: SecretStr | None = None
    from_address: Email | None = Field(default=None, examples=["carewatch@farm.example"])
    from_name: Name = "carewatch"
    reply_to: Email | None = None
    deadline_s: float = Field(default=60.0, ge=5, le=120)  # the lease of a claimed notice is longer: 180 s

    @property
    def port_used(self) -> int:
        """The port that was written, else the registered one: 587 (RFC 6409), 465 with TLS (RFC 8314), 25 without."""
        return self.port or {"starttls": 587, "tls": 465, "none": 25}[self.security]


class MailInSettings(Section):
    """`[mail_in]`: the mailbox answers arrive in; without a host nobody can answer by mail."""

    host: Host | None = Field(default=None, examples=["imap.farm.example"], description="the server of the mailbox")
    port: int | None = Field(default=None, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "tls"
    user: str | None = Field(default=None, min_length=1, max_length=320)
    password: SecretStr | None = None
    folder: FolderName = "INBOX"
    done_folder: FolderName | None = None
    unclear_folder: FolderName | None = None
    check_every_s: int = Field(default=60, ge=10, le=3600)
    deadline_s: float = Field(default=60.0, ge=5, le=120)

    @property
    def port_used(self) -> int:
        """The port that was written, else the registered one: 993 with TLS (RFC 8314), else 143 (RFC 9051)."""
        return self.port or {"starttls": 143, "tls": 993, "none": 143}[self.security]


class WeatherSettings(Section):
    """`[weather]`: who asks the forecast services, and which of them."""

    contact: Email = Field(examples=["office@farm.example"], description="the services' terms ask for it")
    order: list[SourceName] = Field(default=[], max_length=5)
    open_meteo_non_commercial: bool = False
    open_meteo_key: SecretStr | None = None
    nws_url: Url | None = None
    met_norway_url: Url | None = None
    open_meteo_url: Url | None = None
    open_meteo_ensemble_url: Url | None = None

    @property
    def may_use_open_meteo(self) -> bool:
        """Whether its terms allow it here: with a key, or for a declared non-commercial use."""
        return self.open_meteo_non_commercial or self.open_meteo_key is not None


class ServiceSettings(Section):
    """`[service]`: the running program."""

    tick_every_s: int = Field(default=300, ge=10, le=3600)
    heartbeat_file: FilePath = "data/heartbeat"
    health_host: Host = "127.0.0.1"
    health_port: int = Field(default=8711, ge=1, le=65535)
    public_url: Url | None = None
    log_level: Literal["debug", "info", "warning", "error"] = "info"


SECTIONS: dict[str, type[Section]] = {
    "database": DatabaseSettings,
    "roster": RosterSettings,
    "mail": MailSettings,
    "mail_in": MailInSettings,
    "weather": WeatherSettings,
    "service": ServiceSettings,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that was set. `origins`: dotted name -> `file:line`, `environment NAME` or `default`."""

    file: Path
    database: DatabaseSettings
    roster: RosterSettings
    mail: MailSettings
    mail_in: MailInSettings
    weather: WeatherSettings
    service: ServiceSettings
    origins: Mapping[str, str]
    warnings: tuple[Fault, ...] = ()

    def resolve(self, path: str) -> Path:
        """A path of the settings file, counted from the folder that file lies in."""
        return self.file.parent / Path(path).expanduser()

    @property
    def database_path(self) -> Path:
        """The database file."""
        return self.resolve(self.database.path)

    @property
    def fleet_paths(self) -> tuple[Path, ...]:
        """Fleet files and folders."""
        return tuple(self.resolve(path) for path in self.roster.fleets)

    @property
    def mail_folder(self) -> Path | None:
        """The folder messages are written into instead of being sent."""
        return self.resolve(self.mail.files) if self.mail.files is not None else None

    @property
    def heartbeat_path(self) -> Path:
        """The file the running service touches."""
        return self.resolve(self.service.heartbeat_file)

    def rows(self) -> Iterator[tuple[str, str, str]]:
        """Name, value and origin of every setting, secrets hidden."""
        for section in SECTIONS:
            for key, value in getattr(self, section):
                name = f"{section}.{key}"
                yield name, _plain(value), self.origins[name]


def _plain(value: object) -> str:
    if value is None or value == []:
        return "(not set)"
    if isinstance(value, SecretStr):
        return HIDDEN
    if isinstance(value, list):
        return ", ".join(str(item) for item in value)
    return str(value).lower() if isinstance(value, bool) else str(value)


# ---------------------------------------------------------------- reading


def read_settings(file: Path = DEFAULT_FILE, environ: Mapping[str, str] | None = None) -> Settings:
    """The settings of a file and of the environment (by default the process's own); FaultyFiles names every fault."""
    environ = os.environ if environ is None else environ
    return parse_settings(file, _text_of(file), environ)


def parse_settings(file: Path, text: str, environ: Mapping[str, str]) -> Settings:
    """The settings from a text."""
    document = parse_toml(file.as_posix(), text)
    faults = [*_headings(document), *_misplaced_secrets(document)]
    sections = {name: _section(document, name, environ, faults) for name in SECTIONS}
    faults.extend(_mail_faults(document, environ))
    faults.extend(_mail_in_faults(document, environ))
    faults.extend(_environment_faults(environ))
    faults.extend(_open_doors(document))
    faults.extend(_forbidden_sources(document, sections["weather"]))
    faults.extend(_example_contact(document))
    if any(not fault.is_warning for fault in faults):
        raise FaultyFiles(sorted(faults, key=lambda fault: fault.line or 0))
    found: dict[str, Any] = dict(sections)
    return Settings(file=file, origins=dict(_origins(document, environ)), warnings=tuple(faults), **found)


def fleet_paths_in(file: Path) -> tuple[Path, ...]:
    """The fleet files a settings file names, even where the rest of it has faults; nothing if that cannot be read."""
    try:
        written = parse_toml(file.as_posix(), _text_of(file)).data.get("roster", {})
        fleets = RosterSettings.model_validate(written).fleets
    except (FaultyFiles, ValidationError):
        return ()
    return tuple(file.parent / path for path in fleets)


def _text_of(file: Path) -> str:
    try:
        if file.stat().st_size > MOST_BYTES:
            raise FaultyFiles([_file_fault(file, "is larger than 1 MB.", "This cannot be a settings file.")])
        return file.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise FaultyFiles([_file_fault(file, "is not UTF-8 text.", "Save it again as UTF-8.")]) from error
    except FileNotFoundError as error:
        fix = "Name the settings file with --config, or copy the folder config/ and begin with that."
        raise FaultyFiles([_file_fault(file, "does not exist.", fix)]) from error
    except OSError as error:
        problem = f"cannot be read: {error.strerror}."
        raise FaultyFiles([_file_fault(file, problem, "Check its path and its rights.")]) from error


def _file_fault(file: Path, problem: str, fix: str) -> Fault:
    return Fault(file=file.as_posix(), line=None, field="(file)", value="", problem=problem, fix=fix)


def _section(document: Document, name: str, environ: Mapping[str, str], faults: list[Fault]) -> Section | None:
    model = SECTIONS[name]
    written = document.data.get(name, {})
    if isinstance(written, dict):
        secret_keys = {key for section, key in SECRETS.values() if section == name}
        written = {key: value for key, value in written.items() if key not in secret_keys}
        for variable, (section, key) in SECRETS.items():
            if section == name and environ.get(variable):
                written[key] = SecretStr(environ[variable])
    try:
        return model.model_validate(written)
    except ValidationError as error:
        faults.extend(faults_of(error, model, document, (name,)))
        return None


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


def _origins(document: Document, environ: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    variables = {f"{section}.{key}": variable for variable, (section, key) in SECRETS.items()}
    for section, model in SECTIONS.items():
        for key in model.model_fields:
            name = f"{section}.{key}"
            if environ.get(variables.get(name, "")):
                yield name, f"environment {variables[name]}"
            elif key in document.data.get(section, {}):
                yield name, f"{document.name}:{document.line_of((section, key))}"
            else:
                yield name, "default"
