"""What a page says of the next purchases: plans for the first places, in words and pictures."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from fanstats.decisions.said import in_hundred
from fanstats.errors import FanstatsError
from fanstats.output.printed import pair_text
from fanstats.planning.plan import UnitsPlan, plan_units
from fanstats.planning.plan_words import plan_sentence

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import xarray as xr

    from fanstats.output.page_parts import Case
    from fanstats.sources import Bench

__all__ = ["Next", "closest_of_all", "next_steps", "prices_of", "telling_plan"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Next:
    """What would settle the first two places of one case.

    Attributes
    ----------
    title, sentence : str
        Which case, and the answer.
    plan : UnitsPlan or None
        Behind it, where one could be made.
    """

    title: str
    sentence: str
    plan: UnitsPlan | None = None

    @property
    def assumed(self) -> str:
        """What the plan rests on; "" without one."""
        return "" if self.plan is None else f"{'; '.join(self.plan.assumed)}."


def next_steps(
    cases: Sequence[Case], estimates: xr.Dataset, readings: xr.Dataset | None, bench: Bench
) -> list[Next]:
    """Say for every case what would settle its first two places.

    Parameters
    ----------
    cases : sequence of Case
    estimates : Dataset
    readings : Dataset or None
        For prices, where they are known.
    bench : Bench
        For what no further sample reduces.

    Returns
    -------
    list of Next
    """
    prices = prices_of(estimates, readings)
    return [_next(case, estimates, prices, bench) for case in cases]


def prices_of(estimates: xr.Dataset, readings: xr.Dataset | None) -> dict[str, Any]:
    """Give the prices that readings or estimates carry.

    Parameters
    ----------
    estimates : Dataset
    readings : Dataset or None

    Returns
    -------
    dict
        By model; empty where nobody stated any.
    """
    behind = estimates if readings is None else readings
    stated = behind.attrs.get("prices") or estimates.attrs.get("prices") or "{}"
    return dict(json.loads(str(stated)))


def _next(case: Case, estimates: xr.Dataset, prices: Mapping[str, Any], bench: Bench) -> Next:
    pair = case.first_two
    if pair is None:
        return Next(
            title=case.title, sentence="Fewer than two models have a place: nothing to settle."
        )
    first, second = case.ranking.ranked[:2]
    if case.scope != "model":
        return Next(
            title=case.title,
            sentence=f"{_in_one(pair_text(pair))} State the sample luck in the bench file, or test "
            "several samples of some models and measure it: then a plan can be made.",
        )
    ahead = f"{first} before {second}"
    if pair.verdict == "ahead":
        return Next(
            title=case.title,
            sentence=f"{ahead} is settled: nothing needs to be bought for the first place.",
        )
    odds = in_hundred(pair.odds.first_ahead, pair.draws)
    odds = f"{ahead} is not settled ({pair.odds.label} {odds})."
    known = {name: prices[name] for name in (first, second) if name in prices}
    try:
        plan = plan_units(
            estimates, first, second, gap=abs(pair.difference.value), quantity=case.quantity,
            obstruction=case.obstruction, probability=case.ranking.probability, bench=bench,
            prices=known if len(known) == 2 else None,
        )  # fmt: skip
    except FanstatsError as error:
        return Next(title=case.title, sentence=f"{odds} No plan: {error}")
    return Next(
        title=case.title, sentence=f"{odds} {plan_sentence(replace(plan, where=''))}", plan=plan
    )


def _in_one(lines: str) -> str:
    """Make sentences of lines."""
    said = [line.strip() for line in lines.splitlines() if line.strip()]
    return " ".join(f"{line[0].upper()}{line[1:]}." for line in said)


def telling_plan(steps: Sequence[Next]) -> UnitsPlan | None:
    """Choose the plan to be drawn: the first that something can be bought for.

    Parameters
    ----------
    steps : sequence of Next

    Returns
    -------
    UnitsPlan or None
    """
    plans = [step.plan for step in steps if step.plan is not None]
    buying = [plan for plan in plans if plan.verdict in ("test", "budget short")]
    return next(iter([*buying, *plans]), None)


def closest_of_all(cases: Sequence[Case]) -> str:
    """Name the closest pair of the whole page.

    Parameters
    ----------
    cases : sequence of Case

    Returns
    -------
    str
        "" where there is no pair.
    """
    calls = [(call, case) for case in cases if (call := case.ranking.closest_call()) is not None]
    if not calls:
        return ""
    call, case = min(calls, key=lambda pair: abs(pair[0].probability - 0.5))
    odds = in_hundred(call.probability, case.ranking.draws)
    return (
        f"The closest call of all: {call.ahead} before {call.behind} ({case.title}; "
        f"{case.ranking.label} {odds})."
    )
