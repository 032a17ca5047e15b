"""A ranking in words for readers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fanstats.decisions.decision import carried, samples_tested
from fanstats.decisions.said import in_hundred
from fanstats.wording import SCOPE_WORDS, listed, times_words

if TYPE_CHECKING:
    from fanstats.decisions.rank import Ranking

__all__ = ["ranking_sentence"]

# So many names are written out; the table holds the rest.
_NAMED = 5


def ranking_sentence(ranking: Ranking) -> str:
    """Say what a ranking found, in sentences that can stand under a chart.

    Parameters
    ----------
    ranking : Ranking

    Returns
    -------
    str
    """
    parts = [
        _headline(ranking),
        _settled(ranking),
        _apart(ranking),
        _closest(ranking),
        _unranked(ranking),
        samples_tested(_tested(ranking)),
        carried("Assumed", ranking.assumptions),
        carried("Not considered", ranking.not_considered),
        carried("Note", ranking.notes),
    ]
    return " ".join(part for part in parts if part)


def _tested(ranking: Ranking) -> dict[str, int]:
    placed = ranking.table[ranking.table["place"].notna()]
    return dict(zip(placed["model"], placed["units_tested"].astype(int), strict=True))


def _headline(ranking: Ranking) -> str:
    place = f" {ranking.where}" if ranking.where else ""
    about = SCOPE_WORDS.get(ranking.scope, ranking.scope)
    names = ranking.ranked
    if not names:
        return f"No model can be ranked by {ranking.quantity}{place} for {about}."
    way = "most" if ranking.best == "high" else "least"
    first = ranking.table["place"] == ranking.table["place"].iloc[0]
    top = list(ranking.table.loc[first & ranking.table["place"].notna(), "model"])
    if len(names) == 1:
        return f"{top[0]} is the only model ranked by {ranking.quantity}{place}, for {about}."
    text = f"Of {len(names)} models, {listed(top[:_NAMED])} stands first by {ranking.quantity}"
    text += f" ({way} is best){place}, for {about}"
    if len(top) > 1:
        return f"{text.replace('stands first', 'share the first place')}."
    best = float(ranking.chance_best.sel(model=top[0]))
    if math.isnan(best):
        return f"{text}, without odds: nothing is uncertain here."
    return f"{text}: {in_hundred(best, ranking.draws)} that it is best ({ranking.label})."


def _settled(ranking: Ranking) -> str:
    if len(ranking.ranked) < 2:
        return ""
    settled = ranking.settled
    if not settled:
        return "No place is settled."
    if len(settled) == len(ranking.ranked):
        return f"All places are settled, {times_words(ranking.probability)} for all of them."
    places = [f"{place} ({settled[place]})" for place in sorted(settled)]
    more = f" and {len(places) - _NAMED} more" if len(places) > _NAMED else ""
    return f"Settled places: {', '.join(places[:_NAMED])}{more}; the others are not."


def _apart(ranking: Ranking) -> str:
    several = [group for group in ranking.groups if len(group) > 1]
    if not several:
        return ""
    first = several[0]
    if len(several) == 1 and len(first) == len(ranking.ranked):
        return "No two of them can be told apart." if len(first) > 2 else ""
    if len(first) > _NAMED:
        return f"The first group that cannot be told apart has {len(first)} models."
    return f"{listed(first)} cannot be told apart."


def _closest(ranking: Ranking) -> str:
    call = ranking.closest_call()
    if call is None or math.isnan(call.probability):
        return ""
    return (
        f"The closest call: {call.ahead} before {call.behind}, "
        f"{in_hundred(call.probability, ranking.draws)} ({ranking.label})."
    )


def _unranked(ranking: Ranking) -> str:
    if not ranking.unranked:
        return ""
    entries = [f"{name} ({reason})" for name, reason in ranking.unranked.items()]
    more = f" and {len(entries) - _NAMED} more" if len(entries) > _NAMED else ""
    return f"Without a place: {', '.join(entries[:_NAMED])}{more}."
