"""The score of an installation's own nights, as a JSON document and as lines for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from carewatch.cli.tables import table
from carewatch.freeze.score.own import NightWord, OwnScore, Verdict

MOST_SHOWN = 20  # chosen: enough to look into; JSON has them all
WORDS = {
    Verdict.CAUGHT: "warned of, and it froze or would have",
    Verdict.MISSED: "NOT warned of, and it froze or would have",
    Verdict.FALSE: "warned of, and it would not have frozen",
    Verdict.QUIET: "not warned of, and nothing would have frozen",
    Verdict.NOT_ASSESSED: "not assessed: nothing was said",
    Verdict.UNKNOWN: "nobody measured that night",
}


def as_document(score: OwnScore, words: Sequence[NightWord]) -> dict[str, Any]:
    """The whole score and every word it was made from."""
    return {
        "first_night": score.first_night.isoformat(),
        "last_night": score.last_night.isoformat(),
        "nights": score.nights,
        "counts": {verdict.value: count for verdict, count in score.counts.items()},
        "caught": score.caught,
        "false_share": score.false_share,
        "brier": score.brier,
        "reliability": [{"said": one.said, "happened": one.happened, "n": one.n} for one in score.reliability],
        "margin": {"n": score.margins.n, "bias_c": score.margins.bias_c, "mae_c": score.margins.mae_c},
        "words": [_word_document(word) for word in words],
    }


def _word_document(word: NightWord) -> dict[str, Any]:
    return {
        "machine": word.machine,
        "site": word.site,
        "night": word.night.isoformat(),
        "verdict": word.verdict.value,
        "chance": word.chance,
        "margin_c": word.margin_c,
        "low_c": word.low_c,
        "flagged": word.is_flagged,
        "flagged_late": word.was_flagged_late,
        "came_margin_c": word.came_margin_c,
        "came_low_c": word.came_low_c,
        "read_by": word.read_by,
        "found_ice": word.found_ice,
    }


def as_lines(score: OwnScore) -> Iterator[str]:
    """The score for a reader, misses last, where the eye ends up."""
    yield f"Machine-nights from {score.first_night} to {score.last_night}, as they were said at noon: {score.nights}"
    yield from (f"{score.counts[verdict]:>7}  {words}" for verdict, words in WORDS.items())
    if score.caught is not None:
        yield f"{score.caught:.1%} of the freezes were warned of."
    if score.false_share is not None:
        yield f"{score.false_share:.1%} of the warnings were false: it would not have frozen."
    if score.margins.n and score.margins.bias_c is not None and score.margins.mae_c is not None:
        yield (
            f"The margin said was {score.margins.mae_c:.1f} °C off on average, {abs(score.margins.bias_c):.1f} °C too "
            f"{'cautious' if score.margins.bias_c > 0.0 else 'hopeful'} ({score.margins.n} machine-nights)."
        )
    if score.brier is not None:
        yield f"Brier score of the chance: {score.brier:.4f} (0 is perfect)."
        rows = [[f"{one.said:.3f}", f"{one.happened:.3f}", str(one.n)] for one in score.reliability]
        yield from ("", "Of the machine-nights with about this chance, how many froze or would have")
        yield from table(["said", "happened", "machine-nights"], rows)
    yield from _missed_lines(score.missed)


def _missed_lines(missed: Sequence[NightWord]) -> Iterator[str]:
    if not missed:
        return
    yield from ("", "Missed. Look into each: was the forecast wrong, the logbook, the place, or the physics?")
    rows = [[word.night.isoformat(), word.machine, _said(word), _came(word)] for word in missed[:MOST_SHOWN]]
    yield from table(["night", "machine", "said at noon", "what came"], rows)
    if len(missed) > MOST_SHOWN:
        yield f"  and {len(missed) - MOST_SHOWN} more (all of them with --json)"


def _said(word: NightWord) -> str:
    if word.chance is None or word.low_c is None:
        return "not assessed"
    return f"low {word.low_c:.1f} °C, chance {word.chance:.0%}"


def _came(word: NightWord) -> str:
    found = "ice was found" if word.found_ice else ""
    read = "" if word.came_low_c is None else f"low {word.came_low_c:.1f} °C by {word.read_by}"
    return ", ".join(part for part in (found, read) if part)
