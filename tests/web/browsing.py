"""A farm with pages, and somebody who browses them without a network."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import urljoin

import anyio
import httpx
from fastapi import FastAPI

from carewatch.notices.answer_link import answer_url
from carewatch.notices.desk import Ways
from carewatch.service.health import health_of
from carewatch.web.app import make_app
from tests.service.farm import AFTERNOON, Farm, Forecaster, open_farm

URL = "https://farm.example"
LINK = re.compile(re.escape(URL) + r"(/[A-Za-z0-9/_-]+)")


@dataclass
class Clock:
    """A clock set by hand."""

    at: datetime = AFTERNOON

    def __call__(self) -> datetime:
        return self.at


@dataclass
class Browser:
    """Follows no redirect by itself; keeps cookies; says where it comes from as browsers do."""

    app: FastAPI
    cookies: dict[str, str] = field(default_factory=dict)
    site: str | None = "same-origin"

    def get(self, path: str) -> httpx.Response:
        return self._ask("GET", path)

    def head(self, path: str) -> httpx.Response:
        return self._ask("HEAD", path)

    def post(self, path: str, data: dict[str, str] | None = None, **headers: str) -> httpx.Response:
        return self._ask("POST", path, data=data or {}, headers=headers)

    def _ask(self, method: str, path: str, *, data=None, headers=None) -> httpx.Response:
        told = {"sec-fetch-site": self.site} if self.site else {}
        told |= headers or {}
        if self.cookies:
            told["cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())

        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(transport=transport, base_url=URL) as client:
                return await client.request(method, urljoin(URL, path), data=data, headers=told)

        answer = anyio.run(ask)
        for name, value in answer.cookies.items():
            self.cookies[name] = value
        for one in answer.headers.get_list("set-cookie"):
            if "Max-Age=0" in one:
                self.cookies.pop(one.partition("=")[0], None)
        return answer


@dataclass
class Pages:
    """The farm, its pages and its clock."""

    farm: Farm
    app: FastAPI
    clock: Clock

    def browser(self, **more) -> Browser:
        return Browser(self.app, **more)

    def mails(self, person: str) -> list[str]:
        return [mail.raw.decode() for mail in self.farm.channel.delivered if mail.recipient.startswith(f"{person}@")]

    def link_to(self, person: str, stem: str) -> str:
        """The newest link of that stem in a mail to a person."""
        found = [
            path
            for raw in self.mails(person)
            for path in LINK.findall(raw.replace("=\r\n", "").replace("\r\n", "\n"))
            if path.startswith(stem)
        ]
        assert found, f"no {stem} link for {person}"
        return found[-1]

    def signed_in(self, person: str, *, at: str = "larch-hollow.example") -> Browser:
        browser = self.browser()
        browser.post("/sign-in", {"address": f"{person}@{at}"})
        self.farm.send(self.clock.at)
        answer = browser.post(self.link_to(person, "/sign-in/"))
        assert answer.status_code == 303, answer.text
        return browser


@contextmanager
def open_pages(folder: Path, *sources: Forecaster, **more) -> Iterator[Pages]:
    with open_farm(folder, *sources, **more) as farm:
        farm.work = replace(farm.work, ways=Ways(page_url=answer_url(URL)))
        clock = Clock()

        def health() -> dict[str, object]:
            return health_of(farm.work, now=clock.at, tick_every=timedelta(minutes=5))

        paths = (farm.roster_file,)
        app = make_app(farm.work, now=clock, pages_url=URL, fleet_paths=paths, health=health)
        yield Pages(farm=farm, app=app, clock=clock)
