"""One digit by mail: what is plainly said becomes entries, everything else changes nothing."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.logbook.care import Damaged
from carewatch.logbook.entries import (
    AntifreezeRun,
    BlownOut,
    Declined,
    HoursRead,
    Moved,
    NotUsed,
    Promised,
    Rinsed,
    RiskAccepted,
    Thawed,
)
from carewatch.notices.notice import NoticeKind, SentNotice
from carewatch.notices.reply import options_of, read_reply, references_in
from carewatch.notices.reply_answer import remarks_letter, unclear_letter
from carewatch.notices.reply_deeds import DIGITS, Asked, Options
from carewatch.notices.reply_text import own_words
from carewatch.roster.model import Place, PlaceKind, Side
from tests.notices.farm import FREEZES, OWEN, farm, machine, site

AT = datetime(2026, 10, 19, 22, 0, tzinfo=UTC)  # 17:00 in Chicago
DUE = datetime(2026, 10, 20, 0, 30, tzinfo=UTC)  # 19:30
BOTH = ("front", "rear")
NORTH, RIVER = site(), site("river")
SHOP = Moved(site="north", place="shop")


def asked(number: int = 3, options: Options = Options.PROTECT, **changes) -> Asked:
    kinds = {Options.EVENING: ("rinse", "protect"), Options.PROTECT: ("protect",), Options.THAW: ("thaw",)}[options]
    values = {
        "machine": machine(number), "site": NORTH, "sites": (NORTH, RIVER), "options": options,
        "duties": tuple(f"{kind}|sprayer-{number}|2026-10-19" for kind in kinds), "protect_due_at": DUE,
    }  # fmt: skip
    return Asked(**(values | changes))


def read(text: str, *about: Asked, others=(), sent_text: str = ""):
    return read_reply(text, asked=about or (asked(),), others=others, at=AT, sent_text=sent_text)


def details(text: str, *about: Asked, **more) -> list[object]:
    found = read(text, *about, **more)
    assert not found.unclear
    return [deed.detail for deed in found.deeds]


def chicago(hour: int, minute: int = 0, day: int = 19) -> datetime:
    return datetime(2026, 10, day, hour + 5, minute, tzinfo=UTC) if hour < 19 else datetime(
        2026, 10, day + 1, hour - 19, minute, tzinfo=UTC
    )  # fmt: skip


EVENING = [
    ("1", [Rinsed(sides=BOTH)]),
    ("1.", [Rinsed(sides=BOTH)]),
    ("1️⃣", [Rinsed(sides=BOTH)]),
    ("\uff11", [Rinsed(sides=BOTH)]),
    ("Answer: 1", [Rinsed(sides=BOTH)]),
    ("Hi Mara,\n\n1\n\nOwen\n+1 785 555 0111", [Rinsed(sides=BOTH)]),
    ("1 both sides flushed", [Rinsed(sides=BOTH)]),
    ("Sprayer 3: 1", [Rinsed(sides=BOTH)]),
    ("3 1", [Rinsed(sides=BOTH)]),
    ("1 sprayer 3 done", [Rinsed(sides=BOTH)]),
    ("1, river yard, 1234.5 h", [Rinsed(sides=BOTH), Moved(site="river", place="yard"), HoursRead(counter_h=1234.5)]),
    ("1 counter 87", [Rinsed(sides=BOTH), HoursRead(counter_h=87)]),
    ("1\n1,234 h", [Rinsed(sides=BOTH), HoursRead(counter_h=1234)]),
    ("1\n1234,5 h", [Rinsed(sides=BOTH), HoursRead(counter_h=1234.5)]),
    ("1 done at 4:30 pm", [Rinsed(sides=BOTH)]),
    ("1 indoors", [Rinsed(sides=BOTH), SHOP]),
    ("1 north shop", [Rinsed(sides=BOTH), SHOP]),
    ("2", [Rinsed(sides=BOTH), BlownOut(sides=BOTH)]),
    ("2 both, and air through both", [Rinsed(sides=BOTH), BlownOut(sides=BOTH)]),
    ("2 north shop", [Rinsed(sides=BOTH), SHOP]),
    ("2 indoors", [Rinsed(sides=BOTH), SHOP]),
    ("2 shed", [Rinsed(sides=BOTH), Moved(site="north", place="shed")]),
    ("2 air, river yard", [Rinsed(sides=BOTH), BlownOut(sides=BOTH), Moved(site="river", place="yard")]),
    ("2 air, and in the shed", [Rinsed(sides=BOTH), BlownOut(sides=BOTH), Moved(site="north", place="shed")]),
    ("3 front only", [Rinsed(sides=("front",))]),
    ("4", [Rinsed(sides=("rear",))]),
    ("5 did not spray", [NotUsed()]),
]


@pytest.mark.parametrize(("text", "wanted"), EVENING, ids=[text for text, _ in EVENING])
def test_an_evening_answer_becomes_what_it_says(text, wanted):
    assert details(text, asked(options=Options.EVENING)) == wanted


def test_cannot_declines_every_duty_of_the_message():
    found = details("6 cannot, too tired", asked(options=Options.EVENING))
    assert [one.duty for one in found if isinstance(one, Declined)] == [
        "rinse|sprayer-3|2026-10-19",
        "protect|sprayer-3|2026-10-19",
    ]


PROTECT = [
    ("1", [SHOP]),
    ("1 indoors, north shop", [SHOP]),
    ("1 river shop", [Moved(site="river", place="shop")]),
    ("1 north shed", [Moved(site="north", place="shed")]),
    ("2 air, both sides", [BlownOut(sides=BOTH)]),
    ("2 air, both sides, front and rear", [BlownOut(sides=BOTH)]),
    ("3", [AntifreezeRun(fluid="antifreeze", sides=BOTH)]),
    (
        "3 propylene glycol 50% 150 L",
        [AntifreezeRun(fluid="propylene_glycol", sides=BOTH, strength_vol_pct=50, litres=150)],
    ),
    ("4 I will, by 6 pm", [Promised(duty="protect|sprayer-3|2026-10-19", by_at=chicago(18))]),
    ("4 18:00", [Promised(duty="protect|sprayer-3|2026-10-19", by_at=chicago(18))]),
    ("4 by 6:30", [Promised(duty="protect|sprayer-3|2026-10-19", by_at=chicago(18, 30))]),
    ("4 by 6", [Promised(duty="protect|sprayer-3|2026-10-19", by_at=chicago(18))]),
    ("4 6 pm", [Promised(duty="protect|sprayer-3|2026-10-19", by_at=chicago(18))]),
    ("4 by 1 am", [Promised(duty="protect|sprayer-3|2026-10-19", by_at=chicago(1, day=20))]),
    ("4 midnight", [Promised(duty="protect|sprayer-3|2026-10-19", by_at=chicago(0, day=20))]),
    ("4 I will", [Promised(duty="protect|sprayer-3|2026-10-19", by_at=DUE)]),
    ("5", [Declined(duty="protect|sprayer-3|2026-10-19", reason="answered by mail")]),
]


@pytest.mark.parametrize(("text", "wanted"), PROTECT, ids=[text for text, _ in PROTECT])
def test_an_answer_about_protecting_becomes_what_it_says(text, wanted):
    assert details(text) == wanted


def test_leaving_it_is_for_managers_and_contacts():
    assert "Only a manager" in read("6").unclear
    assert details("6 leave it, my decision", asked(may_leave=True)) == [
        RiskAccepted(duty="protect|sprayer-3|2026-10-19")
    ]


THAW = [
    ("1 thawed, nothing was frozen", [Thawed(found_ice=False)]),
    ("2 thawed, ice was found", [Thawed(found_ice=True)]),
    ("3 broken", [Damaged(text="answer: broken, do not use. broken")]),
]


@pytest.mark.parametrize(("text", "wanted"), THAW, ids=[text for text, _ in THAW])
def test_a_morning_answer_becomes_what_it_says(text, wanted):
    assert details(text, asked(options=Options.THAW)) == wanted


def test_antifreeze_of_unknown_strength_is_said_to_count_as_water():
    assert "counts as water until its strength is measured" in read("3").remarks[0]


UNCLEAR_EVENING = [
    "", "ok", "done", "yes", "0", "7", "9", "11", "1 or 2", "1/2", "1 2", "1?", "not 1", "1 not yet", "1 tomorrow",
    "1 will do", "1 front", "1 rear side only", "1 but not the rear side", "3 rear only", "1 at 11:30 pm", "2 front",
    "1 is wrong", "I did 1", "1st", "1 pm", "1.5", "1 north yard and river yard", "١", "1 if I find the time", "1\n2",
    "-1", "One", "1 didn't work", "1 Sprayer 4",
]  # fmt: skip


@pytest.mark.parametrize("text", UNCLEAR_EVENING)
def test_what_is_not_plain_changes_nothing(text):
    found = read(text, asked(options=Options.EVENING), others=(machine(4),))
    assert found.unclear
    assert found.deeds == ()


@pytest.mark.parametrize(
    "text", ["1 antifreeze", "1 air", "2 antifreeze", "2 front side", "3 rear", "1 river yard", "4 I won't", "4?", "5?"]
)
def test_digit_and_words_must_agree(text):
    assert read(text).unclear


def test_a_promise_for_another_night_or_after_the_deadline_without_a_time_is_asked_again():
    assert "too late" in read("4 by 4 pm").unclear
    assert "By when" in read("4", asked(protect_due_at=datetime(2026, 10, 19, 21, tzinfo=UTC))).unclear


def test_one_of_several_heated_buildings_has_to_be_named():
    two = site(places=(*NORTH.places, Place(id="hall", name="big hall", kind=PlaceKind.HEATED_SHOP)))
    assert "big hall" in read("1", asked(site=two, sites=(two,))).unclear
    assert details("1 big hall", asked(site=two, sites=(two,))) == [Moved(site="north", place="hall")]


def test_a_single_side_has_no_third_and_fourth_answer():
    one = machine(3, sides=(Side(key="only", label="only"),))
    assert read("3", asked(options=Options.EVENING, machine=one)).unclear
    assert details("1", asked(options=Options.EVENING, machine=one)) == [Rinsed(sides=("only",))]


# ---------------------------------------------------------------- several machines

SEVERAL = (asked(3), asked(5))


def by_machine(text: str, *about: Asked) -> list[tuple[str, int]]:
    found = read(text, *(about or SEVERAL))
    assert not found.unclear
    return [(deed.machine, deed.digit) for deed in found.deeds]


@pytest.mark.parametrize(
    "text",
    [
        "3 1\n5 2", "3 1, 5 2", "Sprayer 3: 1; Sprayer 5: 2", "sprayer-3 1 and sprayer-5 2", "#3 1 & #5 2",
        "3 = 1\n5 = 2", "Hello,\n3: 1\n5: 2\nOwen", "3 1 north shop. 5 2 air",
    ],
)  # fmt: skip
def test_machine_and_digit_for_each(text):
    assert by_machine(text) == [("sprayer-3", 1), ("sprayer-5", 2)]


def test_one_of_several_may_be_answered_alone():
    assert by_machine("5 2") == [("sprayer-5", 2)]
    assert by_machine("all 5") == [("sprayer-3", 5), ("sprayer-5", 5)]
    assert by_machine("3 4 by 6 pm, 5 2") == [("sprayer-3", 4), ("sprayer-5", 2)]


@pytest.mark.parametrize(
    "text", ["1", "2 both", "both 2", "7 1", "3 1, 7 1", "3 1\n3 2", "3 1 5", "3", "3 and 5", "3 9, 5 1"]
)
def test_several_machines_want_machine_and_digit(text):
    found = read(text, *SEVERAL)
    assert found.unclear
    assert found.deeds == ()


# ---------------------------------------------------------------- what the person typed

SENT = "Before you leave, in this order:\n\nReply with one digit:  1 both sides flushed  2 both\nNo answer: flush."
QUOTES = {
    "marks": "1\n\nOn Mon, Oct 19 at 5:02 PM carewatch <watch@farm.example> wrote:\n> One digit:  1 both\n> 2",
    "wrapped": "1\n\nOn Mon, Oct 19 at 5:02 PM carewatch\n<watch@farm.example> wrote:\n\n> One digit:\n> 2 both",
    "below": "Am 19.10.2026 um 17:02 schrieb carewatch:\n> Reply with one digit:  1 both\n> Ref: x\n\n1",
    "old message": "1\n-----Original Message-----\nFrom: carewatch\nReply with one digit: 2",
    "header block": "1\n\nFrom: carewatch <watch@farm.example>\nSent: Monday\nReply with one digit: 2",
    "headers": "1\n\nFrom: carewatch\nSent: Monday, October 19, 2026 5:02 PM\nTo: Noah\nSubject: x\n\n2",
    "line": "1\n________________________________\nFrom: carewatch\n2",
    "no marks at all": "1\n\nReply with one digit:  1 both sides flushed  2 both\nNo answer: flush.",
    "signature": "1\n-- \nOwen, cell 2\n",
    "signature, then quotation": "1\n-- \nOwen, cell 2\n\nOn Monday carewatch wrote:\n> 1 both\n> 2 both\n",
    "headers, then below": "From: carewatch\nSent: Monday\nReply 2\n> Reply with one digit: 2\n1",
    "phone": "1\n\nSent from my phone 12\n",
}


@pytest.mark.parametrize("text", QUOTES.values(), ids=QUOTES)
def test_the_quoted_message_and_the_signature_are_no_answer(text):
    assert own_words(text, sent_text=SENT) == ("1",)


def test_a_reference_is_found_in_a_quotation():
    assert references_in("1\n> Ref: ABCD-EFGH-2345-IJKL\n") == ("ABCD-EFGH-2345-IJKL",)
    assert details("1\nRef: ABCD-EFGH-2345-IJKL") == [SHOP]


@pytest.mark.parametrize(
    ("kind", "duties", "wanted"),
    [
        (NoticeKind.EVENING, ("rinse|a|x", "protect|a|x"), Options.EVENING),
        (NoticeKind.EVENING, ("say|a|x",), Options.EVENING),
        (NoticeKind.EVENING, ("protect|a|x",), Options.PROTECT),
        (NoticeKind.DAY, ("protect|a|x", "rinse|a|x"), Options.PROTECT),
        (NoticeKind.DAY, ("rinse|a|x",), None),
        (NoticeKind.STILL_WET, ("protect|a|x",), Options.PROTECT),
        (NoticeKind.MORNING_AFTER, ("thaw|a|x",), Options.THAW),
        (NoticeKind.CANCELLED, ("protect|a|x",), None),
        (NoticeKind.EVENING, (), None),
    ],
)
def test_the_digits_are_those_the_notice_offered(kind, duties, wanted):
    assert options_of(kind, duties, of_notice=duties) is wanted


def test_one_message_offers_one_set_of_digits():
    both = ("rinse|a|x", "protect|a|x", "protect|b|x")
    assert options_of(NoticeKind.EVENING, ("protect|b|x",), of_notice=both) is Options.EVENING


def test_the_digits_read_are_the_digits_written():
    """Every message the farm can write about two machines: what it offers is what an answer to it may say."""
    made = farm(machine(1), machine(2))
    made.usual = FREEZES
    made.run("2026-11-02 14:00")
    made.log("2026-11-02 14:30", "sprayed", "sprayer-1", by=OWEN)
    made.run("2026-11-04 10:00")
    seen = set()
    for notice in made.notices:
        offered = {int(digit) for digit in re.findall(r"  (\d) [A-Za-z]", answer_paragraph(notice.text))}
        sets = {
            options_of(notice.kind, [key for key in notice.duties if key.split("|")[1] == one], of_notice=notice.duties)
            for one in notice.machines
        } - {None}
        assert len(sets) == (1 if offered else 0), notice.subject
        for options in sets:
            assert offered == DIGITS[options], notice.subject
            seen.add((notice.kind, options))
    assert {Options.EVENING, Options.PROTECT, Options.THAW} <= {options for _, options in seen}


def answer_paragraph(text: str) -> str:
    return next((line for line in text.splitlines() if "Reply with" in line), "")


def test_what_is_over_too_long_or_settled_changes_nothing():
    assert "is over" in read("1", asked(is_over=True)).unclear
    assert "too long" in read("1 done\n" + "flushed well " * 200).unclear
    assert all("Nothing is open" in read(text, asked(duties=())).unclear for text in ("4 by 6 pm", "5"))
    assert details("2", asked(duties=())) == [BlownOut(sides=BOTH)]  # what was done counts, settled or not


def test_a_machine_without_a_number_is_called_by_its_name():
    blue, green = machine(3, name="Blue One"), machine(5, name="Green One")
    both = (asked(3, machine=blue), asked(5, machine=green))
    assert by_machine("blue one 1\nGreen  One: 2", *both) == [("sprayer-3", 1), ("sprayer-5", 2)]
    assert "Blue One 5" in read("1", *both).unclear


def test_a_time_that_is_none_is_no_time():
    assert "more than one number" in read("4 by 25 pm").unclear


def test_the_word_back_repeats_the_digits():
    sent = SentNotice(
        key="k", kind=NoticeKind.DAY, person=OWEN, machines=(), duties=(), subject="Freezes", created_at=AT,
        refers_to=None, facts=(), is_refused=False,
    )  # fmt: skip
    one_side = asked(options=Options.EVENING, machine=machine(3, sides=(Side(key="only", label="only"),)))
    assert [digit for digit, _ in unclear_letter(sent, "?", (one_side,)).options] == [1, 2, 5, 6]
    assert [digit for digit, _ in unclear_letter(sent, "?", (asked(),)).options] == [1, 2, 3, 4, 5, 6]
    assert unclear_letter(sent, "?", ()).options == ()
    assert remarks_letter(sent, ("Measure it.",)).rest == ("Measure it.",)


# ---------------------------------------------------------------- anything at all

WORDS = st.sampled_from(
    ["1", "2", "3", "4", "5", "6", "9", "0", "Sprayer 3", "sprayer-5", "shop", "yard", "by 6 pm", "18:00", "1234 h",
     "40 gal", "50%", "not", "and", ",", ";", ":", "-", ">", "\n", "?", "ref", "all", "air", "indoors", "front"]
)  # fmt: skip
ANY_TEXT = st.one_of(st.text(max_size=300), st.lists(WORDS, max_size=12).map(" ".join))


@settings(max_examples=400, deadline=None)
@given(text=ANY_TEXT, several=st.booleans(), options=st.sampled_from(Options))
def test_any_text_gives_entries_or_a_reason_and_never_both(text, several, options):
    about = (asked(3, options), asked(5, options)) if several else (asked(3, options),)
    found = read(text, *about, others=(machine(7),))
    assert bool(found.unclear) != bool(found.deeds)
    assert {deed.machine for deed in found.deeds} <= {one.machine.id for one in about}


@settings(max_examples=200, deadline=None)
@given(before=st.text(alphabet=st.characters(categories=["Lu", "Ll", "Zs", "Po"]), min_size=1, max_size=20))
def test_words_before_the_digit_never_make_an_answer_safe(before):
    found = read(f"{before.strip() or 'x'} not 1", asked(options=Options.EVENING))
    assert found.deeds == ()


@settings(max_examples=200, deadline=None)
@given(
    doubt=st.sampled_from(["not", "tomorrow", "will", "no", "maybe", "later", "didn't", "?"]),
    words=st.text(max_size=20),
)
def test_a_doubt_anywhere_in_the_first_line_is_asked_again(doubt, words):
    flat = " ".join(words.replace(">", " ").split())
    found = read(f"1 {flat} {doubt} done", asked(options=Options.EVENING))
    assert not any(isinstance(deed.detail, Rinsed) for deed in found.deeds)
