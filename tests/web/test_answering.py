"""Answers on a page: looking changes nothing, one tap is one entry, nobody answers for somebody else."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from carewatch.logbook.entries import EntryKind
from carewatch.service.page_entries import link_of_machine
from carewatch.store import entries
from tests.service.farm import Forecaster
from tests.web.browsing import URL, Pages, open_pages

HOUR = timedelta(hours=1)


@pytest.fixture
def pages(tmp_path):
    with open_pages(tmp_path) as opened:
        opened.farm.run(opened.clock.at)
        yield opened


def book(pages: Pages) -> list:
    with pages.farm.database.reading() as rx:
        return list(entries.all_entries(rx))


def form_of(html: str, machine: str) -> dict[str, str]:
    """The hidden fields of one machine's form."""
    (form,) = [one for one in re.findall(r"<form.*?</form>", html, re.DOTALL) if f'value="{machine}"' in one]
    return dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form))


def tap(pages: Pages, link: str, of_machine: str, on: int, **more: str):
    """Tap the button `on` in the form of a machine."""
    browser = pages.browser()
    told = form_of(browser.get(link).text, of_machine) | {"digit": str(on)} | more
    return browser.post(link, told)


def test_a_notice_leads_to_its_own_page_without_signing_in(pages):
    answer = pages.browser().get(pages.link_to("noah", "/a/"))
    assert answer.status_code == 200
    assert "Sprayer 1" in answer.text
    assert "Unknown liquid in both valve sides" in answer.text


def test_looking_a_hundred_times_changes_nothing(pages):
    link, before = pages.link_to("mia", "/a/"), book(pages)
    browser = pages.browser()
    for _ in range(50):
        assert browser.get(link).status_code == 200
        assert browser.head(link).status_code in (200, 405)
    assert book(pages) == before
    assert browser.get(link).status_code == 200  # looking uses nothing up


def test_a_tap_is_kept_with_its_person_and_way_and_closes_the_duty(pages):
    answer = tap(pages, pages.link_to("mia", "/a/"), "sprayer-1", 1)
    assert answer.status_code == 200, answer.text
    (entry,) = book(pages)
    assert (entry.kind, entry.by, entry.channel.value) == (EntryKind.MOVED, "mia", "page")
    assert (entry.detail.site, entry.detail.place) == ("yard", "shop")
    assert "It stands at this site and place" in answer.text


def test_the_same_tap_fifty_times_is_one_entry(pages):
    link = pages.link_to("mia", "/a/")
    told = form_of(pages.browser().get(link).text, "sprayer-1") | {"digit": "2"}
    answers = []
    for minute in range(50):
        pages.clock.at += timedelta(minutes=minute % 2)
        answers.append(pages.browser().post(link, told))
    assert {answer.status_code for answer in answers} == {200}
    assert len(book(pages)) == 1
    assert "That was kept before" in answers[-1].text


def test_two_phones_at_once_are_two_taps_and_the_later_counts(pages):
    link = pages.link_to("mia", "/a/")
    assert tap(pages, link, "sprayer-1", 2).status_code == 200
    assert tap(pages, link, "sprayer-1", 5).status_code == 200
    kinds = [entry.kind for entry in book(pages)]
    assert kinds.count(EntryKind.VOIDED) == 1  # "cannot" takes back "air through both sides"


def test_a_tap_can_be_taken_back_within_the_hour_and_leaves_a_trace(pages):
    link = pages.link_to("mia", "/a/")
    told = form_of(pages.browser().get(link).text, "sprayer-1") | {"digit": "2"}
    pages.browser().post(link, told)
    pages.clock.at += timedelta(minutes=20)
    back = pages.browser().post(link, told | {"take_back": "1"})
    assert "Taken back" in back.text
    assert [entry.kind for entry in book(pages)] == [EntryKind.BLOWN_OUT, EntryKind.VOIDED]
    pages.clock.at += 2 * HOUR
    late = pages.browser().post(link, told | {"take_back": "1"})
    assert late.status_code in (200, 422)
    assert len(book(pages)) == 2


def test_after_an_hour_it_is_too_late_to_take_back(pages):
    link = pages.link_to("mia", "/a/")
    told = form_of(pages.browser().get(link).text, "sprayer-1") | {"digit": "2"}
    pages.browser().post(link, told)
    pages.clock.at += timedelta(minutes=61)
    answer = pages.browser().post(link, told | {"take_back": "1"})
    assert (answer.status_code, len(book(pages))) == (422, 1)


def test_a_tap_from_a_phone_without_signal_keeps_the_time_it_was_tapped(pages):
    tapped = pages.clock.at + timedelta(minutes=10)
    pages.clock.at += 3 * HOUR
    told = {"tapped_at": tapped.isoformat().replace("+00:00", "Z")}
    tap(pages, pages.link_to("mia", "/a/"), "sprayer-1", 2, **told)
    (entry,) = book(pages)
    assert (entry.happened_at, entry.recorded_at) == (tapped, pages.clock.at)


