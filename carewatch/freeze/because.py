"""Why an outlook says what it says, in short plain sentences.

Numbers are written as `2.0 °C`; a difference of temperatures is always followed by ` warmer`, ` colder`, ` below` or
` above`, so that a later layer can write both in a person's own units.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite

from carewatch.fluids.liquid import LiquidKind
from carewatch.freeze.forcing import CALM_BELOW_MPS, CLEAR_BELOW, Surroundings
from carewatch.freeze.learning import Lesson
from carewatch.logbook.state import ASSUMED, Contents, Fill, Whereabouts
from carewatch.roster.model import PlaceKind, Site
from carewatch.weather.forecast import NightWeather, SiteWeather

SHOWN_C = 0.05
FERTILIZER_SETTLES_C = 5.0


def reasons(
    *,
    weather: SiteWeather,
    night: NightWeather,
    site: Site,
    feels: Surroundings | None,
    stays: Sequence[Whereabouts],
    held: Contents | None,
    margin_c: float | None,
    all_contents: Sequence[Contents],
    coldest_part_c: float | None,
    is_frozen_already: bool,
    pockets_harm_c: float,
    lesson: Lesson,
) -> tuple[str, ...]:
    """The sentences of one machine and night, the deciding ones first; `held` is what the worst part holds."""
    sentences: list[str] = []
    if held is None:
        sentences.append("Nothing in it can freeze.")
    elif margin_c is not None:
        if is_frozen_already:
            sentences.append("Ice is there already.")
        sentences += [*_about_margin(margin_c), *_about_contents(held, pockets_harm_c)]
    if feels is not None and held is not None:
        sentences += [*_about_place(feels, night, site, stays), *_about_weather(feels, night, weather)]
        sentences += _about_lesson(lesson)
    sentences += _about_salts(all_contents, coldest_part_c)
    if not night.is_usable and held is not None:
        sentences.append("The weather data are too poor to call the night safe, but they show freezing.")
    return tuple(dict.fromkeys([*sentences, *night.because, *weather.because]))


def _about_margin(margin_c: float) -> Iterator[str]:
    if not isfinite(margin_c):
        yield "No night forecast here can freeze it where it stands."
    elif margin_c >= SHOWN_C:
        yield f"It freezes even if the night turns out {margin_c:.1f} °C warmer."
    elif margin_c <= -SHOWN_C:
        yield f"It freezes if the night turns out {-margin_c:.1f} °C colder."
    else:
        yield "It just freezes if the forecast is right."


def _about_contents(held: Contents, pockets_harm_c: float) -> Iterator[str]:
    point = f"{held.freezes_at_c + 0.0:.1f} °C"
    if held.known_by == ASSUMED or held.liquid.kind is LiquidKind.UNKNOWN:
        yield f"Nobody said what is in it, so it counts as water: freezes at {point}."
    elif held.liquid.kind is LiquidKind.PRODUCT:
        yield f"Product in it counts as water: freezes at {point}."
    else:
        yield f"It holds {held.liquid.name.replace('_', ' ')}: freezes at {point}."
    if len(held.candidates) > 1:
        yield "What is in it is not certain; the liquid that freezes first counts."
    if held.fill is Fill.POCKETS:
        yield f"Only pockets are left: harm counts from {pockets_harm_c:.1f} °C below the freezing point."


def _about_place(feels: Surroundings, night: NightWeather, site: Site, stays: Sequence[Whereabouts]) -> Iterator[str]:
    first, last = feels.mark_at_or_before(night.night.start_at), feels.mark_at_or_before(night.night.end_at)
    kinds = set(feels.kinds[first : last + 1])
    stands = stays[-1] if stays else None
    if stands is None or stands.is_assumed:
        yield "Nobody said where it stands."
    if PlaceKind.HEATED_SHOP in kinds and PlaceKind.UNHEATED_SHED in kinds:
        yield "The heat is not confirmed for the whole night; then the shop counts as an unheated shed."
    elif PlaceKind.HEATED_SHOP in kinds:
        yield "It stands in a heated shop."
    elif stands is not None and stands.kind is PlaceKind.HEATED_SHOP:
        yield "The heat of the shop was not confirmed lately, so it counts as an unheated shed."
    elif PlaceKind.UNHEATED_SHED in kinds:
        yield "An unheated shed delays the cold and keeps off the sky, no more."
    if PlaceKind.OPEN_ROOF in kinds:
        yield "A roof keeps off the sky, not the cold air."
    colder_c = max(site.colder_c, 0.0 if stands is None else stands.colder_c)
    if colder_c >= SHOWN_C:
        yield f"The spot is {colder_c:.1f} °C colder than its surroundings."


def _about_weather(feels: Surroundings, night: NightWeather, weather: SiteWeather) -> Iterator[str]:
    if night.coldest_at is None:
        return
    mark = feels.mark_at_or_before(night.coldest_at)
    if feels.kinds[mark] is PlaceKind.OUTDOORS and mark < weather.cloud_fraction.shape[0]:
        wind_mps, cloud = float(weather.wind_mps[mark]), float(feels.cloud_fraction[mark])
        if cloud < CLEAR_BELOW and not wind_mps >= CALM_BELOW_MPS:
            yield "Clear sky and little wind: the boom gets colder than the air."
    if feels.is_wet[mark] > 0.0:
        yield "Rain or fog wets it, and drying cools it further."


def _about_lesson(lesson: Lesson) -> Iterator[str]:
    if lesson.nights and abs(lesson.bias_c) >= SHOWN_C:
        turn = "colder" if lesson.bias_c < 0.0 else "warmer"
        nights = "1 night" if lesson.nights == 1 else f"{lesson.nights} nights"
        by = f"{abs(lesson.bias_c):.1f} °C {turn} than forecast"
        yield f"The thermometer here has read lows {by}, over {nights}; that counts."


def _about_salts(all_contents: Sequence[Contents], coldest_part_c: float | None) -> Iterator[str]:
    has_fertilizer = any(
        liquid.kind is LiquidKind.FERTILIZER for held in all_contents for liquid in (held.liquid, *held.candidates)
    )
    if has_fertilizer and (coldest_part_c is None or coldest_part_c < FERTILIZER_SETTLES_C):
        yield (
            f"Fertilizer in it may salt out; below about {FERTILIZER_SETTLES_C:.1f} °C salts begin to settle. "
            "Crystals block, they do not burst."
        )
