"""What can be set: one class for each table of the settings file, and all of them together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr

from carewatch.errors import Fault
from carewatch.roster.words import Email, Name, SourceName, refuse

SECRETS = {  # environment variable -> the setting it fills
    "CAREWATCH_SMTP_PASSWORD": ("mail", "password"),
    "CAREWATCH_IMAP_PASSWORD": ("mail_in", "password"),
    "CAREWATCH_OPEN_METEO_KEY": ("weather", "open_meteo_key"),
}
HIDDEN = "(hidden)"


def _url(text: str) -> str:
    scheme, separator, host = text.partition("://")
    if separator != "://" or scheme not in ("http", "https") or not host or any(c.isspace() for c in text):
        refuse("is not a web address.", 'Write it with its scheme: "https://carewatch.farm.example".')
    return text.rstrip("/")


def _host(text: str) -> str:
    labels = text.removesuffix(".").split(".")  # RFC 1035, 2.3.4: each from 1 to 63 octets
    if any(c.isspace() or c in "/@" for c in text) or not all(1 <= len(label) <= 63 for label in labels):
        refuse("is not the name of a computer.", 'Write the name alone: "smtp.farm.example".')
    return text


def _path(text: str) -> str:
    if not text.isprintable():
        refuse("holds a line break or another invisible character.", "Type the path again by hand, on one line.")
    try:
        Path(text).expanduser()
    except RuntimeError:
        refuse("begins in the home folder of somebody who is not known here.", "Write the path from / on.")
    return text


def _folder(text: str) -> str:
    if not text or not text.isascii() or not text.isprintable() or len(text) > 200:
        refuse("is no name for a folder of a mailbox.", 'Use plain letters: "INBOX" or "INBOX/done".')
    return text


Url = Annotated[str, AfterValidator(_url)]
Host = Annotated[str, AfterValidator(_host)]
FilePath = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(_path)]
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
    thermometers: FilePath = "thermometers"
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


class WebSettings(Section):
    """`[web]`: the pages; without a port there are none."""

    host: Host = "127.0.0.1"
    port: int | None = Field(default=None, ge=1, le=65535, examples=[8710])


SECTIONS: dict[str, type[Section]] = {
    "database": DatabaseSettings,
    "roster": RosterSettings,
    "mail": MailSettings,
    "mail_in": MailInSettings,
    "weather": WeatherSettings,
    "service": ServiceSettings,
    "web": WebSettings,
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
    web: WebSettings
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
    def pages_url(self) -> str | None:
        """Where people reach the pages; None if there are none."""
        if self.web.port is None:
            return None
        return self.service.public_url or f"http://{self.web.host}:{self.web.port}"

    @property
    def fleet_paths(self) -> tuple[Path, ...]:
        """Fleet files and folders."""
        return tuple(self.resolve(path) for path in self.roster.fleets)

    @property
    def mail_folder(self) -> Path | None:
        """The folder messages are written into instead of being sent."""
        return self.resolve(self.mail.files) if self.mail.files is not None else None

    @property
    def thermometer_folder(self) -> Path:
        """The folder of the thermometers' files."""
        return self.resolve(self.weather.thermometers)

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
