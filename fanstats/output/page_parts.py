"""What a page about a whole chart says, in sentences; `fanstats.output.page` puts it into HTML."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.decisions.compare import compare
from fanstats.decisions.rank import Ranking, rank
from fanstats.decisions.said import in_hundred
from fanstats.output.printed import best_scope, pair_text, ranked_cases
from fanstats.quantities import QUANTITIES
from fanstats.wording import (
    SCOPE_WORDS,
    listed,
    samples_words,
    times_words,
    where,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    import xarray as xr

    from fanstats._typing import Scope
    from fanstats.decisions.verdict import Comparison

__all__ = [
    "Case",
    "budget_cases",
    "cases_of",
    "closest_lines",
    "common_sentence",
    "lead_sentences",
    "notes_of",
    "samples_sentence",
    "sets_sentence",
]

# Of so many cases the budgets are shown.
_MOST_BUDGETS: Final = 8
# So many sets of models that cannot be told apart are named.
_MOST_SETS: Final = 8

_ALONE: Final = (
    "That is about the samples tested alone: nothing follows for the typical ones, because the "
    "sample luck it takes is not stated."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One thing that models are ranked by.

    Attributes
    ----------
    quantity : str
        Its name in the estimates.
    obstruction : str or None
    scope : str
        Whose true values: of the typical ones where the spread is known, else of these samples.
    ranking : Ranking
    closest, first_two : Comparison or None
        The least certain neighbours, and the typical ones of the first two places; None with fewer
        than two ranked.
    """

    quantity: str
    obstruction: str | None
    scope: Scope
    ranking: Ranking
    closest: Comparison | None
    first_two: Comparison | None

    @property
    def title(self) -> str:
        """What is ranked, as a heading has it."""
        name = QUANTITIES[self.quantity].title.capitalize()
        return name if self.obstruction is None else f"{name}, obstruction: {self.obstruction}"

    @property
    def units(self) -> str:
        """Unit as it is printed, in brackets; "" where there is none."""
        return f" [{self.ranking.units}]" if self.ranking.units not in ("", "1") else ""


def cases_of(estimates: xr.Dataset, probability: float) -> list[Case]:
    """Rank everything that can be ranked, and compare what is close.

    Parameters
    ----------
    estimates : Dataset
        From `equal_noise` and its sisters.
    probability : float
        Coverage probability.

    Returns
    -------
    list of Case
        In the order of the estimates.
    """
    return [_case(estimates, *names, probability) for names in ranked_cases(estimates)]


def _case(estimates: xr.Dataset, name: str, obstruction: str | None, probability: float) -> Case:
    scope = best_scope(estimates, name)
    ranking = rank(
        estimates, quantity=name, obstruction=obstruction, scope=scope, probability=probability
    )

    def pair(first: str, second: str, about: Scope) -> Comparison:
        return compare(
            estimates, first, second, quantity=name, obstruction=obstruction, scope=about,
            probability=probability,
        )  # fmt: skip

    call, names = ranking.closest_call(), ranking.ranked
    return Case(
        quantity=name,
        obstruction=obstruction,
        scope=scope,
        ranking=ranking,
        closest=None if call is None else pair(call.ahead, call.behind, scope),
        first_two=None if call is None else pair(names[0], names[1], "model"),
    )


# The sentence --------------------------------------------------------------------------------


def lead_sentences(cases: Sequence[Case], estimates: xr.Dataset) -> list[str]:
    """Say who stands first by each quantity, and where that is settled.

    Parameters
    ----------
    cases : sequence of Case
    estimates : Dataset

    Returns
    -------
    list of str
        One text a quantity.
    """
    place = where(estimates.attrs, None)
    if not cases:
        return ["Nothing in these estimates can be ranked: no airflow, temperature rise or noise."]
    by_quantity: dict[str, list[Case]] = {}
    for case in cases:
        by_quantity.setdefault(case.quantity, []).append(case)
    return [_lead(group, place) for group in by_quantity.values()]


def _lead(cases: list[Case], place: str) -> str:
    title, scope = QUANTITIES[cases[0].quantity].title, cases[0].scope
    about = f"By {title}{f' {place}' if place else ''}, for {SCOPE_WORDS[scope]}"
    ranked = [case for case in cases if case.ranking.ranked]
    if not ranked:
        return f"{about}: no model can be ranked."
    leaders: dict[str, list[Case]] = {}
    for case in ranked:
        leaders.setdefault(listed(_leaders(case.ranking)), []).append(case)
    led = "; ".join(_led(*entry) for entry in leaders.items())
    alone = "" if scope == "model" else f" {_ALONE}"
    return f"{about}: {led}. {_settled(ranked)}{alone}"


def _leaders(ranking: Ranking) -> list[str]:
    table = ranking.table
    return list(table.loc[table["place"] == table["place"].iloc[0], "model"])