@pytest.mark.parametrize("wrong", ["2031-01-01T00:00:00Z", "tomorrow", "2026-10-19T15:00:00"])
def test_a_clock_that_cannot_be_right_is_not_believed(pages, wrong):
    tap(pages, pages.link_to("mia", "/a/"), "sprayer-1", 2, tapped_at=wrong)
    (entry,) = book(pages)
    assert entry.happened_at == pages.clock.at


def test_a_tap_of_days_ago_is_asked_again(pages):
    old = (pages.clock.at - timedelta(days=3)).isoformat()
    answer = tap(pages, pages.link_to("mia", "/a/"), "sprayer-1", 2, tapped_at=old)
    assert (answer.status_code, book(pages)) == (422, [])
    assert "two days ago" in answer.text


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"digit": "9"}, "There is no answer 9"),
        ({"machine": "sprayer-9"}, "asks nothing about that machine"),
        ({"place": "yard/moon"}, "not known here"),
        ({"counter": "many"}, "no reading of the counter"),
        ({"digit": "x"}, "Check: digit"),
        ({"tap": "x"}, "Check: tap"),
        ({"tap": "../../../etc/passwd|"}, "Check: tap"),
    ],
)
def test_what_does_not_fit_is_one_clear_page_and_changes_nothing(pages, told, words):
    answer = tap(pages, pages.link_to("mia", "/a/"), "sprayer-1", 2, **told)
    assert (answer.status_code, book(pages)) == (422, [])
    assert words in answer.text


@pytest.mark.parametrize("token", ["nobody-knows-this-token", "x", "%00", "A" * 5000])
def test_an_unknown_link_shows_nothing(pages, token):
    for kind in ("a", "m"):
        for answer in (pages.browser().get(f"/{kind}/{token}"), pages.browser().post(f"/{kind}/{token}", {})):
            assert answer.status_code in (404, 422)
            assert "Sprayer" not in answer.text


def test_a_link_ends_with_its_night(pages):
    link = pages.link_to("mia", "/a/")
    pages.clock.at += timedelta(days=3)
    assert pages.browser().get(link).status_code == 404


def test_a_link_of_one_kind_opens_no_other_page(pages):
    token = pages.link_to("mia", "/a/").removeprefix("/a/")
    assert pages.browser().get(f"/m/{token}").status_code == 404
    assert pages.browser().get(f"/sign-in/{token}").status_code == 404


def test_a_form_of_another_site_is_refused(pages):
    link = pages.link_to("mia", "/a/")
    told = form_of(pages.browser().get(link).text, "sprayer-1") | {"digit": "2"}
    for browser in (pages.browser(site="cross-site"), pages.browser(site="same-site"), pages.browser(site=None)):
        assert browser.post(link, told).status_code == 403
    assert pages.browser(site=None).post(link, told, origin="https://evil.example").status_code == 403
    assert book(pages) == []
    assert pages.browser(site=None).post(link, told, origin=URL).status_code == 200


def test_only_who_may_decide_is_offered_to_leave_it(pages):
    assert "my decision" in pages.browser().get(pages.link_to("mia", "/a/")).text
    assert "my decision" not in pages.browser().get(pages.link_to("noah", "/a/")).text
    assert tap(pages, pages.link_to("noah", "/a/"), "sprayer-1", 6).status_code == 422


@pytest.fixture
def paper(tmp_path):
    with open_pages(tmp_path, Forecaster(night_c=8.0)) as opened:
        opened.farm.run(opened.clock.at)
        url = link_of_machine(opened.farm.work, "sprayer-1", pages_url=URL, now=opened.clock.at)
        opened.paper = url.removeprefix(URL)
        yield opened


def test_the_standing_page_of_a_machine_works_without_a_duty(paper):
    shown = paper.browser().get(paper.paper).text
    assert shown.count('<button name="digit"') == 4
    assert "front side only" in shown
    answer = tap(paper, paper.paper, "sprayer-1", 1, by="noah", place="yard/gravel", counter="742,5")
    assert answer.status_code == 200, answer.text
    assert {(entry.kind, entry.by) for entry in book(paper)} == {
        (EntryKind.RINSED, "noah"),
        (EntryKind.MOVED, "noah"),
        (EntryKind.HOURS_READ, "noah"),
    }


def test_on_the_standing_page_somebody_has_to_say_who_it_is(paper):
    answer = tap(paper, paper.paper, "sprayer-1", 1)
    assert (answer.status_code, book(paper)) == (422, [])
    assert "Who are you?" in answer.text
    assert tap(paper, paper.paper, "sprayer-1", 1, by="stranger").status_code == 422


def test_a_new_sheet_ends_the_old_one(paper):
    link_of_machine(paper.farm.work, "sprayer-1", pages_url=URL, now=paper.clock.at + HOUR)
    paper.clock.at += 2 * HOUR
    assert paper.browser().get(paper.paper).status_code == 404
