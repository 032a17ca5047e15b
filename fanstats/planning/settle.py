"""The cheapest way to settle a gap: samples, sittings and repeats against money and hours."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
from scipy.interpolate import CubicSpline

from fanstats._arguments import count, fraction, number, power_above
from fanstats.errors import FanstatsError
from fanstats.planning.effort import Costs, Design, Effort, Scatter, cost_of, variance_parts
from fanstats.planning.power import (
    MOST_UNITS,
    critical_value,
    effective_dof,
    power_believed,
    power_continuing,
    smallest_whole,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray

__all__ = ["GapPlan", "settle_gap"]

Verdict = Literal["test", "already enough", "publish as a tie", "cannot be settled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GapPlan:
    """The cheapest plan found for settling a gap, and what it cannot buy.

    Attributes
    ----------
    verdict : str
        "test", "already enough", "publish as a tie" (the plan exists, but not within the limits
        given), "cannot be settled" (no plan exists: the floor is too high).
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
        The most that anything could reach.
    power_continuing : float
        Chance that the measured gap will be claimed after the plan, tested units included; NaN
        where no measured gap was given.
    counts_now, counts_then, counts_repeats_only, counts_floor : float
        Smallest gap that would count: now, with the plan, with endless repeats on the units
        tested, with endless everything.
    money, hours : float
        What the plan takes beyond what has been spent; `money` includes the hours' price.
    currency, assumed : str
        The currency; what the numbers rest on.
    """

    verdict: Verdict
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
    power_continuing: float
    counts_now: float
    counts_then: float
    counts_repeats_only: float
    counts_floor: float
    money: float
    hours: float
    currency: str
    assumed: str

    def sentence(self) -> str:
        """Say the plan in words.

        Returns
        -------
        str
        """
        if self.verdict == "cannot be settled":
            return (
                f"A gap of {self.gap:g} cannot be settled on this bench: errors that belong to a "
                f"model let {self.counts_floor:.3g} count at the least, and the chance never "
                f"exceeds {self.power_at_most:.2f}. Publish it as a tie. Assumed: {self.assumed}."
            )
        if self.verdict == "already enough":
            return (
                f"What has been tested finds a gap of {self.gap:g} with chance "
                f"{self.power_now:.2f}; nothing needs to be bought. Assumed: {self.assumed}."
            )
        takes = (
            f"{self.add_first} more samples of the first and {self.add_second} of the second, "
            f"{self.sittings} sittings each with {self.repeats} readings: "
            f"{self.money:.0f} {self.currency} and {self.hours:.1f} h, chance {self.power:.2f}"
        )
        tie = self.verdict == "publish as a tie"
        lead = (
            f"Not worth it, publish a gap of {self.gap:g} as a tie: it would take "
            if tie
            else (f"To settle a gap of {self.gap:g}: ")
        )
        repeats = (
            ""
            if math.isnan(self.power_repeats_only)
            else f" Repeats alone reach at most {self.power_repeats_only:.2f}."
        )
        return f"{lead}{takes}.{repeats} Assumed: {self.assumed}."

    def table(self) -> pd.DataFrame:
        """Give the smallest gap that would count and the chance, for four states of the bench.

        Returns
        -------
        DataFrame
            Rows now, with the plan, endless repeats, endless everything.
        """
        return pd.DataFrame(
            {
                "smallest gap that would count": [
                    self.counts_now,
                    self.counts_then,
                    self.counts_repeats_only,
                    self.counts_floor,
                ],
                "chance": [
                    self.power_now,
                    self.power,
                    self.power_repeats_only,
                    self.power_at_most,
                ],
            },
            index=pd.Index(
                ["now", "with the plan", "endless repeats", "endless everything"], name="state"
            ),
        )


# --- from variances to chances ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Aim:
    """The wish, and what stands between it and the bench."""

    gap: float
    belief_sd: float
    alpha: float
    models: int
    wanted: float
    scatter: Scatter
    effort: Effort

    def parts(self, design: Design) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give variance by unit, the rest, and total units of a design."""
        by_unit, rest = variance_parts(design, scatter=self.scatter, effort=self.effort)
        total = np.asarray(design.first, dtype=np.float64) + design.second
        return by_unit, rest, np.asarray(total)

    def critical(
        self, by_unit: ArrayLike, rest: ArrayLike, total: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Give the multiplier (infinite: nothing can be claimed yet) and the degrees of freedom."""
        b, r, n = np.broadcast_arrays(
            *(np.atleast_1d(x).astype(float) for x in (by_unit, rest, total))
        )
        behind = np.stack([self.scatter.unit_dof + n - 2, np.full_like(n, np.inf)], axis=-1)
        with np.errstate(divide="ignore"):
            dof = np.asarray(effective_dof(np.stack([b, r], axis=-1), np.maximum(behind, 0.0)))
        return np.where(dof >= 1, self._multiplier(np.maximum(dof, 1.0)), np.inf), dof

    def _multiplier(self, dof: FloatArray) -> FloatArray:
        exact = partial(critical_value, self.alpha, models=self.models)
        single, place = np.unique(dof, return_inverse=True)
        if self.models == 2 or single.size <= 9:
            return np.asarray(exact(dof=single))[place]
        # The studentized range is slow, and its logarithm smooth in 1 / dof.
        ends = 1.0 / single[-1], 1.0 / single[0]
        at = (ends[0] + ends[1]) / 2 - (ends[1] - ends[0]) / 2 * np.cos(np.linspace(0, np.pi, 9))
        at[[0, -1]] = ends
        with np.errstate(divide="ignore"):
            nodes = np.log(exact(dof=1.0 / at))
        return np.asarray(np.exp(CubicSpline(at, nodes)(1.0 / single)))[place]

    def chance(self, by_unit: ArrayLike, rest: ArrayLike, total: ArrayLike) -> FloatArray:
        c, dof = self.critical(by_unit, rest, total)
        usable = np.isfinite(c)
        error = np.atleast_1d(np.sqrt(np.add(by_unit, rest)))
        found = power_believed(
            self.gap,
            self.belief_sd,
            error,
            critical=np.where(usable, c, 1.0),
            dof=np.maximum(dof, 1.0),
        )
        return np.where(usable, found, 0.0)

    def outlook(self, by_unit: ArrayLike, rest: ArrayLike, total: ArrayLike) -> tuple[float, float]:
        """Give the chance and the smallest gap that would count, for one design."""
        if np.add(by_unit, rest) == 0:
            return 1.0, 0.0
        c, _ = self.critical(by_unit, rest, total)
        counts = float((c * np.sqrt(np.add(by_unit, rest)))[0])
        return float(self.chance(by_unit, rest, total)[0]), counts


# --- the search ------------------------------------------------------------------------------


def _within_limits(aim: _Aim, costs: Costs) -> pd.DataFrame:
    """List designs within the limits that would do with the spread known, cheapest first."""
    effort = aim.effort
    sizes = [np.arange(max(1, old), effort.most_units + 1.0) for old in effort.tested]
    first, second = (grid.ravel() for grid in np.meshgrid(*sizes, indexing="ij"))
    if effort.equal:
        same = first == second
        first, second = first[same], second[same]
    known = replace(aim, scatter=replace(aim.scatter, unit_dof=math.inf))
    frames = []
    for sittings, repeats in itertools.product(
        range(1, effort.most_sittings + 1), range(1, effort.most_repeats + 1)
    ):
        design = Design(first, second, sittings, repeats)
        by_unit, rest, total = aim.parts(design)
        money, hours = cost_of(design, costs=costs, effort=effort)
        columns = {
            "money": money, "hours": hours, "total": total, "sittings": sittings,
            "repeats": repeats, "first": first, "second": second, "by_unit": by_unit, "rest": rest,
            "variance": by_unit + rest,
        }  # fmt: skip
        frames.append(pd.DataFrame(columns)[known.chance(by_unit, rest, total) >= aim.wanted])
    order = ["money", "hours", "total", "sittings", "repeats", "variance", "first"]
    return pd.concat(frames, ignore_index=True).sort_values(order, ignore_index=True)


def _cheapest(aim: _Aim, costs: Costs) -> Design | None:
    candidates = _within_limits(aim, costs)
    for start in range(0, len(candidates), 4096):
        block = candidates.iloc[start : start + 4096]
        good = aim.chance(*(block[name].to_numpy() for name in ("by_unit", "rest", "total")))
        if (good >= aim.wanted).any():
            row = block.iloc[int(np.argmax(good >= aim.wanted))]
            return Design(*(int(row[name]) for name in ("first", "second", "sittings", "repeats")))
    return None


def _beyond_limits(aim: _Aim) -> Design | None:
    """Find the equal numbers of units that would do if `most_units` did not stand."""
    effort = aim.effort

    def design(n: int) -> Design:
        first, second = (max(n, old) for old in effort.tested)
        return Design(first, second, effort.most_sittings, effort.most_repeats)

    n = smallest_whole(
        lambda units: bool(aim.chance(*aim.parts(design(units)))[0] >= aim.wanted),
        max(1, *effort.tested),
    )
    return None if n is None else design(n)


def settle_gap(
    gap: float,
    scatter: Scatter,
    *,
    costs: Costs,
    effort: Effort,
    power: float = 0.8,
    alpha: float = 0.05,
    models: int = 2,
    belief_sd: float = 0.0,
    measured: float | None = None,
    budget: float | None = None,
    bench_hours: float | None = None,
) -> GapPlan:
    """Find the cheapest samples, sittings and repeats that settle a gap between two models.

    Parameters
    ----------
    gap : float
        True gap to be found.
    scatter : Scatter
        What makes results differ.
    costs : Costs
        Prices and hours.
    effort : Effort
        What has been tested and what may be done.
    power, alpha : float
        Wanted chance of a claim, and chance of one when there is no gap.
    models : int
        Number of like models the pair was picked from; 2 for a pair named before testing.
    belief_sd : float
        Standard deviation of what is believed about the true gap, around `gap`: the power is
        then the average over it (assurance), not that at `gap` alone.
    measured : float, optional
        The gap measured so far on the tested units: adds `power_continuing`.
    budget, bench_hours : float, optional
        The most that may be spent; beyond it the verdict is "publish as a tie".

    Returns
    -------
    GapPlan

    Raises
    ------
    FanstatsError
        If a request makes no sense.

    Examples
    --------
    >>> plan = settle_gap(
    ...     1.5, Scatter(unit=0.8, unit_dof=float("inf"), reading=0.3),
    ...     costs=Costs(price_first=20.0, price_second=30.0, sitting_hours=0.5),
    ...     effort=Effort(together=True))
    >>> plan.verdict, plan.n_per_model, plan.repeats, plan.money
    ('test', (6, 4), 3, 190.0)
    """
    aim = _aim(gap, scatter, effort, power, alpha, models, belief_sd)
    limits = [
        math.inf if limit is None else number(name, limit, at_least=0)
        for name, limit in (("budget", budget), ("bench_hours", bench_hours))
    ]
    now = Design(*effort.tested, 1, effort.tested_repeats)
    untested = 0 in effort.tested
    state_now = (math.nan, math.nan) if untested else aim.outlook(*aim.parts(now))
    endless = Design(MOST_UNITS, MOST_UNITS, effort.most_sittings, effort.most_repeats)
    state_endless = aim.outlook(*aim.parts(endless))
    enough = state_now[0] >= aim.wanted
    found = now if enough else _cheapest(aim, costs) or _beyond_limits(aim)
    design = now if found is None else found
    money, hours = (0.0, 0.0) if design is now else cost_of(design, costs=costs, effort=effort)
    n_first, n_second = int(design.first), int(design.second)
    over = money > limits[0] or hours > limits[1] or max(n_first, n_second) > effort.most_units
    verdict: Verdict = "already enough" if enough else "publish as a tie" if over else "test"
    then = state_now if design is now else aim.outlook(*aim.parts(design))
    repeats_only = _repeats_only(aim)
    return GapPlan(
        verdict="cannot be settled" if found is None else verdict,
        gap=aim.gap,
        n_per_model=(n_first, n_second),
        n_total=n_first + n_second,
        add_first=n_first - effort.tested[0],
        add_second=n_second - effort.tested[1],
        sittings=design.sittings,
        repeats=design.repeats,
        power=then[0],
        power_wanted=aim.wanted,
        power_now=state_now[0],
        power_repeats_only=repeats_only[0],
        power_at_most=state_endless[0],
        power_continuing=_continuing(aim, now, design, measured),
        counts_now=state_now[1],
        counts_then=then[1],
        counts_repeats_only=repeats_only[1],
        counts_floor=state_endless[1],
        money=float(money),
        hours=float(hours),
        currency=costs.currency,
        assumed=_assumed(aim),
    )


def _aim(
    gap: float,
    scatter: Scatter,
    effort: Effort,
    power: float,
    alpha: float,
    models: int,
    belief_sd: float,
) -> _Aim:
    difference = abs(number("gap", gap))
    if difference == 0:
        msg = "`gap` must not be 0; got 0. No number of units shows a difference that is not there."
        raise FanstatsError(msg)
    false_rate = fraction("alpha", alpha)
    return _Aim(
        gap=difference,
        belief_sd=number("belief_sd", belief_sd, at_least=0),
        alpha=false_rate,
        models=count("models", models, at_least=2),
        wanted=power_above(power, false_rate),
        scatter=scatter,
        effort=effort,
    )


def _repeats_only(aim: _Aim) -> tuple[float, float]:
    """Chance and smallest gap that counts, with the tested units measured without error."""
    if 0 in aim.effort.tested:
        return math.nan, math.nan
    first, second = aim.effort.tested
    spreads = aim.scatter.units
    by_unit = spreads[0] ** 2 / first + spreads[1] ** 2 / second
    return aim.outlook(by_unit, 2 * aim.scatter.model**2, first + second)


def _continuing(aim: _Aim, now: Design, design: Design, measured: float | None) -> float:
    if measured is None:
        return math.nan
    d = number("measured", measured)
    if 0 in aim.effort.tested:
        msg = (
            "`measured` must come with tested units of both models; "
            f"got tested={aim.effort.tested}. Leave it out."
        )
        raise FanstatsError(msg)
    before, after = aim.parts(now), aim.parts(design)
    c, _ = aim.critical(*after)
    return float(power_continuing(d, before[0] + before[1], after[0] + after[1], critical=c[0]))


def _assumed(aim: _Aim) -> str:
    scatter = aim.scatter
    origin = "known" if math.isinf(scatter.unit_dof) else "estimated"
    spreads = dict.fromkeys(f"{spread:.3g}" for spread in scatter.units)
    notes = [
        f"spread from sample to sample {' and '.join(spreads)} ({origin})",
        f"false claims {aim.alpha:g}",
        "both models in every session" if aim.effort.together else "sessions of one model only",
    ]
    if aim.models > 2:
        notes.append(f"pair picked from {aim.models} models")
    if aim.belief_sd > 0:
        notes.append(f"averaged over a true gap of {aim.gap:g} give or take {aim.belief_sd:g}")
    return "; ".join(notes)
