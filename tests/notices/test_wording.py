"""How every kind of mail reads, for a metric and a US reader: approved samples, lengths, hostile names.

A sample that changed on purpose is renewed with `python -m tests.notices.test_wording`; the difference is then read.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, time
from html.parser import HTMLParser
from pathlib import Path

import pytest

from carewatch.freeze.outlook import ForecastOrigin
from carewatch.notices.notice import Notice
from carewatch.roster.model import PlaceKind
from tests.notices.farm import (
    COULD,
    FREEZES,
    MARA,
    MILD,
    OWEN,
    PIA,
    UNKNOWN,
    Cold,
    Farm,
    NoticeKind,
    Side,
    UnitSystem,
    Ways,
    as_sent,
    crew,
    farm,
    machine,
    replace,
    site,
)

SAMPLES = Path(__file__).parent / "samples"
TONIGHT = "2026-11-02"
READERS = {"metric": UnitSystem.METRIC, "us": UnitSystem.US}


def told_farm(units: UnitSystem, *machines, **changes) -> Farm:
    """The farm with a forecast service, a clear sky and telephone numbers."""
    own = {"units": units}
    origin = ForecastOrigin(
        source="example", issued_at=datetime(2026, 11, 2, 11, 40, tzinfo=UTC),
        fetched_at=datetime(2026, 11, 2, 12, 22, tzinfo=UTC), age_h=1.0, licence="Example Weather Office",
    )  # fmt: skip
    people = crew(mara=own | {"phone": "555-0100"}, owen=own, pia=own, ruth=own)
    return farm(*machines, people=people, forecast=origin, sky=(0.1, 1.0), **changes)


def day(units: UnitSystem) -> Notice:
    """Two machines at two places: one freezes, half flushed; one could, in a shed; the third stands in the shop."""
    shed = site("river")
    machines = (machine(1), machine(2, home_site="river", home_place="shed"), machine(3))
    made = told_farm(units, *machines, sites=(site(), shed))
    for number in (1, 2, 3):
        made.log("2026-11-01 17:00", "sprayed", f"sprayer-{number}", sides=("front", "rear"))
    made.log("2026-11-01 17:40", "rinsed", "sprayer-1", sides=("front",))
    made.log("2026-11-01 17:50", "rinsed", "sprayer-2", sides=("front", "rear"))
    made.log("2026-11-01 18:00", "moved", "sprayer-1", site="north", place="yard")
    made.log("2026-11-01 18:10", "moved", "sprayer-2", site="river", place="shed")
    made.log("2026-11-01 18:20", "rinsed", "sprayer-3", sides=("front", "rear"))
    made.log("2026-11-01 18:30", "moved", "sprayer-3", site="north", place="shop")
    made.night(TONIGHT, FREEZES, site="north")
    made.night(TONIGHT, COULD, site="river")
    made.night("2026-11-03", FREEZES)
    made.run("07:00")
    return made.to(MARA, NoticeKind.DAY)[0]


def worse(units: UnitSystem) -> Notice:
    made = told_farm(units, machine(1), machine(2, home_site="river"), sites=(site(), site("river")))
    for number in (1, 2):
        made.log("2026-10-28 17:00", "sprayed", f"sprayer-{number}")
    made.night(TONIGHT, FREEZES, site="north")
    made.night(TONIGHT, FREEZES, site="river", known_at="2026-11-02 13:00")
    made.run("13:30")
    return made.to(MARA, NoticeKind.WORSE)[0]


def if_used(units: UnitSystem) -> Notice:
    made = told_farm(units)
    made.log("2026-10-31 17:00", "sprayed")
    made.log("2026-10-31 18:00", "rinsed", sides=("front", "rear"))
    made.log("2026-11-01 17:00", "moved", site="north", place="shop", by=MARA)
    made.night(TONIGHT, FREEZES)
    made.run("07:00")
    return made.to(MARA)[0]


def not_flushed(units: UnitSystem) -> Notice:
    made = told_farm(units)
    made.log("2026-11-01 19:00", "sprayed")
    made.run("07:00")
    return made.to(MARA)[0]


def evening(units: UnitSystem, cold: Cold = FREEZES, **changes) -> Notice:
    made = told_farm(units, machine(**changes))
    made.log("2026-11-01 17:00", "moved", site="north", place="shop")
    for hour in ("09:00", "12:30", "16:00", "19:15"):
        made.log(f"2026-11-02 {hour}", "sprayed", sides=machine(**changes).side_keys[:1])
    made.night(TONIGHT, cold)
    made.run("20:00")
    return made.to(OWEN)[0]


def evening_one_side_mild(units: UnitSystem) -> Notice:
    return evening(units, MILD, sides=(Side(key="front", label="front"),))


def evening_protect_only(units: UnitSystem) -> Notice:
    made = told_farm(units, machine(1), machine(2))
    for number in (1, 2):
        made.log("2026-10-20 17:00", "sprayed", f"sprayer-{number}")
    made.night(TONIGHT, COULD)
    made.run("19:00")
    return made.to(OWEN)[0]


def question(units: UnitSystem) -> Notice:
    made = told_farm(units)
    made.log("2026-10-31 17:00", "sprayed")
    made.log("2026-10-31 17:30", "rinsed", sides=("front", "rear"))
    made.run("20:00")
    return made.to(OWEN)[0]


def late_farm(units: UnitSystem, cold: Cold = FREEZES) -> Farm:
    made = told_farm(units)
    made.log("2026-10-30 17:00", "sprayed")
    made.log("2026-10-30 17:30", "rinsed", sides=("front", "rear"))
    made.night(TONIGHT, cold)
    return made


def still_wet(units: UnitSystem) -> Notice:
    made = late_farm(units)
    made.run("17:00")
    return made.to(MARA, NoticeKind.STILL_WET)[0]


def still_wet_promise_broken(units: UnitSystem) -> Notice:
    made = late_farm(units)
    made.log("2026-11-02 12:00", "promised", duty=f"protect|sprayer-1|{TONIGHT}", by_at=made.at("2026-11-02 19:00"))
    made.run("19:00")
    return made.to(MARA, NoticeKind.STILL_WET)[0]


def still_wet_cannot(units: UnitSystem) -> Notice:
    made = late_farm(units)
    made.log("2026-11-02 14:00", "declined", duty=f"protect|sprayer-1|{TONIGHT}")
    made.run("14:30")
    return made.to(MARA, NoticeKind.STILL_WET)[0]


def still_wet_could(units: UnitSystem) -> Notice:
    made = late_farm(units, COULD)
    made.run("17:00")
    return made.to(MARA, NoticeKind.STILL_WET)[0]


def morning_after(units: UnitSystem) -> Notice:
    made = late_farm(units)
    made.run("2026-11-03 06:00")
    return made.to(OWEN, NoticeKind.MORNING_AFTER)[0]


def cancelled(units: UnitSystem) -> Notice:
    made = late_farm(units)
    made.night(TONIGHT, Cold(chance=0.01, low_c=4), known_at="2026-11-02 15:00")
    made.run("16:00")
    return made.to(MARA, NoticeKind.CANCELLED)[0]


def no_forecast(units: UnitSystem) -> Notice:
    made = late_farm(
        units, replace(UNKNOWN, because=("The newest forecast is 31 h old, too old to call a night safe.",))
    )
    made.run("17:30")
    return made.to(MARA, NoticeKind.NO_FORECAST)[0]


def catch_up(units: UnitSystem) -> Notice:
    made = late_farm(units)
    made.run("17:30")
    made.expired = [as_sent(notice) for notice in made.to(MARA)]
    made.notices = []
    made.run("23:00")
    return made.to(MARA, NoticeKind.CATCH_UP)[0]


def inspection(units: UnitSystem) -> Notice:
    """One is due, one comes near; its counter was set back in summer."""
    made = told_farm(units, machine(1), machine(2))
    made.log("2026-03-02 10:00", "inspected", "sprayer-2", by=MARA)
    for day, first, second in (
        ("2026-03-03", 640.0, 1200.0),
        ("2026-06-01", 660.0, 1500.0),
        ("2026-06-02", 668.0, 0.5),
        ("2026-10-01", 720.0, 340.5),
        ("2026-10-29", 762.0, 385.5),
    ):
        made.log(f"{day} 19:00", "hours_read", "sprayer-1", counter_h=first)
        made.log(f"{day} 19:00", "hours_read", "sprayer-2", counter_h=second)
    made.log("2026-10-20 19:00", "sprayed", "sprayer-2", product="lime slurry", hours=6.0)
    made.run("2026-11-02 08:00")
    return made.to(MARA, NoticeKind.INSPECTION)[0]


MAILS: dict[str, Callable[[UnitSystem], Notice]] = {
    made.__name__: made
    for made in (
        day, worse, if_used, not_flushed, evening, evening_one_side_mild, evening_protect_only, question, still_wet,
        still_wet_promise_broken, still_wet_cannot, still_wet_could, morning_after, cancelled, no_forecast, catch_up,
        inspection,
    )
}  # fmt: skip
EVERY = [(name, reader) for name in MAILS for reader in READERS]


def as_text(notice: Notice) -> str:
    return f"To: {notice.to}\nSubject: {notice.subject}\n\n{notice.text}"


@pytest.mark.parametrize(("name", "reader"), EVERY, ids=str)
def test_every_mail_reads_as_approved(name, reader):
    sample = SAMPLES / f"{name}.{reader}.txt"
    assert as_text(MAILS[name](READERS[reader])).splitlines() == sample.read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("name", MAILS)
def test_one_or_two_machines_take_less_than_15_lines(name):
    notice = MAILS[name](UnitSystem.US)
    assert len(notice.text.splitlines()) < 15
    assert len(notice.subject) < 100


@pytest.mark.parametrize("name", [name for name in MAILS if name not in ("catch_up", "question")])
def test_whoever_acts_reads_a_caution_and_the_limits(name):
    text = MAILS[name](UnitSystem.METRIC).text
    assert name == "cancelled" or "pressure" in text
    assert name in ("evening_one_side_mild", "inspection") or "not an official warning" in text


@pytest.mark.parametrize(("name", "reader"), EVERY, ids=str)
def test_units_and_clock_are_the_readers(name, reader):
    text = as_text(MAILS[name](READERS[reader]))
    foreign = (
        r"°F|\bgal\b|\bpsi\b|\d (am|pm)\b" if reader == "metric" else r"°C|\d L\b|\bbar\b|\b\d\d:\d\d\b(?! (am|pm))"
    )
    assert not re.search(foreign, text), re.search(foreign, text)


# ---------------------------------------------------------------- only ways of answering that work


@pytest.mark.parametrize(
    ("ways", "words", "never"),
    [
        (Ways(by_mail=True), "Reply with one digit:", "http"),
        (Ways(page_url="https://farm.example/a"), "Answer at https://farm.example/a (a reply", "Reply"),
        (Ways(by_mail=True, page_url="https://farm.example/a"), "Reply with one digit (or answer at", "not read"),
        (Ways(), "Tell Mara (555-0100) the digit (a reply to this mail is not read)", "http"),
    ],
    ids=["mail", "page", "both", "neither"],
)  # fmt: skip
def test_only_ways_of_answering_that_work_are_offered(ways, words, never):
    made = told_farm(UnitSystem.METRIC, ways=ways)
    made.log("2026-11-02 15:00", "sprayed")
    made.run("20:00")
    text = made.to(OWEN)[0].text
    assert words in text
    assert never not in text


def test_who_keeps_the_logbook_is_not_told_to_tell_themselves():
    made = told_farm(UnitSystem.METRIC, ways=Ways())
    made.log("2026-10-20 17:00", "sprayed")
    made.night(TONIGHT, FREEZES)
    made.run("07:00")
    assert "Tell whoever keeps the logbook the digit" in made.to(MARA)[0].text


# ---------------------------------------------------------------- hostile names

EVIL = "</td><script>x</script>\r\nBcc: thief@evil.example\n1. Start the pump\u2028\u202e<b>&amp;"


class Tags(HTMLParser):
    """The tags of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.found.append(tag)


