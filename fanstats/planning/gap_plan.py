"""A plan for settling a gap, on the scale it was reckoned on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from fanstats.planning.shown import Shown, chance_words, spent_words

__all__ = ["STATES", "GapPlan", "Verdict", "counting_table"]

Verdict = Literal["test", "already enough", "budget short", "publish as a tie", "cannot be settled"]
STATES = ("now", "with the plan", "endless repeats", "endless everything")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class GapPlan(Shown):
    """The cheapest plan found for settling a gap, and what it cannot buy.

    Attributes
    ----------
    verdict : str
        "test"; "already enough"; "budget short" (a plan exists, beyond the money or the hours
        given); "publish as a tie" (a plan exists, but is not worth it: it takes more than it is
        said to be worth, or more samples of one model than anybody means to test); "cannot be
        settled" (no plan exists: the floor is too high, or sample luck runs past the steps read).
    reason : str
        Why it is no "test", in words; "" where it is.
    gap : float
        Gap the plan is for.
    n_per_model : tuple of int
        Units of the first and the second model in the end.
    n_total, add_first, add_second : int
        Units in the end, and units to buy for testing (before rounding up to packs).
    sittings, repeats : int
        Sittings of each unit in the end, readings in each new one.
    power, power_wanted, power_now : float
        Chance of a claim with the plan, as asked for, and with what has been tested (NaN where
        a model has not been tested).
    power_repeats_only : float
        The most that measuring again without a further unit could reach.
    power_at_most : float
        The most that anything could reach, with steps that reach as far as luck does.
    power_lost : float
        By how much the chance of the plan falls short because luck runs past the steps read.
    power_continuing : float
        Chance that the measured gap will be claimed after the plan, tested units included; NaN
        where no measured gap was given.
    counts_now, counts_then, counts_repeats_only, counts_floor : float
        Smallest gap that would count: now, with the plan, with endless repeats on the units
        tested, with endless everything. On the scale of `gap`, either way.
    money, hours : float
        What the plan takes beyond what has been spent; `money` includes the hours' price. NaN
        where nobody stated prices, or hours.
    within_means : tuple of int, or None
        Where money or hours are short: units in the end that they do buy at best.
    power_within_means : float
        Chance of a claim with those; NaN where nothing is short.
    currency : str
        "" where nobody stated one.
    curve : DataFrame
        One row a number of units in total, from those tested on: `n_total`, `n_first`,
        `n_second`, `add_first`, `add_second`, `power`, `smallest_gap` (that would count),
        `money`, `hours`. The units are shared between the models as serves the power best.
    assumed : str
        What the numbers rest on.
    """

    verdict: Verdict
    reason: str
    gap: float
    n_per_model: tuple[int, int]
    n_total: int
    add_first: int
    add_second: int
    sittings: int
    repeats: int
    power: float
    power_wanted: float
    power_now: float
    power_repeats_only: float
    power_at_most: float
    power_lost: float
    power_continuing: float
    counts_now: float
    counts_then: float
    counts_repeats_only: float
    counts_floor: float
    money: float
    hours: float
    within_means: tuple[int, int] | None
    power_within_means: float
    currency: str
    curve: pd.DataFrame
    assumed: str

    def sentence(self) -> str:
        """Say the plan in words.

        Returns
        -------
        str
        """
        if self.verdict == "cannot be settled" and self.power_at_most >= self.power_wanted:
            return (
                f"With the steps read a gap of {self.gap:g} cannot be settled: {self.reason}. Read "
                f"further steps and plan again. Assumed: {self.assumed}."
            )
        if self.verdict == "cannot be settled":
            return (
                f"A gap of {self.gap:g} cannot be settled on this bench: {self.reason}. Publish it "
                f"as a tie. Assumed: {self.assumed}."
            )
        if self.verdict == "already enough":
            return (
                f"What has been tested finds a gap of {self.gap:g} with chance "
                f"{chance_words(self.power_now)}; nothing needs to be bought. "
                f"Assumed: {self.assumed}."
            )
        each = f"{self.sittings} sittings each" if self.sittings > 1 else "1 sitting each"
        readings = f"{self.repeats} readings" if self.repeats > 1 else "1 reading"
        takes = (
            f"{self.add_first} more samples of the first and {self.add_second} of the second "
            f"({self.n_total} in total), {each} with {readings}: "
            f"{spent_words(self.money, self.currency, self.hours)}, chance "
            f"{chance_words(self.power)}"
        )
        lead = {
            "test": f"To settle a gap of {self.gap:g}: {takes}.",
            "budget short": f"Settling a gap of {self.gap:g} would take {takes}. But "
            f"{self.reason}.{self._affordable()}",
            "publish as a tie": f"Not worth it, publish a gap of {self.gap:g} as a tie: it would "
            f"take {takes}; {self.reason}.",
        }[self.verdict]
        repeats = (
            ""
            if math.isnan(self.power_repeats_only)
            else f" Repeats alone reach at most {chance_words(self.power_repeats_only)}."
        )
        return f"{lead}{repeats} Assumed: {self.assumed}."

    def _affordable(self) -> str:
        if self.within_means is None:
            return ""
        first, second = self.within_means
        return (
            f" What there is buys {first} and {second} samples in the end, chance "
            f"{chance_words(self.power_within_means)}."
        )

    def table(self) -> pd.DataFrame:
        """Give the smallest gap that would count and the chance, for four states of the bench.

        Returns
        -------
        DataFrame
            Rows now, with the plan, endless repeats, endless everything.
        """
        counts = (self.counts_now, self.counts_then, self.counts_repeats_only, self.counts_floor)
        return counting_table(self, counts)


def counting_table(plan: GapPlan, counts: tuple[float, ...]) -> pd.DataFrame:
    """Give the table of a plan, with its smallest gaps in whatever unit.

    Parameters
    ----------
    plan : GapPlan
    counts : tuple of float
        Smallest gap that would count, in the four `STATES`.

    Returns
    -------
    DataFrame
        Index `state`; columns samples of the first and the second model and of both, smallest
        gap that would count, chance, money, hours.
    """
    now = (plan.n_per_model[0] - plan.add_first, plan.n_per_model[1] - plan.add_second)
    sizes: list[tuple[float, float]] = [now, plan.n_per_model, now, (math.inf, math.inf)]
    return pd.DataFrame(
        {
            "samples of the first": [first for first, _ in sizes],
            "samples of the second": [second for _, second in sizes],
            "samples in total": [first + second for first, second in sizes],
            "smallest gap that would count": list(counts),
            "chance": [plan.power_now, plan.power, plan.power_repeats_only, plan.power_at_most],
            "money": [0.0, plan.money, math.nan, math.nan],
            "hours": [0.0, plan.hours, math.nan, math.nan],
        },
        index=pd.Index(STATES, name="state"),
    )
