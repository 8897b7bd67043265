"""One night as an SVG that stands alone: air and part over the hours, the freezing point, and the ice below."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from math import ceil, floor
from typing import TYPE_CHECKING

from carewatch.units import c_to_f

if TYPE_CHECKING:
    from carewatch.freeze.course import Course

WIDE, HIGH = 640, 430
LEFT, RIGHT, TOP, BELOW = 62, 28, 64, 132  # of the temperatures, in px
ICE_HIGH = 44  # px of the strip of ice
HOURS_PER_LABEL = 3
SLACK = 1.5  # degrees above and below the curves
FAR = 30.0  # degrees: a freezing point this far below the curves would press them flat and is left out

FREEZING = """<path d="M{left} {y:.1f}H{right}" stroke="#0b5cad" stroke-width="1.5" stroke-dasharray="6 4"/>
<text x="{inside}" y="{above:.1f}" text-anchor="end" fill="#0b5cad">freezes at {point}</text>"""

PAGE = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" width="{wide}" height="{high}" \
role="img" aria-labelledby="title desc" font-family="system-ui, sans-serif" font-size="12" fill="#1f2a33">
<title id="title">{title}</title>
<desc id="desc">{desc}</desc>
<rect width="{wide}" height="{high}" fill="#ffffff"/>
<text x="{left}" y="26" font-size="17" font-weight="600">{title}</text>
<text x="{left}" y="46" fill="#52616d">{subtitle}</text>
<rect x="{left}" y="{top}" width="{inner}" height="{tall}" fill="#f4f7f8" stroke="#9aa8b2"/>
{grid}
{freezing}
<polyline points="{air}" fill="none" stroke="#52616d" stroke-width="1.5" stroke-dasharray="2 3"/>
<polyline points="{part}" fill="none" stroke="#a8450f" stroke-width="2.5"/>
<text x="{left}" y="{ice_label}">ice</text>
<rect x="{left}" y="{ice_top}" width="{inner}" height="{ice_high}" fill="#f4f7f8" stroke="#9aa8b2"/>
<polygon points="{ice}" fill="#0b5cad" fill-opacity="0.75"/>
<text x="{beside}" y="{ice_full}" text-anchor="end" fill="#52616d">all</text>
<text x="{beside}" y="{ice_none}" text-anchor="end" fill="#52616d">none</text>
<g transform="translate({left} {foot})"><path d="M0 -4h26" stroke="#a8450f" stroke-width="2.5"/>
<text x="32" y="0">the part (coldest of three winds)</text>
<path d="M250 -4h26" stroke="#52616d" stroke-width="1.5" stroke-dasharray="2 3"/>
<text x="282" y="0">air there</text>
<text x="{inner}" y="0" text-anchor="end" fill="#52616d">{clock_name}</text></g>
</svg>
"""


def picture(found: Course, *, clock: Sequence[str], clock_name: str, units: str, what: str) -> str:
    """The SVG document; `clock` names the full hours and `clock_name` says of which clock, `what` the part."""
    to = c_to_f if units == "us" else float
    unit = "°F" if units == "us" else "°C"
    air, part = ([to(float(value)) for value in series] for series in (found.air_c, found.part_c))
    point = to(found.freezes_at_c)
    is_near = point > min(*air, *part) - FAR
    shown = [*air, *part, *([point] if is_near else [])]
    low, high = floor(min(shown) - SLACK), ceil(max(shown) + SLACK)
    inner, tall = WIDE - LEFT - RIGHT, HIGH - TOP - BELOW
    ice_top = TOP + tall + 42

    def x(hour: float) -> float:
        return LEFT + inner * hour / (len(air) - 1)

    def y(value: float) -> float:
        return TOP + tall * (high - value) / (high - low)

    def line(values: Sequence[float], height: Callable[[float], float]) -> str:
        return " ".join(f"{x(hour):.1f},{height(value):.1f}" for hour, value in enumerate(values))

    floor_y = ice_top + ICE_HIGH
    ice = line([float(share) for share in found.ice_fraction], lambda share: floor_y - ICE_HIGH * share)
    return PAGE.format(
        wide=WIDE,
        high=HIGH,
        title=escape(f"{what.replace('_', ' ').capitalize()}: one night"),
        desc=escape(_words(found, clock, air, part, unit)),
        subtitle=escape(_subtitle(found, units)),
        left=LEFT,
        top=TOP,
        inner=inner,
        clock_name=escape(clock_name),
        tall=tall,
        beside=LEFT - 8,
        grid=_grid(clock, low, high, x, y, unit),
        freezing=_freezing(point, y, unit) if is_near else "",
        air=line(air, y),
        part=line(part, y),
        ice=f"{LEFT},{floor_y} {ice} {WIDE - RIGHT},{floor_y}",
        ice_label=ice_top - 6,
        ice_top=ice_top,
        ice_high=ICE_HIGH,
        ice_full=ice_top + 10,
        ice_none=floor_y,
        foot=HIGH - 12,
    )


def _freezing(point: float, y: Callable[[float], float], unit: str) -> str:
    right = WIDE - RIGHT
    height = y(point)
    return FREEZING.format(
        left=LEFT, right=right, y=height, inside=right - 6, above=height - 5, point=f"{point:.1f} {unit}"
    )


def _grid(
    clock: Sequence[str], low: int, high: int, x: Callable[[float], float], y: Callable[[float], float], unit: str
) -> str:
    step = max(ceil((high - low) / 8), 1)
    rows = [
        f'<path d="M{LEFT} {y(value):.1f}H{WIDE - RIGHT}" stroke="#dde4e8"/>'
        f'<text x="{LEFT - 8}" y="{y(value) + 4:.1f}" text-anchor="end" fill="#52616d">{value} {unit}</text>'
        for value in range(low + step - low % step if low % step else low, high + 1, step)
    ]
    columns = [
        f'<path d="M{x(hour):.1f} {TOP}V{HIGH - BELOW}" stroke="#dde4e8"/>'
        f'<text x="{x(hour):.1f}" y="{HIGH - BELOW + 16}" text-anchor="middle" fill="#52616d">{clock[hour]}</text>'
        for hour in range(0, len(clock), HOURS_PER_LABEL)
    ]
    return "\n".join([*rows, *columns])


def _subtitle(found: Course, units: str) -> str:
    if found.margin_c is None:
        return "No night that can come would freeze it there."
    by = abs(found.margin_c) * (1.8 if units == "us" else 1.0)
    turn = "even if the night turns out" if found.margin_c >= 0.0 else "only if the night turns out"
    unit, way = ("°F" if units == "us" else "°C"), ("warmer" if found.margin_c >= 0.0 else "colder")
    return f"It freezes {turn} {by:.1f} {unit} {way}. Chance {found.chance:.0%}."


def _words(found: Course, clock: Sequence[str], air: Sequence[float], part: Sequence[float], unit: str) -> str:
    hours = [
        f"{at}: air {one:.1f}, part {other:.1f} {unit}, ice {ice:.0%}"
        for at, one, other, ice in zip(clock, air, part, found.ice_fraction, strict=True)
    ]
    return "; ".join(hours[::HOURS_PER_LABEL]) + "."
