"""A comparison of two models in words for readers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from fanstats.decisions.said import counted, in_hundred
from fanstats.wording import (
    CLOSE_TO_ZERO,
    PAIR_WORDS,
    figure,
    range_words,
    samples_words,
    times_words,
)

if TYPE_CHECKING:
    from fanstats.decisions.verdict import Comparison, Gap, Odds

__all__ = ["comparison_caption", "comparison_rows", "comparison_sentence", "comparison_table"]


def comparison_sentence(result: Comparison) -> str:
    """Say what a comparison found, in sentences that can stand under a chart.

    Parameters
    ----------
    result : Comparison

    Returns
    -------
    str
    """
    parts = [
        _headline(result),
        _critical(result),
        _odds(result),
        _explained(result),
        _margin(result),
        _tested(result),
        _carried("Assumed", result.assumptions),
        _carried("Not considered", result.not_considered),
        _carried("Note", result.notes),
    ]
    return " ".join(part for part in parts if part)


def comparison_caption(result: Comparison) -> str:
    """Say the same in fewer words: what a reader needs under a picture, and nothing less.

    Parameters
    ----------
    result : Comparison

    Returns
    -------
    str
    """
    luck = tuple(
        text
        for text in result.assumptions
        if text.startswith("sample luck") and not text.startswith("sample luck in speed")
    )
    parts = [
        _headline(result),
        _picked(result),
        _odds(result),
        _explained(result),
        _tested(result),
        _carried("Assumed, among others", luck),
        _carried("Note", tuple(note for note in result.notes if _turns_the_verdict(note))),
    ]
    return " ".join(part for part in parts if part)


def _turns_the_verdict(note: str) -> bool:
    return note == CLOSE_TO_ZERO or note.endswith("nothing is settled by that end")


def _picked(result: Comparison) -> str:
    """Say that the range allows for a pair that a chart put forward."""
    among = len(result.judged_among)
    if result.chosen == "before" or among <= 2 or not math.isfinite(result.difference.low):
        return ""
    return f"The range allows for the pair being picked from a chart of {among} models."


def _does(result: Comparison) -> str:
    """Say what the better of the two does: "moves more air"."""
    more, less = result.comparative
    return less if result.best == "low" else more


def _other(result: Comparison, who: str) -> str:
    return result.second if who == result.first else result.first


def _error_of(gap: Gap) -> float:
    """Give the Monte Carlo standard error of the ends, the larger one: no digit goes beyond it."""
    return max((e for e in (gap.low_error, gap.high_error) if math.isfinite(e)), default=0.0)


def _gap_words(result: Comparison, gap: Gap, toward: str, *, size: bool = False) -> str:
    """Give the gap seen from one model, or just its size, with its range."""
    sign = 1.0 if toward == result.first else -1.0
    ratio = result.ratio.value if sign > 0 else 1.0 / result.ratio.value
    if size and sign * gap.value < 0:
        sign, ratio = -sign, 2.0 - ratio
    units, u = gap.units, gap.standard_uncertainty
    low, high = (gap.low, gap.high) if sign > 0 else (-gap.high, -gap.low)
    text = figure(sign * gap.value, u, units)
    if gap is result.difference and math.isfinite(ratio):
        relative = 100.0 * result.ratio.standard_uncertainty
        text += f" ({figure(100.0 * (ratio - 1.0), relative, '%')})"
    if math.isfinite(low) or math.isfinite(high):
        times = times_words(result.probability)
        ends = range_words(low, high, u, units, standard_error=_error_of(gap))
        text += f", range, {times} (coverage interval): {ends}"
    return text


def _headline(result: Comparison) -> str:
    first, second = result.first, result.second
    place = f" {result.where}" if result.where else ""
    if first == second:
        return f"{first} is compared with itself{place}: the difference is 0."
    if not math.isfinite(result.difference.value):
        return f"Undecided{place}: there is no estimate to compare {first} and {second} by."
    about = PAIR_WORDS.get(result.scope, result.scope)
    if result.who is not None and result.verdict == "ahead":
        gap = _gap_words(result, result.difference, result.who, size=True)
        return (
            f"{result.who} {_does(result)} than {_other(result, result.who)}{place}: by {gap}. "
            f"That is settled for {about}."
        )
    seen = f"{first} minus {second} is {_gap_words(result, result.difference, first)}"
    if result.who is not None:
        return (
            f"{result.who} probably {_does(result)} than {_other(result, result.who)}{place}, but "
            f"that is not settled for {about}: {seen}."
        )
    if not math.isfinite(result.difference.standard_uncertainty) and result.tested.units:
        gap = _gap_words(result, result.tested, first)
        seen = f"between the samples tested, {first} minus {second} is {gap}"
    return f"Undecided{place} for {about}: {seen}."


def _critical(result: Comparison) -> str:
    leads = 0 if not result.difference.value < 0 else 1
    critical = result.critical_difference[leads]
    if not math.isfinite(critical) or result.first == result.second:
        return ""
    text = figure(critical, result.difference.standard_uncertainty, result.difference.units)
    among = len(result.judged_among)
    if result.chosen == "before" or among <= 2:
        how = "the pair being chosen before anybody looked" if among > 2 else "of these two alone"
        how = how if result.chosen == "before" else "there being no other models"
    else:
        how = f"the pair being picked from a chart of {among} models"
    return f"The smallest gap that would count (critical difference) is {text}, {how}."


def _favoured(result: Comparison) -> str:
    known = [
        odds.first_ahead
        for odds in (result.odds, result.odds_typical, result.odds_bought)
        if not math.isnan(odds.first_ahead)
    ]
    if result.who is not None:
        return result.who
    return result.second if known and known[0] < 0.5 else result.first


def _odds(result: Comparison) -> str:
    favoured = _favoured(result)
    parts = []
    for odds, about in (
        (result.odds_typical, "the typical samples"),
        (result.odds_bought, "one bought sample of each"),
    ):
        if not math.isnan(odds.first_ahead):
            parts.append(f"{_for(result, odds, favoured)} for {about}")
    if not parts and not math.isnan(result.odds.first_ahead):
        about = PAIR_WORDS.get(result.scope, result.scope)
        parts.append(f"{_for(result, result.odds, favoured)} for {about}")
    if not parts:
        return ""
    label = next(
        odds.label for odds in (result.odds_typical, result.odds_bought, result.odds) if odds.label
    )
    begins = "Chance that" if label == "chance" else "Confidence that"
    return f"{begins} {favoured} is ahead: {', '.join(parts)}."


def _for(result: Comparison, odds: Odds, favoured: str) -> str:
    ahead = odds.first_ahead if favoured == result.first else 1.0 - odds.first_ahead
    return in_hundred(ahead, result.draws)


def _spread_words(result: Comparison) -> list[str]:
    needed, words = result.spread_needed, []
    if math.isfinite(needed.unit_sd):
        size, units = needed.unit_sd, needed.unit_sd_units
        if not units:
            size, units = 100.0 * size, "%"
        words.append(f"{figure(size, size, units)} in {result.quantity}")
    if math.isfinite(needed.noise_db):
        words.append(f"{figure(needed.noise_db, needed.noise_db, 'dB')} in noise alone")
    return words


def _explained(result: Comparison) -> str:
    needed = result.spread_needed
    sizes = [needed.unit_sd, needed.noise_db, needed.factor]
    known = [size for size in sizes if math.isfinite(size)]
    if not known or result.difference.value == 0:
        return ""
    if max(known) == 0:
        return "Measurement alone could explain the gap."
    text = " or ".join(_spread_words(result))
    if text:
        text = f" if one sample differed from its model by {text} (standard deviation)"
    if math.isfinite(needed.factor):
        text += f"{', ' if text else ' with '}{needed.factor:.2g} times the spread used"
    text = f"Sample luck alone would explain the gap{text}."
    if result.where.startswith("at equal noise"):
        text += " A tolerance of speed does not explain it: at equal noise it cancels."
    return text


def _margin(result: Comparison) -> str:
    if result.margin is None or result.against_margin is None:
        return ""
    size = f"{result.margin:g} {result.difference.units}"
    return {
        "more than the margin": f"The gap is more than {size}.",
        "within the margin": f"The gap is less than {size}, too small to matter.",
        "open": f"Whether the gap is more or less than {size} is open.",
    }[result.against_margin]


def _tested(result: Comparison) -> str:
    if result.units_tested == (0, 0) or result.first == result.second:
        return ""
    pairs = zip(result.units_tested, (result.first, result.second), strict=True)
    return f"Tested: {', '.join(f'{samples_words(count)} of {name}' for count, name in pairs)}."


def _carried(label: str, sentences: tuple[str, ...]) -> str:
    return f"{label}: {'; '.join(text.rstrip('.') for text in sentences)}." if sentences else ""


def comparison_rows(result: Comparison) -> list[tuple[str, str]]:
    """List label and text of everything a reader looks for first.

    Parameters
    ----------
    result : Comparison

    Returns
    -------
    list of tuple of str
    """
    gap, units = result.difference, result.difference.units
    u = gap.standard_uncertainty if math.isfinite(gap.low) else result.tested.standard_uncertainty
    rows = [
        ("quantity", " ".join(filter(None, (result.quantity, result.where)))),
        ("about", PAIR_WORDS.get(result.scope, result.scope)),
        ("difference", figure(gap.value, u, units)),
        ("standard uncertainty", figure(gap.standard_uncertainty, u, units)),
        (
            f"range, {times_words(result.probability)}",
            range_words(gap.low, gap.high, u, units, standard_error=_error_of(gap)),
        ),
    ]
    if math.isfinite(result.ratio.value):
        ratio, log_u = result.ratio, result.ratio.standard_uncertainty
        rows.append(("ratio", figure(ratio.value, log_u)))
        rows.append(
            (
                "its range",
                range_words(ratio.low, ratio.high, log_u, "", standard_error=_error_of(ratio)),
            )
        )
    ahead, behind = (figure(size, u, units) for size in result.critical_difference)
    rows.append(("smallest gap that would count", f"{ahead} / {behind}"))
    for name, odds in (("typical samples", result.odds_typical), ("bought", result.odds_bought)):
        if odds.label:
            text = in_hundred(odds.first_ahead, result.draws)
            rows.append((f"{result.first} ahead, {name}", f"{text} ({odds.label})"))
    words = _spread_words(result)
    if words and result.first != result.second:
        rows.append(("sample luck that would explain it", " or ".join(words)))
    rows.append(("tested", _tested(result).removeprefix("Tested: ").rstrip(".")))
    among = counted(len(result.judged_among), "model") if result.judged_among else "nobody"
    rows.append(("judged among", f"{among}, pair {result.chosen}"))
    rows.extend(("note", note) for note in result.notes)
    return rows


def comparison_table(result: Comparison) -> pd.DataFrame:
    """Give the numbers of a comparison in one row.

    Parameters
    ----------
    result : Comparison

    Returns
    -------
    DataFrame
    """
    gap, ratio, needed = result.difference, result.ratio, result.spread_needed
    return pd.DataFrame(
        [
            {
                "first": result.first,
                "second": result.second,
                "verdict": result.verdict,
                "who": result.who or "",
                "value_first": result.values[0],
                "value_second": result.values[1],
                "difference": gap.value,
                "low": gap.low,
                "high": gap.high,
                "standard_uncertainty": gap.standard_uncertainty,
                "ratio": ratio.value,
                "ratio_low": ratio.low,
                "ratio_high": ratio.high,
                "critical_if_first_leads": result.critical_difference[0],
                "critical_if_second_leads": result.critical_difference[1],
                "chance_first_ahead_typical": result.odds_typical.first_ahead,
                "chance_first_ahead_bought": result.odds_bought.first_ahead,
                "label": result.odds_typical.label or result.odds_bought.label,
                "spread_needed_factor": needed.factor,
                "spread_needed_unit_sd": needed.unit_sd,
                "spread_needed_noise_db": needed.noise_db,
                "too_close": result.too_close,
                "units_tested_first": result.units_tested[0],
                "units_tested_second": result.units_tested[1],
                "judged_among": len(result.judged_among),
                "probability": result.probability,
                "draws": result.draws,
                "units": result.units,
            }
        ]
    )