def tags(html: str) -> set[str]:
    parser = Tags()
    parser.feed(html)
    return set(parser.found)


OURS = {"html", "head", "meta", "title", "body", "p", "table", "tr", "td", "b", "br", "ol", "li"}


def evil_farm() -> Farm:
    where = site(name=EVIL)
    where = replace(where, places=tuple(replace(place, name=EVIL) for place in where.places))
    sides = (Side(key="front", label=EVIL), Side(key="rear", label=EVIL))
    own = {"name": EVIL, "phone": EVIL}
    made = farm(
        machine(name=EVIL, sides=sides), sites=(where,), people=crew(mara=own, owen=own, ruth=own), name=EVIL,
        official=(EVIL,), ways=Ways(),
    )  # fmt: skip
    made.sky = (0.0, 0.0)
    made.forecast = ForecastOrigin(
        source=EVIL, issued_at=made.now, fetched_at=made.now, age_h=1.0, licence=EVIL
    )  # fmt: skip
    made.log("2026-11-01 17:00", "sprayed", product=EVIL)
    made.log("2026-11-02 17:00", "sprayed", product=EVIL, sides=("front",))
    made.nights(TONIGHT, 2, replace(FREEZES, because=(EVIL,)))
    made.night("2026-11-04", replace(UNKNOWN, because=(EVIL,)))
    made.night("2026-11-03", MILD, known_at="2026-11-03 21:00")
    return made


