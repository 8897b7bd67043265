"""Signing in, and what each person sees: nothing without a session, nothing of another fleet."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from carewatch.logbook.entries import EntryKind
from carewatch.service.roster_files import take_in_roster
from carewatch.store import entries
from tests.service.farm import FLEET, MACHINE, ROSTER, Forecaster
from tests.web.browsing import open_pages

OTHER_FLEET = FLEET.replace("larch-hollow", "elm-ridge").replace('id = "larch"', 'id = "elm"').replace(
    "Larch Hollow", "Elm Ridge"
).replace('id = "yard"', 'id = "elm-yard"').replace('id = "hill"', 'id = "elm-hill"').replace('"mia"', '"eva"').replace(
    '"noah"', '"otto"'
).replace("mia@", "eva@").replace("noah@", "otto@").replace("Mia Lund", "Eva Strand").replace(
    "Noah Birk", "Otto Falk"
) + MACHINE.format(id="elm-1", name="Elm 1", site="elm-yard", place="gravel").replace('"noah"', '"otto"')
PATHS = ("/", "/state", "/machine/sprayer-1", "/machine/sprayer-1/entry/rinsed")


@pytest.fixture
def pages(tmp_path):
    (tmp_path / "elm.toml").write_text(OTHER_FLEET)
    with open_pages(tmp_path) as opened:
        _take_both(opened, tmp_path)
        opened.farm.run(opened.clock.at)
        yield opened


def _take_both(opened, folder) -> None:
    paths = (folder / "fleet.toml", folder / "elm.toml")
    opened.farm.take_in = lambda now: len(take_in_roster(opened.farm.work, paths, now=now))
    opened.farm.take_in(opened.clock.at)


def book(pages) -> list:
    with pages.farm.database.reading() as rx:
        return list(entries.all_entries(rx))


@pytest.mark.parametrize("path", PATHS)
def test_without_a_session_every_page_leads_to_signing_in(pages, path):
    for browser in (pages.browser(), pages.browser(cookies={"__Host-care": "made-up"})):
        answer = browser.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


def test_a_mailed_link_signs_in_once_and_only_by_its_button(pages):
    browser = pages.browser()
    browser.post("/sign-in", {"address": "MIA@larch-hollow.example "})
    pages.farm.send(pages.clock.at)
    link = pages.link_to("mia", "/sign-in/")
    for _ in range(5):
        assert "Mia Lund" in browser.get(link).text
    assert browser.get("/").status_code == 303
    cookie = browser.post(link).headers["set-cookie"]
    assert cookie.startswith("__Host-care=")
    assert all(word in cookie for word in ("HttpOnly", "Secure", "SameSite=lax", "Path=/"))
    assert browser.get("/").status_code == 200
    assert pages.browser().post(link).status_code == 404  # used up


def test_a_stranger_gets_the_same_page_and_no_mail(pages):
    before = len(pages.farm.channel.delivered)
    known = pages.browser().post("/sign-in", {"address": "mia@larch-hollow.example"})
    unknown = pages.browser().post("/sign-in", {"address": "who@else.example"})
    assert known.text == unknown.text
    pages.farm.send(pages.clock.at)
    assert len(pages.farm.channel.delivered) == before + 1


def test_no_more_than_five_links_an_hour(pages):
    for minute in range(12):
        pages.clock.at += timedelta(minutes=minute % 3)
        pages.browser().post("/sign-in", {"address": "mia@larch-hollow.example"})
    pages.farm.send(pages.clock.at)
    assert sum("/sign-in/" in raw for raw in pages.mails("mia")) == 5


def test_a_link_works_for_half_an_hour(pages):
    pages.browser().post("/sign-in", {"address": "mia@larch-hollow.example"})
    pages.farm.send(pages.clock.at)
    pages.clock.at += timedelta(minutes=31)
    assert pages.browser().post(pages.link_to("mia", "/sign-in/")).status_code == 404


def test_signing_out_ends_the_session_also_for_a_copied_cookie(pages):
    browser = pages.signed_in("mia")
    copied = pages.browser(cookies=dict(browser.cookies))
    assert copied.get("/").status_code == 200
    browser.post("/sign-out")
    assert copied.get("/").status_code == 303


def test_who_has_left_the_roster_is_signed_out(pages):
    browser = pages.signed_in("noah")
    pages.farm.write_roster(ROSTER.replace('"noah"', '"nils"').replace("noah@", "nils@"))
    pages.farm.take_in(pages.clock.at)
    assert browser.get("/").status_code == 303


def test_fleets_are_kept_apart(pages):
    eva = pages.signed_in("eva", at="elm-ridge.example")
    assert "Elm 1" in eva.get("/").text
    assert "Sprayer" not in eva.get("/").text
    for path in PATHS[2:]:
        assert eva.get(path).status_code == 404
    assert eva.post("/machine/sprayer-1/entry/rinsed", {"tap": "12345678", "sides": "front,rear"}).status_code == 404
    assert eva.post("/machine/sprayer-1/paper").status_code == 404
    assert book(pages) == []
    mia = pages.signed_in("mia")
    assert "Elm" not in mia.get("/").text


def test_an_operator_sees_the_own_machines_and_decides_for_nobody(pages):
    noah = pages.signed_in("noah")
    assert "Sprayer 1" in noah.get("/").text
    shown = noah.get("/machine/sprayer-1").text
    assert "Give it to" not in shown
    assert noah.get("/state").status_code == 403
    assert noah.post("/machine/sprayer-1/paper").status_code == 404
    duty = "protect|sprayer-1|2026-10-19"
    assert noah.post("/machine/sprayer-1/assign", {"duty": duty, "to": "noah"}).status_code == 404
    told = {"tap": "12345678", "sides": "front,rear", "on_behalf_of": "mia"}
    assert noah.post("/machine/sprayer-1/entry/rinsed", told).status_code == 303
    assert [entry.on_behalf_of for entry in book(pages)] == [None]


def test_an_entry_written_on_a_page_on_behalf_of_somebody(pages):
    mia = pages.signed_in("mia")
    told = {"tap": "12345678", "sides": "front,rear", "litres": "380", "on_behalf_of": "noah", "at": "2026-10-19T14:30"}
    for _ in range(3):
        assert mia.post("/machine/sprayer-1/entry/rinsed", told).status_code == 303
    (entry,) = book(pages)
    assert (entry.kind, entry.by, entry.on_behalf_of) == (EntryKind.RINSED, "mia", "noah")
    assert (entry.detail.litres, entry.detail.sides) == (380.0, ("front", "rear"))
    assert entry.happened_at.hour == 19  # half past two in Chicago
    assert "rinsed: sides front + rear" in mia.get("/machine/sprayer-1").text


@pytest.mark.parametrize(
    ("kind", "told", "words"),
    [
        ("rinsed", {"litres": "many"}, "no number"),
        ("rinsed", {"at": "yesterday"}, "is no time"),
        ("rinsed", {"sides": "left"}, "left"),
        ("moved", {"site": "moon", "place": "crater"}, "moon"),
        ("antifreeze_run", {"fluid": "propylene_glycol", "sides": "front", "strength_vol_pct": "-50"}, "strength"),
        ("rinsed", {"tap": ""}, "not complete"),
        ("rinsed", {"at": "2031-01-01T10:00"}, "2031"),
    ],
)
def test_a_form_that_does_not_fit_comes_back_with_what_was_written(pages, kind, told, words):
    mia = pages.signed_in("mia")
    answer = mia.post(f"/machine/sprayer-1/entry/{kind}", {"tap": "12345678", **told})
    assert (answer.status_code, book(pages)) == (422, [])
    assert words in answer.text


def test_every_kind_of_entry_has_a_form(pages):
    mia = pages.signed_in("mia")
    for kind in EntryKind:
        assert mia.get(f"/machine/sprayer-1/entry/{kind.value}").status_code == 200
    assert mia.get("/machine/sprayer-1/entry/exploded").status_code == 404


def test_a_manager_gives_a_duty_to_somebody(pages):
    mia = pages.signed_in("mia")
    told = {"duty": "protect|sprayer-1|2026-10-19", "to": "noah", "tap": "12345678"}
    assert mia.post("/machine/sprayer-1/assign", told).status_code == 303
    assert "Noah Birk" in mia.get("/").text
    assert mia.post("/machine/sprayer-1/assign", told | {"to": "eva"}).status_code == 404
    assert mia.post("/machine/sprayer-1/assign", told | {"duty": "protect|elm-1|2026-10-19"}).status_code == 422


def test_the_board_has_the_worst_first_and_can_be_narrowed(tmp_path):
    with open_pages(tmp_path, Forecaster(night_c=8.0)) as pages:
        pages.farm.run(pages.clock.at)
        mia = pages.signed_in("mia")
        assert mia.get("/?level=safe").text.count('<li class="level-safe') == 2
        assert "No machine here" in mia.get("/?level=freezes").text
        assert "Sprayer 2" not in mia.get("/?site=yard").text
        assert mia.get("/?page=99").status_code == 200
        assert mia.get("/?page=x").status_code == 422


def test_names_from_the_roster_stay_words(tmp_path):
    hostile = ROSTER.replace('name = "Sprayer 1"', "name = '<img src=x onerror=alert(1)>'")
    with open_pages(tmp_path, roster=hostile) as pages:
        pages.farm.run(pages.clock.at)
        shown = pages.signed_in("mia").get("/").text
        assert "<img" not in shown
        assert "&lt;img" in shown


def test_every_answer_carries_the_headers_that_keep_others_out(pages):
    for path in ("/sign-in", "/", "/a/x", "/nowhere", "/static/look.css", "/sw.js"):
        headers = pages.browser().get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["x-content-type-options"] == "nosniff"


def test_ten_megabytes_are_refused_unread(pages):
    answer = pages.browser().post("/sign-in", {"address": "x" * 10_000_000})
    assert answer.status_code == 413


def test_the_sheet_for_the_shop_shows_its_address_as_a_code(pages):
    mia = pages.signed_in("mia")
    sheet = mia.post("/machine/sprayer-1/paper").text
    assert "<svg" in sheet
    assert "https://farm.example/m/" in sheet
    assert "<script" not in sheet.partition("<main")[2]


def test_the_state_page_says_what_health_says(pages):
    shown = pages.signed_in("mia").get("/state").text
    assert "first round" in shown or "Nothing is wrong" in shown


def test_a_night_hour_by_hour_as_picture_and_as_table(pages):
    mia = pages.signed_in("mia")
    shown = mia.get("/machine/sprayer-1/night/2026-10-19").text
    assert "<svg" in shown
    assert shown.count("<tr>") == 1 + 25
    assert "freezes at" in shown
    assert "Nobody said what is in it" in shown
    assert mia.get("/machine/sprayer-1/night/2026-12-24").status_code == 404
    assert mia.get("/machine/sprayer-1/night/tonight").status_code == 422
    eva = pages.signed_in("eva", at="elm-ridge.example")
    assert eva.get("/machine/sprayer-1/night/2026-10-19").status_code == 404


def test_the_picture_of_a_night_tells_what_the_outlook_tells(pages):
    mia = pages.signed_in("mia")
    row = mia.get("/machine/sprayer-1").text
    (margin,) = set(re.findall(r"Freezes (even if \d+ °C warmer)", row))
    assert margin in mia.get("/machine/sprayer-1/night/2026-10-19").text


def test_messages_with_how_far_they_got_and_what_came_back(pages):
    mia = pages.signed_in("mia")
    shown = mia.get("/notices").text
    assert "handed over" in shown
    assert "Noah Birk" in shown
    assert "sign in" not in shown.partition("<main")[2].casefold()
    told = {"tap": "12345678", "sides": "front,rear"}
    mia.post("/machine/sprayer-1/entry/blown_out", told)
    assert "blown out: sides front + rear" in mia.get("/notices").text
    assert pages.signed_in("noah").get("/notices").status_code == 403
    assert "Noah" not in pages.signed_in("eva", at="elm-ridge.example").get("/notices").text


def test_what_nobody_did_of_a_night_that_is_over_is_not_due_any_more(tmp_path):
    with open_pages(tmp_path) as pages:
        pages.farm.run(pages.clock.at)
        pages.clock.at += timedelta(hours=3)  # the deadline has passed, the night has not
        pages.farm.run(pages.clock.at)
        assert "- late" in pages.signed_in("mia").get("/").text
        pages.farm.sources[0].night_c = 12.0
        for hours in (14, 30, 44):
            pages.clock.at += timedelta(hours=hours)
            pages.farm.run(pages.clock.at)
        shown = pages.signed_in("mia").get("/").text
        assert "protect it from frost" not in shown
