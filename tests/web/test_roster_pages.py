"""The roster on pages: remarks stay, faults are named and nothing is written, every change is kept with a name."""

from __future__ import annotations

import re

import pytest

from carewatch.service.gather import current_roster
from carewatch.store import rosters
from tests.service.farm import ROSTER
from tests.web.browsing import open_pages

REMARKED = ROSTER.replace('email = "noah@larch-hollow.example"', 'email = "noah@larch-hollow.example"  # his own')


@pytest.fixture
def pages(tmp_path):
    with open_pages(tmp_path, roster="# our fleet\n" + REMARKED) as opened:
        opened.farm.run(opened.clock.at)
        yield opened


def form(html: str) -> dict[str, str]:
    told = dict(re.findall(r'<input (?:type="hidden" |id="[^"]*" )name="(\w+)" value="([^"]*)"', html))
    told |= dict(re.findall(r'<select id="[^"]*" name="(\w+)">.*?value="([^"]*)" selected', html, re.DOTALL))
    return told


def edit(pages, path: str, **changed: str):
    mia = pages.signed_in("mia")
    return mia.post(path, form(mia.get(path).text) | changed)


def test_a_change_keeps_everything_else_of_the_file(pages):
    before = pages.farm.roster_file.read_text()
    answer = edit(pages, "/roster/person/noah", phone="+1 515 555 0142", name="Noah Birk jr.")
    assert answer.status_code == 303, answer.text
    after = pages.farm.roster_file.read_text()
    assert "# our fleet" in after
    assert "# his own" in after
    gone, come = set(before.splitlines()) - set(after.splitlines()), set(after.splitlines()) - set(before.splitlines())
    assert gone == {'name = "Noah Birk"'}
    assert come == {'name = "Noah Birk jr."', 'phone = "+1 515 555 0142"'}
    with pages.farm.database.reading() as rx:
        assert current_roster(pages.farm.work, rx).find_person("noah").name == "Noah Birk jr."


def test_a_form_sent_back_unchanged_changes_no_letter(pages):
    before = pages.farm.roster_file.read_text()
    for path in ("/roster/person/mia", "/roster/machine/sprayer-1", "/roster/site/yard"):
        assert edit(pages, path).status_code == 303
    assert pages.farm.roster_file.read_text() == before


@pytest.mark.parametrize(
    ("path", "changed", "words"),
    [
        ("/roster/machine/sprayer-1", {"home_site": "yrad"}, "yard"),
        ("/roster/machine/sprayer-1", {"boom_width_m": "wide"}, "boom_width_m"),
        ("/roster/machine/sprayer-1", {"sections": "12, 0"}, "sections"),
        ("/roster/machine/sprayer-1", {"nozzle_size": ""}, "nozzle_size"),
        ("/roster/person/noah", {"email": "noah at home"}, "email"),
        ("/roster/person/mia", {"roles": "operator"}, "manager"),
        ("/roster/site/yard", {"lat_deg": "412"}, "lat_deg"),
        ("/roster/site/yard", {"zone": "America/Chigago"}, "America/Chicago"),
        ("/roster/machine/new", {"id": "sprayer-1", "name": "Twice"}, "sprayer-1"),
    ],
)
def test_what_check_would_name_is_named_and_nothing_is_written(pages, path, changed, words):
    before = pages.farm.roster_file.read_text()
    answer = edit(pages, path, **changed)
    assert answer.status_code == 422
    assert words in answer.text
    assert pages.farm.roster_file.read_text() == before


def test_a_new_machine_joins_the_fleet(pages):
    told = {
        "id": "sprayer-3", "name": "Sprayer 3", "home_site": "yard", "home_place": "gravel", "operators": "noah",
        "boom_width_m": "27", "sections": "9, 9, 9", "tank_l": "3000", "rinse_tank_l": "300", "nozzle_size": "03",
        "nozzle_pressure_kpa": "300",
    }  # fmt: skip
    answer = edit(pages, "/roster/machine/new", **told)
    assert answer.status_code == 303, answer.text
    assert "Sprayer 3" in pages.signed_in("mia").get("/").text


def test_who_was_slower_is_told_and_overwrites_nothing(pages):
    mia = pages.signed_in("mia")
    told = form(mia.get("/roster/person/noah").text)
    edit(pages, "/roster/person/noah", name="Noah B.")
    answer = mia.post("/roster/person/noah", told | {"name": "N. Birk"})
    assert answer.status_code == 409
    assert "in the meantime" in answer.text
    assert 'name = "Noah B."' in pages.farm.roster_file.read_text()


def test_every_change_is_kept_with_a_name(pages):
    edit(pages, "/roster/person/noah", name="Noah B.")
    with pages.farm.database.reading() as rx:
        (kept,) = rosters.changes(rx, fleet="larch")
    assert (kept.person, kept.entry, kept.at) == ("mia", "person noah", pages.clock.at)
    assert 'name = "Noah Birk"' in kept.before
    assert 'name = "Noah B."' in kept.after


def test_the_roster_is_for_those_who_lead(pages):
    noah = pages.signed_in("noah")
    for path in ("/roster", "/roster/person/mia"):
        assert noah.get(path).status_code == 403
    assert noah.post("/roster/person/mia", {"name": "Nobody"}).status_code == 403


def test_hostile_words_stay_words(pages):
    answer = edit(pages, "/roster/person/noah", name='"]\n[[person]]\nid = "eve', phone="<script>")
    text = pages.farm.roster_file.read_text()
    assert answer.status_code in (303, 422)
    assert "eve" not in re.findall(r'^id = "(\w+)"', text, re.MULTILINE)
    assert "<script>" not in pages.signed_in("mia").get("/roster/person/noah").text.partition("<main")[2]
