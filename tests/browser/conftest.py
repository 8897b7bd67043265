"""One Chromium for all tests of this folder; without it they are skipped."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.browser.live import CHROMIUM, FLAGS, Live, live_pages


@pytest.fixture(scope="module")  # its loop would stand in the way of other tests of this process
def chromium() -> Iterator[Browser]:
    if CHROMIUM is None:
        pytest.skip("there is no Chromium here (Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def live(tmp_path) -> Iterator[Live]:
    with live_pages(tmp_path) as pages:
        pages.farm.run(pages.clock.at)
        yield pages