def test_hostile_names_make_no_tag_no_header_and_no_line():
    made = evil_farm()
    made.run("2026-11-04 23:00")
    assert len({notice.kind for notice in made.notices}) >= 6
    for notice in made.notices:
        assert tags(notice.html) <= OURS, notice.kind
        for header in (notice.subject, notice.to):
            assert header == " ".join(header.split())
            assert header.isprintable()
        assert not any(line.startswith(("Bcc", "1. Start")) for line in notice.text.splitlines()), notice.kind
        assert "\u202e" not in notice.text + notice.html + notice.subject


@pytest.mark.parametrize("name", MAILS)
def test_html_says_what_the_text_says(name):
    notice = MAILS[name](UnitSystem.METRIC)
    plain = re.sub(r"\s+", "", re.sub(r"<[^>]*>", "", notice.html.replace("&#34;", '"').replace("&#39;", "'")))
    words = [re.sub(r"\W", "", word) for word in notice.text.split()]
    squeezed = re.sub(r"\W", "", plain)
    assert [word for word in words if word and word not in squeezed] == []


def test_a_place_under_a_roof_is_called_so():
    where = site()
    roof = replace(where, places=(*where.places[:1], replace(where.places[1], kind=PlaceKind.OPEN_ROOF)))
    made = told_farm(UnitSystem.METRIC, sites=(roof,))
    made.log("2026-10-20 17:00", "sprayed")
    made.log("2026-10-20 18:00", "moved", site="north", place="shed")
    made.night(TONIGHT, replace(FREEZES, ice=time(3)))
    made.run("07:00")
    assert "At north shed, under an open roof." in made.to(MARA)[0].text
    assert PIA not in made.to(MARA)[0].text


