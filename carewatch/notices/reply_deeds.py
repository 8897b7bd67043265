"""What one digit of an answer means for one machine: the entries it stands for, or why it is not clear enough."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from carewatch.errors import BadInput
from carewatch.logbook.care import Damaged
from carewatch.logbook.entries import (
    AntifreezeRun,
    BlownOut,
    Declined,
    Detail,
    EntryKind,
    HoursRead,
    Moved,
    NotUsed,
    Promised,
    Rinsed,
    RiskAccepted,
    Thawed,
)
from carewatch.notices.reply_words import places_in, take_counter, take_litres, take_strength, take_time
from carewatch.roster.model import Machine, Place, PlaceKind, Site

FURTHEST_PROMISE = timedelta(hours=18)  # chosen: later than that is not this night
CLOCK_AHEAD = timedelta(minutes=10)
LONGEST_REMARK = 200
FLUIDS = (("propylene", "propylene_glycol"), ("ethylene", "ethylene_glycol"), ("glycerin", "glycerol"))
OPEN_AIR = frozenset({PlaceKind.OUTDOORS, PlaceKind.OPEN_ROOF})

_INDOORS = re.compile(r"\b(?:indoors?|inside|heated)\b", re.IGNORECASE)
_AIR = re.compile(r"\b(?:air|aired|blown|blew|compressor)\b", re.IGNORECASE)
_ANTIFREEZE = re.compile(r"\b(?:anti-?freeze|glycol|rv fluid)\b", re.IGNORECASE)
# Words after which "done" may mean "not done": such an answer is asked again, never taken for evidence.
_DOUBT = re.compile(
    r"\?|n't\b|n’t\b|\b(?:not|no|never|nothing|none|nobody|without|yet|later|soon|tomorrow|tonight|will|would|could|can"
    r"|should|going|gonna|plan|planning|trying|try|except|but|unless|if|when|only|almost|nearly|half|maybe|perhaps"
    r"|probably|think|guess|hope|unsure|sure|wrong|instead|forgot|cannot|dont|cant|wont|didnt|isnt|broken|or|start"
    r"|starting|about to|need|needs|must|stopped|failed|undo|ignore|cancel)\b",
    re.IGNORECASE,
)
_REFUSAL = re.compile(r"n't\b|n’t\b|\b(?:not|no|never|cannot|dont|cant|wont|nobody)\b", re.IGNORECASE)


class Options(StrEnum):
    """Which set of digits a notice offered."""

    EVENING = "evening"
    PROTECT = "protect"
    THAW = "thaw"


DIGITS = {
    Options.EVENING: frozenset({1, 2, 3, 4, 5, 6}),
    Options.PROTECT: frozenset({1, 2, 3, 4, 5, 6}),
    Options.THAW: frozenset({1, 2, 3}),
}
EVIDENCE = {
    Options.EVENING: frozenset({1, 2, 3, 4}),
    Options.PROTECT: frozenset({1, 2, 3}),
    Options.THAW: frozenset({1, 2}),
}
# A later answer of the same person to the same message that says less, or something else, takes the earlier one back.
TAKES_BACK = {
    (Options.EVENING, 1): frozenset({2}),
    (Options.EVENING, 3): frozenset({1, 2}),
    (Options.EVENING, 4): frozenset({1, 2}),
    (Options.EVENING, 5): frozenset({1, 2, 3, 4}),
    (Options.EVENING, 6): frozenset({1, 2, 3, 4}),
    (Options.PROTECT, 4): frozenset({1, 2, 3}),
    (Options.PROTECT, 5): frozenset({1, 2, 3}),
    (Options.PROTECT, 6): frozenset({1, 2, 3}),
    (Options.THAW, 1): frozenset({2}),
    (Options.THAW, 2): frozenset({1}),
    (Options.THAW, 3): frozenset({1, 2}),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a notice asked about one machine. `site`: where it stands; `sites`: where it may go.

    `duties`: keys of what can still be answered; `protect_due_at`: by when it must be protected, if that was asked;
    `may_leave`: whether the person may decide to leave it as it is; `is_over`: its night is past and nothing is open.
    """

    machine: Machine
    site: Site
    sites: tuple[Site, ...]
    options: Options
    duties: tuple[str, ...]
    protect_due_at: datetime | None = None
    may_leave: bool = False
    is_over: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """One entry an answer stands for."""

    machine: str
    digit: int
    kind: EntryKind
    detail: Detail


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What stands behind a digit: words taken apart, or what was chosen on a page (then without words)."""

    words: str = ""
    time_at: datetime | None = None
    places: tuple[tuple[Site, Place], ...] = ()
    counter_h: float | None = None
    litres: float | None = None
    strength_vol_pct: float | None = None


def deeds_of(asked: Asked, digit: int, tail: str, *, at: datetime) -> tuple[tuple[Deed, ...], tuple[str, ...]]:
    """The entries and what the person should know about them; BadInput says what is not clear."""
    _refuse_unoffered(asked, digit)
    is_promise = asked.options is Options.PROTECT and digit == 4
    if asked.options is Options.EVENING and digit == 2:
        tail = re.sub(r"(?i)\bair through (?:both|it)\b", " ", tail)  # the words of the message itself tell nothing
    said = _taken_apart(asked, tail, at=at, ahead=is_promise)
    name = asked.machine.name
    if digit in EVIDENCE[asked.options]:
        _refuse_doubt(asked, digit, said, at=at)
    elif "?" in said.words or (is_promise and _REFUSAL.search(said.words)):
        raise BadInput(f"I cannot tell from your words what you mean about {name}.")
    if len(said.places) > 1:
        listed = " or ".join(f"{place.name} ({site.name})" for site, place in said.places[:4])
        raise BadInput(f"Where does {name} stand: {listed}?")
    return _meant(asked, digit, said, at=at)


def deeds_chosen(asked: Asked, digit: int, said: Said, *, at: datetime) -> tuple[tuple[Deed, ...], tuple[str, ...]]:
    """The same for an answer that was chosen on a page, where nothing is left to be guessed from words."""
    _refuse_unoffered(asked, digit)
    return _meant(asked, digit, said, at=at)


def _refuse_unoffered(asked: Asked, digit: int) -> None:
    name = asked.machine.name
    if asked.is_over:
        raise BadInput(f"What that message asked about {name} is over.")
    if digit not in DIGITS[asked.options] or (
        asked.options is Options.EVENING and digit in (3, 4) and len(asked.machine.sides) < 2
    ):
        raise BadInput(f"There is no answer {digit} about {name} in that message.")


def _meant(asked: Asked, digit: int, said: Said, *, at: datetime) -> tuple[tuple[Deed, ...], tuple[str, ...]]:
    details = list(_details(asked, digit, said, at=at))
    if asked.options is not Options.THAW:
        details += list(_extras(said, details))
    deeds = tuple(Deed(machine=asked.machine.id, digit=digit, kind=kind, detail=detail) for kind, detail in details)
    return deeds, tuple(_remarks(asked, digit, said))


def _taken_apart(asked: Asked, tail: str, *, at: datetime, ahead: bool) -> Said:
    places, rest = places_in(tail, sites=asked.sites, stands=asked.site)
    time_at, rest = take_time(rest, at=at, zone=asked.site.tz, ahead=ahead)
    strength_vol_pct, rest = take_strength(rest)
    litres, rest = take_litres(rest)
    rest = re.sub(r"\+?\d[\d\s()./-]{7,}\d", " ", rest)  # a telephone number under the name
    counter_h, rest = take_counter(rest)
    if re.search(r"(?<![\w.,])\d{1,2}(?![\w]|[.,]\d)", rest):
        raise BadInput(f"There is more than one number in your answer about {asked.machine.name}.")
    return Said(
        words=rest,
        time_at=time_at,
        places=places,
        counter_h=counter_h,
        litres=litres,
        strength_vol_pct=strength_vol_pct,
    )


def _refuse_doubt(asked: Asked, digit: int, said: Said, *, at: datetime) -> None:
    """What makes a machine look safer must be said plainly and lie in the past."""
    name, words = asked.machine.name, said.words
    if asked.options is Options.THAW and digit == 1:
        words = re.sub(r"(?i)\b(?:nothing|none|not|no)\s+(?:was\s+|is\s+)?(?:frozen|ice)\b", " ", words)
    if asked.options is Options.EVENING and digit in (3, 4):
        words = re.sub(r"(?i)\bonly\b", " ", words)
    if _DOUBT.search(words):
        raise BadInput(f"I cannot tell from your words whether it is done on {name}.")
    if said.time_at is not None and said.time_at > at + CLOCK_AHEAD:
        raise BadInput(f"The time you name for {name} is still to come; answer when it is done.")
    if _other_option(asked, digit, said):
        raise BadInput(f"Digit and words do not say the same about {name}.")


def _other_option(asked: Asked, digit: int, said: Said) -> bool:
    """Whether the words belong to another digit: `1 antifreeze`, `1 front only`, `2 rear side`."""
    if asked.options is Options.THAW:
        return False
    if asked.options is Options.PROTECT and any(
        pattern.search(said.words) for other, pattern in ((2, _AIR), (3, _ANTIFREEZE)) if other != digit
    ):
        return True
    sides = asked.machine.side_keys
    meant = {sides[digit - 3]} if asked.options is Options.EVENING and digit in (3, 4) else set(sides)
    named = {key for key, labels in _side_words(asked.machine).items() if _any_word(labels, said.words)}
    return bool(named) and named != meant


def _side_words(machine: Machine) -> dict[str, tuple[str, ...]]:
    if len(machine.sides) < 2:
        return {}
    return {side.key: (side.key, side.label) for side in machine.sides}


def _any_word(words: Sequence[str], text: str) -> bool:
    # A label of one letter must be written as it is: "a" is a word, "A" may be a side.
    return any(
        re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text, 0 if len(word) == 1 else re.IGNORECASE) for word in words
    )


Details = Iterator[tuple[EntryKind, Detail]]


def _details(asked: Asked, digit: int, said: Said, *, at: datetime) -> Details:
    match asked.options:
        case Options.EVENING:
            return _evening(asked, digit, said)
        case Options.PROTECT:
            return _protect(asked, digit, said, at=at)
        case Options.THAW:
            return _thaw(digit, said)


def _evening(asked: Asked, digit: int, said: Said) -> Details:
    sides = asked.machine.side_keys
    match digit:
        case 1:
            yield EntryKind.RINSED, Rinsed(sides=sides)
            if _INDOORS.search(said.words) and not said.places:
                yield _into_heat(asked, said)
        case 2:
            yield EntryKind.RINSED, Rinsed(sides=sides)
            yield from _air_or_indoors(asked, said)
        case 3 | 4:
            yield EntryKind.RINSED, Rinsed(sides=(sides[digit - 3],))
        case 5:
            yield EntryKind.NOT_USED, NotUsed()
        case _:
            yield from _declined(asked)


def _air_or_indoors(asked: Asked, said: Said) -> Details:
    """Air through both sides, unless it went under a roof: then only what was said is taken for done."""
    place = said.places[0][1] if said.places else None
    is_indoors = _INDOORS.search(said.words) is not None or (place is not None and place.kind not in OPEN_AIR)
    if is_indoors and place is None:
        yield _into_heat(asked, said)
    if not is_indoors or _AIR.search(said.words):
        yield EntryKind.BLOWN_OUT, BlownOut(sides=asked.machine.side_keys)


def _protect(asked: Asked, digit: int, said: Said, *, at: datetime) -> Details:
    sides = asked.machine.side_keys
    match digit:
        case 1:
            yield _into_heat(asked, said)
        case 2:
            yield EntryKind.BLOWN_OUT, BlownOut(sides=sides)
        case 3:
            fluid = next((name for word, name in FLUIDS if word in said.words.casefold()), "antifreeze")
            yield (
                EntryKind.ANTIFREEZE_RUN,
                AntifreezeRun(fluid=fluid, sides=sides, litres=said.litres, strength_vol_pct=said.strength_vol_pct),
            )
        case 4:
            by_at = _promised_by(asked, said, at=at)
            yield from ((EntryKind.PROMISED, Promised(duty=duty, by_at=by_at)) for duty in _protect_duties(asked))
        case 5:
            yield from _declined(asked)
        case _:
            if not asked.may_leave:
                raise BadInput(
                    f"Only a manager or a contact of the site may decide to leave {asked.machine.name}. "
                    "If you cannot do it, answer 5."
                )
            yield from ((EntryKind.RISK_ACCEPTED, RiskAccepted(duty=duty)) for duty in _protect_duties(asked))


def _thaw(digit: int, said: Said) -> Details:
    if digit == 3:
        text = f"answer: broken, do not use. {' '.join(said.words.split())}"
        yield EntryKind.DAMAGED, Damaged(text=text[:LONGEST_REMARK].strip())
    else:
        yield EntryKind.THAWED, Thawed(found_ice=digit == 2)


def _into_heat(asked: Asked, said: Said) -> tuple[EntryKind, Detail]:
    """The named place, else the only heated one where it stands."""
    if said.places:
        site, place = said.places[0]
        if place.kind in OPEN_AIR:
            raise BadInput(f"{place.name} is no building. Where does {asked.machine.name} stand now?")
        return EntryKind.MOVED, Moved(site=site.id, place=place.id)
    heated = [place for place in asked.site.places if place.kind is PlaceKind.HEATED_SHOP]
    if len(heated) == 1:
        return EntryKind.MOVED, Moved(site=asked.site.id, place=heated[0].id)
    known = [place.name for site in asked.sites for place in site.places if place.kind not in OPEN_AIR]
    hint = f" Add one of: {', '.join(dict.fromkeys(known))}." if known else ""
    raise BadInput(f"Into which building did {asked.machine.name} go?{hint}")


def _promised_by(asked: Asked, said: Said, *, at: datetime) -> datetime:
    """The time named, else the deadline itself: then it is asked again as if nobody had promised."""
    if said.time_at is not None:
        if said.time_at - at > FURTHEST_PROMISE:
            raise BadInput(f"That is too late for {asked.machine.name}. Write the time, for example: 4 by 18:00")
        return said.time_at
    if asked.protect_due_at is None or asked.protect_due_at <= at:
        raise BadInput(f"By when will you protect {asked.machine.name}? Write for example: 4 by 18:00")
    return asked.protect_due_at


def _protect_duties(asked: Asked) -> tuple[str, ...]:
    found = tuple(duty for duty in asked.duties if duty.startswith("protect|"))
    if not found:
        raise BadInput(f"Nothing is open any more for {asked.machine.name} in that message.")
    return found


def _declined(asked: Asked) -> Details:
    if not asked.duties:
        raise BadInput(f"Nothing is open any more for {asked.machine.name} in that message.")
    yield from ((EntryKind.DECLINED, Declined(duty=duty, reason="answered by mail")) for duty in asked.duties)


def _extras(said: Said, details: Sequence[tuple[EntryKind, Detail]]) -> Details:
    """Where it stands and what the counter shows, said beside the digit."""
    if said.places and not any(kind is EntryKind.MOVED for kind, _ in details):
        site, place = said.places[0]
        yield EntryKind.MOVED, Moved(site=site.id, place=place.id)
    if said.counter_h is not None:
        yield EntryKind.HOURS_READ, HoursRead(counter_h=said.counter_h)


def _remarks(asked: Asked, digit: int, said: Said) -> Iterator[str]:
    name = asked.machine.name
    if asked.options is Options.PROTECT and digit == 3:
        if said.litres is None or said.strength_vol_pct is None:
            yield f"{name}: antifreeze of unknown strength counts as water until its strength is measured at both ends."
        else:
            yield f"{name}: measure the strength at both boom ends, each side; until then only the mixture is reckoned."
    if asked.options is Options.EVENING and digit == 5 and any(duty.startswith("rinse|") for duty in asked.duties):
        yield f"{name}: the logbook still says that it sprayed; it stays due to be flushed until that entry is voided."
