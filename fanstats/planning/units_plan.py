"""A plan for settling a gap between two models of a chart, as it is handed to the reader."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fanstats.decisions.decision import carried, samples_tested
from fanstats.planning.gap_plan import GapPlan, counting_table
from fanstats.planning.plan_words import plan_sentence
from fanstats.planning.shown import Shown

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["UnitsPlan"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class UnitsPlan(Shown):
    """Samples of two models that settle a gap, and what they cannot settle.

    Attributes
    ----------
    first, second : str
        The two models.
    quantity, units, where : str
        What the gap is in, and under which conditions, in words.
    scope : str
        Which true values: always those of the models' typical samples.
    verdict : str
        "test"; "already enough"; "budget short" (money or hours given do not suffice); "publish
        as a tie" (not worth it); "cannot be settled" (the floor is too high, or sample
        luck runs past the steps read).
    reason : str
        Why it is not "test", in words; "" where it is.
    gap, gap_now : float
        Gap planned for, and the one measured (first minus second).
    gap_percent : float
        The gap planned for in percent of the smaller value; NaN where models are not judged as
        ratios.
    n_per_model : tuple of int
        Samples of the first and the second model in the end.
    n_total : int
        Of both.
    add, packs : dict of str to int
        Samples to buy for testing, and packs they come in, by model.
    sittings, repeats : int
        Sittings of each sample in the end, readings in each new one.
    power, power_now, power_repeats_only, power_at_most, power_continuing : float
        Chance that the gap is called: with the plan, now, with endless repeats on the samples at
        hand, with endless everything; and the chance that the gap *measured* will be called.
    power_lost : float
        By how much `power` falls short because sample luck may run past the steps read.
    counts_now, counts_then, counts_repeats_only, counts_floor : float
        Smallest gap that would count, in the same four states, in `units`. That of now is the
        critical difference of `compare`, for the model that leads; the others are reckoned.
    money, hours : float
        What the plan takes beyond what has been spent; NaN where nobody stated prices, or hours.
    currency : str
        "" where nobody stated one.
    within_means : dict of str to int, or None
        Where money or hours are short: samples in the end that they do buy at best, by model.
    power_within_means : float
        Chance that the gap is called with those.
    probability, power_wanted : float
        One minus the chance of a false lead; the chance that was asked for.
    units_tested : dict of str to int
        Samples tested so far, by model.
    design : GapPlan
        The same on the scale it was reckoned on (logarithms for ratios).
    assumed : tuple of str
        What the plan rests on.
    assumptions, not_considered : tuple of str
        What the estimates rest on, and what they and the plan leave out.
    """

    first: str
    second: str
    quantity: str
    units: str
    where: str
    scope: str
    verdict: str
    reason: str
    gap: float
    gap_now: float
    gap_percent: float
    n_per_model: tuple[int, int]
    n_total: int
    add: dict[str, int]
    packs: dict[str, int]
    sittings: int
    repeats: int
    power: float
    power_now: float
    power_repeats_only: float
    power_at_most: float
    power_continuing: float
    power_lost: float
    counts_now: float
    counts_then: float
    counts_repeats_only: float
    counts_floor: float
    money: float
    hours: float
    currency: str
    within_means: dict[str, int] | None
    power_within_means: float
    probability: float
    power_wanted: float
    units_tested: dict[str, int]
    design: GapPlan
    assumed: tuple[str, ...]
    assumptions: tuple[str, ...]
    not_considered: tuple[str, ...]
    _smallest: tuple[float, ...]

    def sentence(self) -> str:
        """Say the plan in words.

        Returns
        -------
        str
        """
        rests = (
            samples_tested(self.units_tested),
            carried("Assumed", self.assumed),
            carried("Not considered", self.not_considered),
        )
        return " ".join([plan_sentence(self), *filter(None, rests)])

    def table(self) -> pd.DataFrame:
        """Give the smallest gap that would count, the chance and the cost in four states.

        Returns
        -------
        DataFrame
            Index `state`: now, with the plan, endless repeats, endless everything. Columns:
            samples of either model and in total, smallest gap that would count (in `units`),
            chance, money, hours.
        """
        frame = counting_table(
            self.design,
            (self.counts_now, self.counts_then, self.counts_repeats_only, self.counts_floor),
        )
        names = {"samples of the first": self.first, "samples of the second": self.second}
        gap = "smallest gap that would count"
        return frame.rename(
            columns={
                **{old: f"samples of {name}" for old, name in names.items()},
                gap: f"{gap} [{self.units}]" if self.units else gap,
            }
        )

    def curve(self) -> pd.DataFrame:
        """Give power and cost against the number of samples, as a chart draws them.

        Returns
        -------
        DataFrame
            One row a number of samples of both models in total, from those tested on past the
            plan's: `n_total`, `n_first`, `n_second`, `add_first`, `add_second` (int), `power`,
            `smallest_gap` (that would count, in `units`), `money`, `hours` (NaN where not stated).
            Samples are shared between the models as serves the power best, at the plan's sittings
            and repeats; money is for whole packs.
        """
        return self.design.curve.assign(smallest_gap=list(self._smallest))
