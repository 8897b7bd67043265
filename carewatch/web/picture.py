"""A machine as a plain picture: tanks, pump, pipe and the valves of each side, shaded by what they hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from carewatch.web.views.machine import PartView

WIDE, HIGH = 720, 250
SHADES: Mapping[str, str] = {"full": "is-full", "pockets": "is-pockets", "dry": "is-dry"}
# key -> (x, y, width, height): tanks above the middle, the boom below; sizes only tell parts apart
BOXES: Mapping[str, tuple[int, int, int, int]] = {
    "tank": (250, 14, 150, 70),
    "rinse_tank": (410, 34, 80, 50),
    "hand_wash_tank": (500, 50, 110, 34),
    "hopper": (170, 50, 70, 34),
    "pump": (280, 98, 60, 30),
    "meter": (350, 98, 50, 30),
    "hoses": (410, 98, 80, 30),
    "boom_pipe": (30, 146, 660, 18),
}
VALVES_Y, VALVES_HIGH, VALVES_GAP = 172, 22, 30
PAGE = """<svg class="machine" viewBox="0 0 {wide} {high}" role="img" aria-labelledby="mp-title mp-desc">
<title id="mp-title">What each part holds</title><desc id="mp-desc">{desc}</desc>
{boxes}</svg>"""
BOX = """<g class="part {shade}"><rect x="{x}" y="{y}" width="{wide}" height="{high}" rx="4"/>
<text x="{tx}" y="{ty}">{name}</text></g>"""
ROW = """<g class="part {shade}"><rect x="30" y="{y}" width="660" height="{high}" rx="4"/>
<text x="38" y="{ty}">{name}: {holds}, {fill}</text></g>"""


def machine_picture(parts: Sequence[PartView]) -> str:
    """Inline SVG; every part is named in words as well."""
    drawn = [_box(part) for part in parts if part.key in BOXES]
    valves = [part for part in parts if part.key not in BOXES]
    drawn += [_row(part, VALVES_Y + number * VALVES_GAP) for number, part in enumerate(valves)]
    high = max(HIGH, VALVES_Y + len(valves) * VALVES_GAP + 10)
    desc = "; ".join(f"{part.name}: {part.holds}, {part.fill}" for part in parts)
    return PAGE.format(wide=WIDE, high=high, desc=escape(desc), boxes="\n".join(drawn))


def _box(part: PartView) -> str:
    x, y, wide, high = BOXES[part.key]
    return BOX.format(
        shade=SHADES.get(part.fill, "is-full"), x=x, y=y, wide=wide, high=high, tx=x + wide / 2, ty=y + high / 2 + 4,
        name=escape(part.name),
    )  # fmt: skip


def _row(part: PartView, y: int) -> str:
    return ROW.format(
        shade=SHADES.get(part.fill, "is-full"), y=y, high=VALVES_HIGH, ty=y + VALVES_HIGH / 2 + 4,
        name=escape(part.name), holds=escape(part.holds), fill=escape(part.fill),
    )  # fmt: skip
