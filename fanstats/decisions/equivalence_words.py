"""Whether a gap is small enough, in words for readers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fanstats.decisions.said import in_hundred
from fanstats.formatting import number
from fanstats.wording import PAIR_WORDS, figure

if TYPE_CHECKING:
    from fanstats.decisions.equivalence import Equivalence

__all__ = ["equivalence_sentence"]


def equivalence_sentence(result: Equivalence) -> str:
    """Say what was found, without what it rests on.

    Parameters
    ----------
    result : Equivalence

    Returns
    -------
    str
    """
    parts = [_headline(result), _odds(result), _smallest(result), _picked(result)]
    return " ".join(part for part in parts if part)


def _claim(result: Equivalence, less: str) -> str:
    of = f" of {result.second}" if result.margin.relative else ""
    size = f"{less} than {result.margin.text}{of}"
    if result.question == "equivalent":
        return f"{result.first} and {result.second} differ by {size} in {result.quantity}"
    return f"{result.first} falls short of {result.second} by {size} in {result.quantity}"


def _headline(result: Equivalence) -> str:
    place = f" {result.where}" if result.where else ""
    about = PAIR_WORDS.get(result.scope, result.scope)
    if result.verdict == "yes":
        tests = "two one-sided tests" if result.question == "equivalent" else "one-sided test"
        claim = _claim(result, "less")
        return f"{claim}{place}. That is settled for {about} ({tests}, {_p_words(result)})."
    if result.verdict == "no":
        return f"{_claim(result, 'more')}{place}. That is settled for {about}."
    text = _claim(result, "less")
    gap = figure(result.difference, _digits(result), result.units)
    seen = f": the estimate is {gap}" if math.isfinite(result.difference) else ""
    return f"Undecided{place} for {about}: whether {text}{seen}."


def _digits(result: Equivalence) -> float:
    """Uncertainty that decides the digits: where the scope has none, from the samples tested."""
    spread = result.standard_uncertainty
    return spread if math.isfinite(spread) else result.smallest_margin_tested / 2.0


def _p_words(result: Equivalence) -> str:
    p = result.p
    for step in (0.001, 0.01):
        if p < step:
            return f"p below {step:g}"
    return f"p = {number(p, standard_error=math.sqrt(p * (1.0 - p) / result.draws))}"


def _odds(result: Equivalence) -> str:
    parts = [
        f"{in_hundred(found, result.draws)} for {about}"
        for found, about in (
            (result.chance_typical, PAIR_WORDS["model"] if result.scope != "as given" else "them"),
            (result.chance_bought, "one bought sample of each"),
        )
        if not math.isnan(found)
    ]
    if not parts:
        return ""
    lead = "Chance" if result.label == "chance" else "Confidence"
    return f"{lead} that the gap is smaller than that: {', '.join(parts)}."


def _smallest(result: Equivalence) -> str:
    smallest, about = result.smallest_margin, ""
    if math.isnan(smallest):
        smallest, about = result.smallest_margin_tested, " for the samples tested"
    if math.isnan(smallest):
        return ""
    size = figure(smallest, _digits(result), result.units)
    if smallest == 0:
        return f"These data would support any margin{about}."
    return f"The smallest margin that these data would support{about} is {size}."


def _picked(result: Equivalence) -> str:
    if result.chosen == "before" or len(result.judged_among) <= 2:
        return ""
    return f"The pair was judged as one picked from a chart of {len(result.judged_among)} models."
