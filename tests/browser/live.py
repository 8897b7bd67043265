"""Pages served on this computer, and a real Chromium to open them in. CAREWATCH_PICTURES: a folder for pictures."""

from __future__ import annotations

import os
import shutil
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from playwright.sync_api import Browser, BrowserContext, Page

from carewatch.notices.answer_link import answer_url
from carewatch.notices.desk import Ways
from carewatch.service.health import health_of
from carewatch.service.links import SIGN_IN, new_token
from carewatch.service.signing_in import begin_session
from carewatch.web.app import make_app
from carewatch.web.serving import PageServer
from tests.service.farm import Farm, Forecaster, open_farm
from tests.web.browsing import Clock

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 900}


@dataclass
class Live:
    """The farm, where its pages are, and its clock."""

    farm: Farm
    url: str
    clock: Clock

    def answer_path(self, person: str) -> str:
        """The newest answer page mailed to a person."""
        found = [
            line.partition("/a/")[2][:22]
            for mail in self.farm.channel.delivered
            if mail.recipient.startswith(f"{person}@")
            for line in mail.raw.decode().replace("=\r\n", "").splitlines()
            if "/a/" in line
        ]
        return f"{self.url}/a/{found[-1]}"

    def sign_in(self, context: BrowserContext, person: str) -> None:
        """Give a browser the session of a person."""
        work, now = self.farm.work, self.clock.at
        token = new_token(work, person=person, purpose=SIGN_IN, until=now + timedelta(hours=1))
        session = begin_session(work, token, now=now)
        assert session is not None
        context.add_cookies([{"name": "care", "value": session.token, "url": self.url}])


@contextmanager
def live_pages(folder: Path, *sources: Forecaster) -> Iterator[Live]:
    with open_farm(folder, *sources) as farm:
        clock = Clock()

        def health() -> dict[str, object]:
            return health_of(farm.work, now=clock.at, tick_every=timedelta(minutes=5))

        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        url = f"http://127.0.0.1:{port}"
        farm.work = replace(farm.work, ways=Ways(page_url=answer_url(url)))
        server = PageServer(
            make_app(farm.work, now=clock, pages_url=url, fleet_paths=(farm.roster_file,), health=health),
            host="127.0.0.1",
            port=port,
        )
        server.start()
        try:
            yield Live(farm=farm, url=url, clock=clock)
        finally:
            server.stop()


def opened(browser: Browser, *, size: dict[str, int], has_script: bool = True, is_dark: bool = False) -> BrowserContext:
    """A fresh browser of that size."""
    return browser.new_context(
        viewport=size,  # type: ignore[arg-type]
        java_script_enabled=has_script,
        color_scheme="dark" if is_dark else "light",
        has_touch=size is PHONE,
    )


def keep_picture(page: Page, name: str) -> None:
    """A picture to look at."""
    folder = os.environ.get("CAREWATCH_PICTURES")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)
