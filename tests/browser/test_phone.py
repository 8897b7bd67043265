"""In a real browser: answer with and without signal, with and without script; nothing a screen reader stumbles over."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from carewatch.logbook.entries import EntryKind
from carewatch.service.page_entries import link_of_machine
from carewatch.store import entries
from tests.browser.live import DESK, PHONE, keep_picture, opened

pytestmark = pytest.mark.xdist_group("browser")
PATHS = (
    "/sign-in", "/", "/machine/sprayer-1", "/machine/sprayer-1/entry/antifreeze_run",
    "/machine/sprayer-1/night/2026-10-19", "/notices", "/roster",
    "/roster/machine/sprayer-1", "/state",
)  # fmt: skip
SIZES = [pytest.param(PHONE, id="390"), pytest.param(DESK, id="1280")]


def book(live) -> list:
    with live.farm.database.reading() as rx:
        return list(entries.all_entries(rx))


def watched(context):
    """A page whose console and errors are collected."""
    page, said = context.new_page(), []
    page.on("console", lambda message: said.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    return page, said


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("has_script", [True, False], ids=["script", "no-script"])
def test_one_tap_on_the_page_of_a_message(live, chromium, size, has_script):
    with opened(chromium, size=size, has_script=has_script) as context:
        page, said = watched(context)
        page.goto(live.answer_path("noah"))
        keep_picture(page, f"answer-{size['width']}-{'script' if has_script else 'plain'}")
        page.locator("section", has_text="Sprayer 1").get_by_role("button", name="air, both sides").click()
        page.get_by_role("heading", name="Kept").wait_for()
        keep_picture(page, f"kept-{size['width']}-{'script' if has_script else 'plain'}")
        assert [entry.kind for entry in book(live)] == [EntryKind.BLOWN_OUT]
        page.get_by_role("button", name="Take it back").click()
        page.get_by_role("heading", name="Taken back").wait_for()
        assert [entry.kind for entry in book(live)] == [EntryKind.BLOWN_OUT, EntryKind.VOIDED]
        assert said == []


def test_a_tap_without_signal_is_kept_shown_and_sent_once(live, chromium):
    path = link_of_machine(live.farm.work, "sprayer-1", pages_url=live.url, now=live.clock.at)
    with opened(chromium, size=PHONE) as context:
        page = context.new_page()
        page.goto(path)
        page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
        page.reload()  # now the service worker serves it
        context.set_offline(True)
        page.reload()
        assert page.get_by_role("button").first.is_visible()
        page.get_by_label("Who are you?").select_option("noah")
        page.get_by_role("button", name="both sides flushed").click()
        page.get_by_text("Saved on this phone, not sent yet: 1").wait_for()
        keep_picture(page, "no-signal")
        assert book(live) == []
        page.reload()
        page.get_by_text("Saved on this phone, not sent yet: 1").wait_for()  # a closed page loses nothing
        context.set_offline(False)
        page.evaluate("window.dispatchEvent(new Event('online'))")
        page.get_by_text("Saved on this phone").wait_for(state="hidden")
        assert [(entry.kind, entry.by) for entry in book(live)] == [(EntryKind.RINSED, "noah")]
        page.reload()
        assert len(book(live)) == 1


def test_a_refused_tap_is_told_when_it_comes_through(live, chromium):
    """It was kept without signal, and the link had ended when it arrived: somebody has to know."""
    path = link_of_machine(live.farm.work, "sprayer-1", pages_url=live.url, now=live.clock.at)
    with opened(chromium, size=PHONE) as context:
        page = context.new_page()
        page.goto(path)
        page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
        page.reload()
        context.set_offline(True)
        page.get_by_label("Who are you?").select_option("noah")
        page.get_by_role("button", name="both sides flushed").click()
        page.get_by_text("not sent yet: 1").wait_for()
        link_of_machine(live.farm.work, "sprayer-1", pages_url=live.url, now=live.clock.at)
        context.set_offline(False)
        page.evaluate("window.dispatchEvent(new Event('online'))")
        page.get_by_text("This link does not work").wait_for()
        assert book(live) == []


@pytest.mark.parametrize("size", SIZES)
def test_board_machine_entry_and_state(live, chromium, size):
    with opened(chromium, size=size) as context:
        live.sign_in(context, "mia")
        page, said = watched(context)
        page.goto(live.url)
        keep_picture(page, f"board-{size['width']}")
        page.get_by_role("link", name="Sprayer 1").click()
        keep_picture(page, f"machine-{size['width']}")
        page.get_by_role("link", name="rinsed", exact=True).click()
        page.get_by_label("litres").fill("380")
        keep_picture(page, f"entry-{size['width']}")
        page.get_by_role("button", name="Write it down").click()
        page.get_by_role("cell", name="rinsed: sides front + rear, litres 380.0").wait_for()
        page.get_by_label("Give it to").first.select_option("noah")
        page.get_by_role("button", name="Give").first.click()
        page.get_by_text("(Noah Birk)").first.wait_for()
        page.get_by_role("link", name="Service").click()
        keep_picture(page, f"state-{size['width']}")
        assert said == []
        assert {entry.kind for entry in book(live)} == {EntryKind.RINSED, EntryKind.ASSIGNED}


@pytest.mark.parametrize("is_dark", [False, True], ids=["light", "dark"])
def test_no_serious_finding_for_people_who_cannot_see(live, chromium, is_dark):
    """axe-core (Deque Systems, MPL-2.0), rules of WCAG 2; serious and critical findings count."""
    live.farm.run(live.clock.at)
    with opened(chromium, size=PHONE, is_dark=is_dark) as context:
        live.sign_in(context, "mia")
        page = context.new_page()
        token = live.answer_path("mia")
        for path in (*PATHS, token):
            page.goto(path if path.startswith("http") else f"{live.url}{path}")
            if is_dark:
                keep_picture(page, f"dark-{path.strip('/').replace('/', '-').replace(':', '') or 'board'}"[:40])
            found = Axe().run(page).response["violations"]
            serious = [one for one in found if one["impact"] in ("serious", "critical")]
            assert [(one["id"], one["nodes"][0]["html"]) for one in serious] == [], path


def test_it_fits_a_small_phone(live, chromium):
    with opened(chromium, size={"width": 320, "height": 640}) as context:
        live.sign_in(context, "mia")
        page = context.new_page()
        for path in PATHS:
            page.goto(f"{live.url}{path}")
            assert page.evaluate("document.documentElement.scrollWidth") <= 320, path
