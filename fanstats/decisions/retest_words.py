"""What a second test is likely to show, in words for readers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from fanstats.decisions.said import in_hundred
from fanstats.wording import figure, range_words, times_words

if TYPE_CHECKING:
    from fanstats.decisions.retest import Retest

__all__ = ["retest_sentence"]


def retest_sentence(result: Retest) -> str:
    """Say how a second test is likely to come out, without what that rests on.

    Parameters
    ----------
    result : Retest

    Returns
    -------
    str
    """
    ranked = result.table[result.table["place"].notna()]
    place = f" {result.where}" if result.where else ""
    if len(ranked) < 2:
        reasons = sorted({text for text in result.table["status"] if text})
        why = f": {'; '.join(reasons)}" if reasons else ""
        return f"Nothing can be said about the order in a second test{place}{why}."
    parts = [_stays(result, place), _closest(result), _value(result), _few(result)]
    return " ".join(part for part in parts if part)


def _new_samples(units: int) -> str:
    return "one new sample" if units == 1 else f"{units} new samples"


def _times(result: Retest, probability: float) -> str:
    return in_hundred(probability, result.draws)


def _stays(result: Retest, place: str) -> str:
    first = result.table["model"].iloc[0]
    word = result.label
    text = (
        f"If every model were tested again with {_new_samples(result.units_new)}, {first} would "
        f"stay first by {result.quantity}{place}: {_times(result, result.first_stays)} ({word})."
    )
    ranked = int(result.table["place"].notna().sum())
    if 1 < result.top < ranked:
        text += (
            f" The same {result.top} would stand on top: {_times(result, result.top_stays)}, in "
            f"the same order: {_times(result, result.top_in_order)}."
        )
    return text


def _closest(result: Retest) -> str:
    least = int(np.abs(result.pairs["chance"].to_numpy(dtype=np.float64) - 0.5).argmin())
    nearest = result.pairs.iloc[least]
    return (
        f"The neighbours least sure of their order: {nearest['ahead']} before "
        f"{nearest['behind']}, {_times(result, float(nearest['chance']))}."
    )


def _value(result: Retest) -> str:
    row = result.table.iloc[0]
    spread = (row["high"] - row["low"]) / 4.0
    ends = range_words(row["low"], row["high"], spread, result.units)
    now = figure(row["value"], spread, result.units)
    times = times_words(result.probability)
    if math.isnan(row["expected"]):
        return f"{row['model']} shows {now} now; in a second test, range, {times}: {ends}."
    expected = figure(row["expected"], spread, result.units)
    lost = (row["expected"] < row["value"]) == (result.best == "high")
    why = ", as the first of a chart is there partly by luck" if lost else ""
    return (
        f"{row['model']} shows {now} now; {expected} is to be expected (range, {times}: "
        f"{ends}){why}."
    )


def _few(result: Retest) -> str:
    if result.table["expected"].notna().any():
        return ""
    return "With fewer than five models nobody can tell how much of a lead is luck."