def test_what_it_holds_is_said_as_it_is_known():
    """Pockets, unmeasured antifreeze, nothing known, not confirmed for a week, fertilizer, all in the day mail."""
    made = told_farm(UnitSystem.METRIC, *(machine(number) for number in range(1, 6)))
    for number in (2, 3, 4, 5):
        made.log("2026-10-20 17:00", "sprayed", f"sprayer-{number}")
    made.log("2026-10-30 17:00", "rinsed", "sprayer-2", sides=("front", "rear"))
    made.log("2026-10-30 18:00", "blown_out", "sprayer-2", sides=("front", "rear"))
    made.log("2026-11-01 18:00", "sprayed", "sprayer-4", product="uan_28")
    made.log("2026-11-01 17:00", "antifreeze_run", "sprayer-5", fluid="propylene_glycol", sides=("front", "rear"))
    made.night(TONIGHT, replace(FREEZES, low_c=-20.0, pockets=0.8))
    made.run("07:00")
    text = made.to(MARA)[0].text
    assert "Unknown liquid in both valve sides (nobody has said what is in it: counts as full of water)" in text
    assert "Pockets of water in both valve sides" in text
    assert "Product in both valve sides since 20 Oct (reported by Owen) - not confirmed since." in text
    assert "Do not flush fertilizer out unless air or antifreeze follows" in text
    assert "Propylene glycol (not measured), but it may still be water in both valve sides" in text


def approve() -> None:
    """Write every sample anew."""
    SAMPLES.mkdir(exist_ok=True)
    for name, reader in EVERY:
        (SAMPLES / f"{name}.{reader}.txt").write_text(as_text(MAILS[name](READERS[reader])), encoding="utf-8")


if __name__ == "__main__":
    approve()