def _led(names: str, cases: list[Case]) -> str:
    """Say where somebody leads, with the odds: a lead is never told without them."""
    ranking = cases[0].ranking
    tied = len(_leaders(ranking)) > 1
    verb = "share the first place" if tied else "stands first"
    among = max(len(case.ranking.ranked) for case in cases)
    text = f"{names} {verb} of {among} models"
    that = f"{ranking.label} that it is best"
    if cases[0].obstruction is None:
        return text if tied else f"{text} ({that}: {_best(cases[0])})"
    if tied:
        return f"{text} with {listed(str(case.obstruction) for case in cases)}"
    odds = [f"{case.obstruction} ({_best(case)})" for case in cases]
    odds[0] = f"{cases[0].obstruction} ({that}: {_best(cases[0])})"
    return f"{text} with {listed(odds)}"


def _best(case: Case) -> str:
    first = str(case.ranking.table["model"].iloc[0])
    return in_hundred(float(case.ranking.chance_best.sel(model=first)), case.ranking.draws)


def _settled(cases: list[Case]) -> str:
    often = times_words(cases[0].ranking.probability)
    sure = [case for case in cases if 1 in case.ranking.settled and len(case.ranking.ranked) > 1]
    unsure = [case for case in cases if case not in sure]
    if not unsure:
        return f"The first place is settled, {often}."
    if not sure:
        return f"The first place is not settled{' with any of them' if len(cases) > 1 else ''}."
    names = [listed(str(case.obstruction) for case in part) for part in (sure, unsure)]
    return f"The first place is settled, {often}, with {names[0]}; it is not with {names[1]}."


def samples_sentence(estimates: xr.Dataset) -> str:
    """Say how many samples stand behind the models.

    Parameters
    ----------
    estimates : Dataset

    Returns
    -------
    str
    """
    counts = np.asarray(estimates["units_tested"].to_numpy(), dtype=int)
    found, models = np.unique(counts, return_counts=True)
    parts = [
        f"1 model with {samples_words(count)}"
        if n == 1
        else f"{n} models with {samples_words(count)} each"
        for count, n in zip(found, models, strict=True)
    ]
    return f"Tested: {listed(parts)}."


def closest_lines(case: Case) -> list[str]:
    """Say how the closest two stand, without what holds for all pairs of the page alike.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of str
        The gap with its range; who is ahead, with the odds; the luck that would explain it.
    """
    if case.closest is None:
        return ["Fewer than two models have a place: nothing to compare."]
    lines = pair_text(replace(case.closest, where="")).splitlines()
    return [f"{line.strip()[0].upper()}{line.strip()[1:]}." for line in lines if line.strip()]


def budget_cases(cases: Sequence[Case]) -> list[Case]:
    """Choose the cases whose budgets are shown: all, or of many those least settled.

    Parameters
    ----------
    cases : sequence of Case

    Returns
    -------
    list of Case
        In the order given: the first of every quantity, then those with the closest first place.
    """
    ranked = [case for case in cases if case.ranking.ranked]
    if len(ranked) <= _MOST_BUDGETS:
        return ranked
    firsts = {case.quantity: case for case in reversed(ranked)}
    rest = [case for case in ranked if case is not firsts[case.quantity]]
    rest.sort(key=lambda case: float(case.ranking.chance_best.max()))
    kept = [*firsts.values(), *rest][:_MOST_BUDGETS]
    return [case for case in ranked if any(case is one for one in kept)]


def common_sentence(estimates: xr.Dataset) -> str:
    """Say what holds for all pairs of the page alike: the sample luck that was assumed.

    Parameters
    ----------
    estimates : Dataset

    Returns
    -------
    str
        May be empty.
    """
    matched = estimates.attrs.get("kind") == "equal noise"
    luck = [
        text
        for text in notes_of(estimates, "assumptions")
        if text.startswith("sample luck")
        and not (matched and text.startswith("sample luck in speed"))
    ]
    parts = [f"Assumed in all of them: {'; '.join(luck)}."] if luck else []
    if estimates.sizes["model"] > 2:
        parts.append("Each range allows for the pair being picked from the chart.")
    if matched:
        parts.append("A tolerance of speed explains none of these gaps: at equal noise it cancels.")
    return " ".join(parts)


def notes_of(estimates: xr.Dataset, key: str) -> list[str]:
    """Give a list of sentences that estimates carry, such as "assumptions".

    Parameters
    ----------
    estimates : Dataset
    key : str

    Returns
    -------
    list of str
    """
    return [str(note) for note in json.loads(str(estimates.attrs.get(key, "[]")))]


def sets_sentence(case: Case) -> str:
    """Say which models cannot be told apart.

    Parameters
    ----------
    case : Case

    Returns
    -------
    str
        Sets of two or more; "" where no model is ranked.
    """
    ranking = case.ranking
    if len(ranking.ranked) < 2:
        return ""
    several = [listed(group) for group in ranking.groups if len(group) > 1]
    if not several:
        return f"All of them can be told apart, {times_words(ranking.probability)}."
    more = len(several) - _MOST_SETS
    rest = f"; and {more} more sets" if more > 0 else ""
    return f"Sets that cannot be told apart: {'; '.join(several[:_MOST_SETS])}{rest}."
