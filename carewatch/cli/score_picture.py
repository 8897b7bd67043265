"""Said against happened, one panel for each lead, as an SVG that stands alone."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from math import ceil, sqrt

from carewatch.freeze.score.measures import Bin
from carewatch.freeze.score.scorecard import LeadScore, Scorecard

SIDE, GAP_LEFT, GAP_RIGHT, GAP_TOP, GAP_BELOW = 240, 62, 18, 34, 58  # of a panel, in px
PER_ROW = 2
HEAD, FOOT = 62, 34
SMALLEST, LARGEST = 3.0, 9.0  # radius in px; the area grows with the nights
TICKS = (0.0, 0.25, 0.5, 0.75, 1.0)

PAGE = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" width="{wide}" height="{high}" \
role="img" aria-labelledby="title desc" font-family="system-ui, sans-serif" font-size="12" fill="#1f2a33">
<title id="title">{title}</title>
<desc id="desc">{desc}</desc>
<rect width="{wide}" height="{high}" fill="#ffffff"/>
<text x="{left}" y="28" font-size="17" font-weight="600">{title}</text>
<text x="{left}" y="48" fill="#52616d">{subtitle}</text>
{panels}
<text x="{left}" y="{foot}" fill="#52616d">On the line: as often as said. Above: froze more often than said.</text>
</svg>
"""

PANEL = """<g transform="translate({x} {y})">
<text x="0" y="-10" font-weight="600">{name}, {lead} h ahead</text>
<rect width="{side}" height="{side}" fill="#f4f7f8" stroke="#9aa8b2"/>
{ticks}
<line x1="0" y1="{side}" x2="{side}" y2="0" stroke="#52616d" stroke-dasharray="5 4"/>
<polyline points="{points}" fill="none" stroke="#a8450f" stroke-width="1.5"/>
{dots}
<text x="{middle}" y="{below}" text-anchor="middle">chance said</text>
<text transform="translate(-44 {middle}) rotate(-90)" text-anchor="middle">share that froze</text>
<text x="{inside}" y="{low}" text-anchor="end" fill="#52616d">{count} nights, Brier {brier}</text>
</g>"""

TICK = """<path d="M{at} 0V{side}M0 {up}H{side}" stroke="#dde4e8"/>
<text x="{at}" y="{below}" text-anchor="middle" fill="#52616d">{label}</text>
<text x="-13" y="{beside}" text-anchor="end" fill="#52616d">{label}</text>"""

DOT = """<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" fill="#a8450f" fill-opacity="0.55" stroke="#7a3109">\
<title>said {said:.3f}, happened {happened:.3f}, {n} nights</title></circle>"""


def picture(card: Scorecard) -> str:
    """The SVG document."""
    panel_wide, panel_high = GAP_LEFT + SIDE + GAP_RIGHT, GAP_TOP + SIDE + GAP_BELOW
    columns = min(PER_ROW, len(card.leads))
    panels = [
        _panel(lead, x=GAP_LEFT + i % PER_ROW * panel_wide, y=HEAD + GAP_TOP + i // PER_ROW * panel_high)
        for i, lead in enumerate(card.leads)
    ]
    high = HEAD + ceil(len(card.leads) / PER_ROW) * panel_high + FOOT
    return PAGE.format(
        wide=max(columns * panel_wide, 460),
        high=high,
        title="Chance of freezing: said and happened",
        desc=escape(" ".join(_words(lead) for lead in card.leads)),
        subtitle=escape(_subtitle(card)),
        panels="\n".join(panels),
        left=GAP_LEFT - 44,
        foot=high - 14,
    )


def _panel(lead: LeadScore, *, x: int, y: int) -> str:
    bins = lead.reliability
    return PANEL.format(
        x=x,
        y=y,
        side=SIDE,
        name=escape(lead.name),
        lead=f"{lead.lead_h:g}",
        ticks="\n".join(_tick(value) for value in TICKS),
        points=" ".join(f"{one.said * SIDE:.1f},{(1 - one.happened) * SIDE:.1f}" for one in bins),
        dots="\n".join(_dot(one, bins) for one in bins),
        middle=SIDE / 2,
        below=SIDE + 40,
        inside=SIDE - 8,
        low=SIDE - 10,
        count=lead.errors.n,
        brier="-" if lead.brier is None else f"{lead.brier:.4f}",
    )


def _tick(value: float) -> str:
    at = value * SIDE
    return TICK.format(at=at, up=SIDE - at, side=SIDE, below=SIDE + 21, beside=SIDE - at + 4, label=f"{value:g}")


def _dot(one: Bin, bins: Sequence[Bin]) -> str:
    most = max(other.n for other in bins)
    radius = max(LARGEST * sqrt(one.n / most), SMALLEST)
    return DOT.format(
        x=one.said * SIDE, y=(1 - one.happened) * SIDE, radius=radius, said=one.said, happened=one.happened, n=one.n
    )


def _subtitle(card: Scorecard) -> str:
    how = "learned place by place" if card.terms.learn else "default, nothing learned"
    return f"{card.first_night} to {card.last_night}, {card.terms.freeze_c:g} °C or less, {how}"


def _words(lead: LeadScore) -> str:
    said = "; ".join(f"said {one.said:.2f}, happened {one.happened:.2f}, {one.n} nights" for one in lead.reliability)
    return f"{lead.name}: {said or 'no nights'}."
