"""A score as a JSON document and as tables for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from carewatch.cli.tables import table
from carewatch.freeze.score.scorecard import LeadScore, Rule, Scorecard, Slip

MOST_SLIPS = 5  # chosen: enough to look some up; JSON has them all


def as_document(card: Scorecard) -> dict[str, object]:
    """The whole score; temperatures in °C, shares and chances from 0 to 1."""
    terms = card.terms
    return {
        "threshold": terms.threshold,
        "freeze_c": terms.freeze_c,
        "cost_loss": terms.cost_loss,
        "grade": terms.grade.value,
        "learned": terms.learn,
        "places": card.places,
        "first_night": card.first_night.isoformat(),
        "last_night": card.last_night.isoformat(),
        "leads": {lead.name: _lead_document(lead) for lead in card.leads},
        "slips": [_slip_document(slip) for slip in card.slips],
        "notes": list(card.notes),
    }


def _lead_document(lead: LeadScore) -> dict[str, object]:
    return {
        "lead_h": lead.lead_h,
        "n": lead.errors.n,
        "freezes": lead.freezes,
        "bias_c": lead.errors.bias_c,
        "mae_c": lead.errors.mae_c,
        "sd_c": lead.errors.sd_c,
        "brier": lead.brier,
        "brier_climatology": lead.brier_climatology,
        "brier_recent_nights": lead.brier_recent,
        "brier_yes_no": lead.yes_no.brier,
        "caught": lead.flags.caught,
        "false_share": lead.flags.false_share,
        "cost": lead.flags.cost,
        "cost_always": lead.cost_always,
        "cost_never": lead.cost_never,
        "rules": [_rule_document(rule) for rule in (lead.yes_no, *lead.rules)],
        "rule_that_catches_as_many": None if lead.match is None else _rule_document(lead.match),
        "reliability": [{"said": one.said, "happened": one.happened, "n": one.n} for one in lead.reliability],
    }


def _rule_document(rule: Rule) -> dict[str, float | None]:
    return {
        "above_c": round(rule.above_c, 6),
        "brier": rule.brier,
        "caught": rule.flags.caught,
        "false_share": rule.flags.false_share,
        "cost": rule.flags.cost,
    }


def _slip_document(slip: Slip) -> dict[str, object]:
    return {
        "line": slip.line,
        "column": slip.column,
        "night": slip.night.isoformat(),
        "place": slip.place,
        "error_c": slip.error_c,
    }


def as_lines(card: Scorecard) -> Iterator[str]:
    """The tables for a reader."""
    terms = card.terms
    places = "1 place" if card.places == 1 else f"{card.places} places"
    yield f"Nights from {card.first_night} to {card.last_night}, {places}; frozen at {terms.freeze_c:g} °C or less."
    knows = (
        "each place has learned from its own nights known by then" if terms.learn else "the default, nothing learned"
    )
    yield f"The chance: {knows}. A night is flagged from a chance of {terms.threshold:g}."
    yield from ("", "Forecast lows against observed ones, in °C (bias: forecast minus observed)")
    yield from table(
        ["forecast", "hours ahead", "nights", "freezes", "bias", "MAE", "SD"],
        [[lead.name, f"{lead.lead_h:g}", str(lead.errors.n), str(lead.freezes), *_errors(lead)] for lead in card.leads],
    )
    yield from ("", "Brier score (0 is perfect), for the chance and for what could be said without it")
    yield from table(
        ["forecast", "chance", *[_rule_name(rule) for rule in _rules(card)], "last 30 nights", "climatology"],
        [
            [lead.name, *_numbers([lead.brier, *_briers(lead), lead.brier_recent, lead.brier_climatology], 4)]
            for lead in card.leads
        ],
    )
    yield from (
        "",
        f"Flags: freezes caught, flags without freeze, cost per night (acting {terms.cost_loss:g}, a freeze 1)",
    )
    yield from table(["forecast", "flag when", "caught", "false", "cost"], list(_flag_rows(card)))
    yield from ("", "Of the nights with about this chance, how many froze")
    yield from table(
        ["forecast", "said", "happened", "nights"],
        [
            [lead.name if i == 0 else "", f"{one.said:.3f}", f"{one.happened:.3f}", str(one.n)]
            for lead in card.leads
            for i, one in enumerate(lead.reliability)
        ],
    )
    yield from _slip_lines(card)
    for note in card.notes:
        yield from ("", note)


def _rules(card: Scorecard) -> list[Rule]:
    return [card.leads[0].yes_no, *card.leads[0].rules]


def _briers(lead: LeadScore) -> list[float | None]:
    return [lead.yes_no.brier, *[rule.brier for rule in lead.rules]]


def _errors(lead: LeadScore) -> list[str]:
    errors = lead.errors
    signed = "-" if errors.bias_c is None else f"{errors.bias_c:+.2f}"
    return [signed, *_numbers([errors.mae_c, errors.sd_c], 2)]


def _flag_rows(card: Scorecard) -> Iterator[list[str]]:
    for lead in card.leads:
        yield [
            lead.name,
            f"chance {card.terms.threshold:g} or more",
            *_flag_numbers(lead.flags.caught, lead.flags.false_share, lead.flags.cost),
        ]
        if lead.match is not None:
            flags = lead.match.flags
            name = f"forecast {_above(lead.match.above_c)} (catches as many)"
            yield ["", name, *_flag_numbers(flags.caught, flags.false_share, flags.cost)]
        for rule in (lead.yes_no, *lead.rules):
            yield [
                "",
                f"forecast {_above(rule.above_c)}",
                *_flag_numbers(rule.flags.caught, rule.flags.false_share, rule.flags.cost),
            ]
        yield ["", "always", *_flag_numbers(None, None, lead.cost_always)]
        yield ["", "never", *_flag_numbers(None, None, lead.cost_never)]


def _flag_numbers(caught: float | None, false_share: float | None, cost: float | None) -> list[str]:
    return [*_numbers([caught, false_share], 3), *_numbers([cost], 4)]


def _rule_name(rule: Rule) -> str:
    return "yes/no" if rule.above_c == 0.0 else f"{rule.above_c:+g} °C"


def _above(above_c: float) -> str:
    if above_c == 0.0:
        return "freezing or less"
    return f"up to {abs(above_c):.2g} °C {'above' if above_c > 0.0 else 'below'}"


def _slip_lines(card: Scorecard) -> Iterator[str]:
    if not card.slips:
        return
    yield ""
    n = len(card.slips)
    yield (
        f"{n} {'forecast is' if n == 1 else 'forecasts are'} more than 15 °F (8.3 °C) off; perhaps slips of typing or "
        "decoding."
    )
    yield "They count in the score and teach nothing:"
    for slip in card.slips[:MOST_SLIPS]:
        yield f"  line {slip.line}, {slip.column}, {slip.place} {slip.night}: observed {slip.error_c:+.1f} °C".rstrip()
    if len(card.slips) > MOST_SLIPS:
        yield f"  and {len(card.slips) - MOST_SLIPS} more (all of them with --json)"


def _numbers(values: Sequence[float | None], digits: int) -> list[str]:
    return ["-" if value is None else f"{value:.{digits}f}" for value in values]
