"""From settings to a workplace: the one place that puts the real adapters together."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from importlib.metadata import version

from carewatch.channels.connection import Security
from carewatch.channels.files import FileChannel
from carewatch.channels.inbox import ImapInbox, Inbox
from carewatch.channels.port import Channel
from carewatch.channels.smtp import SmtpChannel
from carewatch.errors import StoreTrouble
from carewatch.http import HttpClient, user_agent
from carewatch.notices.answer_link import answer_url
from carewatch.notices.desk import Ways
from carewatch.roster.model import Site
from carewatch.service import clock
from carewatch.service.workplace import Signature, Workplace
from carewatch.settings.model import Settings
from carewatch.sources import met_norway, nws, open_meteo
from carewatch.sources.choice import choose
from carewatch.sources.port import Source
from carewatch.sources.thermometer import ThermometerFiles
from carewatch.store import secret
from carewatch.store.database import Database

MAIL_SECRET = "message_ids"  # noqa: S105  # the name it is kept under
SECRET_BYTES = 32
FILES_ADDRESS = "carewatch@localhost.localdomain"


@contextmanager
def opened(settings: Settings) -> Iterator[Workplace]:
    """The workplace of an installation; database and connections are closed at the end."""
    with HttpClient(agent=user_agent(version=version("carewatch"), contact=settings.weather.contact)) as http:
        available = _sources(settings, http)
        database = _database(settings)
        try:
            yield Workplace(
                database=database,
                sources_for=lambda site: _in_order(settings, site, available),
                signature=signature_of(settings),
                secret=_secret(database),
                readings_of=thermometers_of(settings).readings,
                ways=ways_of(settings),
            )
        finally:
            database.close()


def channel_of(settings: Settings) -> Channel:
    """The way out the settings name: a folder or a mail server."""
    mail = settings.mail
    if settings.mail_folder is not None:
        return FileChannel(settings.mail_folder)
    return SmtpChannel(
        host=mail.host or "",
        port=mail.port_used,
        security=Security(mail.security),
        username=mail.user,
        password=mail.password.get_secret_value() if mail.password else None,
        total_deadline_s=mail.deadline_s,
    )


def inbox_of(settings: Settings) -> Inbox | None:
    """The mailbox answers arrive in; None: nobody can answer by mail here."""
    mail_in = settings.mail_in
    if mail_in.host is None:
        return None
    return ImapInbox(
        host=mail_in.host,
        port=mail_in.port_used,
        security=Security(mail_in.security),
        username=mail_in.user or "",
        password=mail_in.password.get_secret_value() if mail_in.password else "",
        folder=mail_in.folder,
        done_folder=mail_in.done_folder,
        unclear_folder=mail_in.unclear_folder,
        total_deadline_s=mail_in.deadline_s,
    )


def ways_of(settings: Settings) -> Ways:
    """How people can answer here."""
    return Ways(
        by_mail=settings.mail_in.host is not None and settings.mail_folder is None,
        page_url=answer_url(settings.pages_url) if settings.pages_url else None,
    )


def thermometers_of(settings: Settings) -> ThermometerFiles:
    """The thermometers at the sites."""
    return ThermometerFiles(settings.thermometer_folder)


def signature_of(settings: Settings) -> Signature:
    """How mails are signed."""
    mail = settings.mail
    return Signature(name=mail.from_name, address=mail.from_address or FILES_ADDRESS, reply_to=mail.reply_to)


def _database(settings: Settings) -> Database:
    # The folder beside the settings is made when its own parent is there: a missing disk must not look empty.
    folder = settings.database_path.parent
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
    except OSError as error:
        raise StoreTrouble(f"The folder {folder} of the database cannot be made: {error.strerror}.") from error
    return Database.open(settings.database_path)


def _secret(database: Database) -> bytes:
    """The secret of this installation, made when it is opened for the first time."""
    with database.reading() as rx:
        known = secret.find(rx, MAIL_SECRET)
    if known is not None:
        return known
    with database.transaction() as tx:
        return secret.keep(tx, MAIL_SECRET, fresh=secrets.token_bytes(SECRET_BYTES), at=clock.now())


def _sources(settings: Settings, http: HttpClient) -> Mapping[str, Source]:
    weather = settings.weather
    here = socket.gethostname()
    sources: list[Source] = [
        nws.NationalWeatherService(http, base_url=weather.nws_url or nws.BASE_URL, installation=here),
        met_norway.MetNorway(http, base_url=weather.met_norway_url or met_norway.BASE_URL, installation=here),
    ]
    if weather.may_use_open_meteo:
        sources.append(_open_meteo(settings, http))
    return {source.name: source for source in sources}


def _in_order(settings: Settings, site: Site, available: Mapping[str, Source]) -> tuple[Source, ...]:
    # A live edit may name a source that is not set up here: it is left out, not a reason to know no weather at all.
    known = tuple(name for name in site.sources if name in available)
    chosen = choose(replace(site, sources=known), available)
    order = settings.weather.order
    if site.sources or not order:
        return chosen
    return tuple(sorted((one for one in chosen if one.name in order), key=lambda one: order.index(one.name)))


def _open_meteo(settings: Settings, http: HttpClient) -> Source:
    weather = settings.weather
    key = weather.open_meteo_key.get_secret_value() if weather.open_meteo_key else None
    usual = open_meteo.PAID if key else open_meteo.FREE
    hosts = open_meteo.Hosts(
        forecast=weather.open_meteo_url or usual.forecast, ensemble=weather.open_meteo_ensemble_url or usual.ensemble
    )
    return open_meteo.OpenMeteo(
        http,
        api_key=key,
        is_non_commercial=weather.open_meteo_non_commercial,
        ensemble=open_meteo.Ensemble.SPREAD,
        hosts=hosts,
        installation=socket.gethostname(),
    )
