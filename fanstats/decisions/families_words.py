"""Many comparisons at once, in words for readers."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats.decisions.said import in_hundred, shortened
from fanstats.wording import times_words

if TYPE_CHECKING:
    from fanstats.decisions.families import Family

__all__ = ["family_words"]

# Said with every family against one model: what it is right for.
_BEFOREHAND: Final = (
    "That is right only if {reference} was named before anybody looked: held against a model "
    "picked off this chart, gaps must be as large as among all pairs."
)


def family_words(family: Family) -> str:
    """Say what a family of comparisons found, without what it rests on.

    Parameters
    ----------
    family : Family

    Returns
    -------
    str
    """
    if family.table.empty:
        return "fewer than two models can be compared."
    words = {
        "all pairs": _pairs_words,
        "against one": _one_words,
        "against the best": _best_words,
    }[family.kind]
    return f"{words(family)} All of that holds together, {times_words(family.probability)}."


def _with_chance(family: Family, row: Mapping[Hashable, Any]) -> str:
    """Give "A ahead of B (97 in 100)" of one row of an `all pairs` table."""
    chance = in_hundred(float(row["chance"]), family.draws)
    return f"{row['model']} ahead of {row['against']} ({chance})"


def _told(family: Family) -> dict[str, str]:
    """Names of the rows with their chance in brackets."""
    chances = family.table["chance"].to_numpy(dtype=float)
    return {
        name: f"{name} ({in_hundred(chance, family.draws)})"
        for name, chance in zip(family.table["model"], chances, strict=True)
    }


def _pairs_words(family: Family) -> str:
    settled = family.table[family.table["verdict"] != "open"]
    count = len(family.table)
    if settled.empty:
        best = _with_chance(family, family.table.iloc[0].to_dict())
        none = f"none of {count} pairs is settled" if count > 1 else "the one pair is not settled"
        return f"{none}; at the top: {best}, {family.label}."
    if len(settled) == count:
        all_of = f"all {count} pairs are settled" if count > 1 else "the one pair is settled"
        unsure = np.abs(settled["chance"].to_numpy(dtype=np.float64) - 0.5)
        nearest = settled.iloc[int(np.argmin(np.nan_to_num(unsure, nan=1.0)))].to_dict()
        return (
            f"{all_of}, in the order {shortened(family.models)}; the least sure: "
            f"{_with_chance(family, nearest)}, {family.label}."
        )
    named = [_with_chance(family, row) for row in settled.to_dict("records")]
    are = "is" if len(settled) == 1 else "are"
    return (
        f"{len(settled)} of {count} pairs {are} settled: {shortened(named, 4)}, with the "
        f"{family.label} in brackets; the rest is open."
    )


def _one_words(family: Family) -> str:
    table, parts = family.table, []
    told = _told(family)
    for verdict, words in (("ahead", "ahead of"), ("behind", "behind")):
        names = [told[name] for name in table.loc[table["verdict"] == verdict, "model"]]
        if names:
            are = "is" if len(names) == 1 else "are"
            parts.append(f"{shortened(names)} {are} {words} {family.reference}")
    still = [told[name] for name in table.loc[table["verdict"] == "open", "model"]]
    if still:
        parts.append(f"against {family.reference} it is open for {shortened(still)}")
    return (
        f"{'; '.join(parts)} (in brackets: {family.label} that it is ahead of {family.reference}). "
        f"{_BEFOREHAND.format(reference=family.reference)}"
    )


def _best_words(family: Family) -> str:
    table = family.table
    told = _told(family)
    best = list(table.loc[table["verdict"] == "the best", "model"])
    out = list(table.loc[table["verdict"] == "not the best", "model"])
    if best:
        return f"{told[best[0]]} is the best (in brackets: {family.label})."
    may = [told[name] for name in table.loc[table["verdict"] == "may be the best", "model"]]
    text = f"{shortened(may)} may each be the best (in brackets: {family.label} of being it)"
    return (
        f"{text}; {shortened(out)} {'is' if len(out) == 1 else 'are'} not: another is at "
        "least as good."
        if out
        else f"{text}."
    )
