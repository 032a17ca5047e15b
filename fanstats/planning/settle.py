"""The cheapest way to settle a gap: samples, sittings and repeats against money and hours."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fanstats._arguments import count, fraction, number, power_above
from fanstats.errors import FanstatsError
from fanstats.planning.claims import chance_of_claim, claim_limit
from fanstats.planning.effort import (
    Costs,
    Design,
    Effort,
    Scatter,
    Variances,
    cost_of,
    variance_parts,
)
from fanstats.planning.gap_plan import GapPlan, Verdict
from fanstats.planning.power import MOST_UNITS, power_continuing, smallest_whole
from fanstats.planning.shown import chance_words, money_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray
    from fanstats.planning.claims import Readable

__all__ = ["GapPlan", "settle_gap"]
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

    def parts(self, design: Design) -> Variances:
        """Give the variances of the difference, of one design or of many."""
        return variance_parts(design, scatter=self.scatter, effort=self.effort)

    def chance(self, parts: Variances, first: ArrayLike, second: ArrayLike) -> FloatArray:
        """Give the chance of a claim, one a design."""
        total = np.add(first, second, dtype=np.float64)
        return np.atleast_1d(
            chance_of_claim(
                self.gap,
                parts.estimated,
                parts.known,
                second=parts.second,
                dof=self.scatter.degrees(total),
                alpha=self.alpha,
                models=self.models,
                belief_sd=self.belief_sd,
                readable=self._readable(first, second),
            )
        )

    def _readable(self, first: ArrayLike, second: ArrayLike) -> Readable | None:
        reach = self.scatter.reach
        if reach is None or not reach.matters:
            return None
        one, two = (np.atleast_1d(np.asarray(n, dtype=np.float64)) for n in (first, second))
        dof = np.broadcast_to(self.scatter.degrees(one + two), one.shape)
        return reach.readable(one, two, dof, self.alpha / 2.0)

    def counts(self, parts: Variances, total: ArrayLike) -> FloatArray:
        """Give the smallest gap that would count, one a design."""
        return np.atleast_1d(
            claim_limit(
                parts.estimated,
                parts.known,
                second=parts.second,
                dof=self.scatter.degrees(total),
                alpha=self.alpha,
                models=self.models,
            )
        )

    def outlook(self, design: Design) -> tuple[float, float]:
        """Give the chance and the smallest gap that would count, for one design."""
        return self._both(self.parts(design), design.first, design.second)

    def _both(self, parts: Variances, first: ArrayLike, second: ArrayLike) -> tuple[float, float]:
        total = np.add(first, second, dtype=np.float64)
        return float(self.chance(parts, first, second)[0]), float(self.counts(parts, total)[0])

    def far_reaching(self) -> _Aim:
        """Give the same aim with steps that reach as far as luck does."""
        return replace(self, scatter=replace(self.scatter, reach=None))

    def repeats_only(self) -> tuple[float, float]:
        """Give the same with the tested units measured without error."""
        if 0 in self.effort.tested:
            return math.nan, math.nan
        first, second = self.effort.tested
        luck = [pair[0] ** 2 / first + pair[1] ** 2 / second for pair in self.scatter.units]
        floor = 2 * self.scatter.model**2
        luck[2] += floor
        parts = Variances(np.asarray(luck[0]), np.asarray(luck[1]), np.asarray(luck[2]))
        return self._both(parts, first, second)


# --- the search ------------------------------------------------------------------------------


def _within_limits(aim: _Aim, costs: Costs) -> pd.DataFrame:
    """List the designs within the limits, cheapest first."""
    effort = aim.effort
    sizes = [np.arange(max(1, old), effort.most_units + 1.0) for old in effort.tested]
    first, second = (grid.ravel() for grid in np.meshgrid(*sizes, indexing="ij"))
    if effort.equal:
        same = first == second
        first, second = first[same], second[same]
    frames = []
    for sittings, repeats in itertools.product(
        range(1, effort.most_sittings + 1), range(1, effort.most_repeats + 1)
    ):
        design = Design(first, second, sittings, repeats)
        parts = aim.parts(design)
        money, hours = cost_of(design, costs=costs, effort=effort)
        columns = {
            "money": money, "hours": hours, "total": first + second, "sittings": sittings,
            "repeats": repeats, "n_first": first, "n_second": second, "variance": parts.whole,
            **parts._asdict(),
        }  # fmt: skip
        frames.append(pd.DataFrame(columns))
    order = ["money", "hours", "total", "sittings", "repeats", "variance", "n_first"]
    return pd.concat(frames, ignore_index=True).sort_values(order, ignore_index=True)


def _chances(aim: _Aim, designs: pd.DataFrame) -> FloatArray:
    parts = Variances(*(designs[name].to_numpy() for name in Variances._fields))
    return aim.chance(parts, designs["n_first"].to_numpy(), designs["n_second"].to_numpy())


def _design(row: pd.Series[float]) -> Design:
    return Design(*(int(row[name]) for name in ("n_first", "n_second", "sittings", "repeats")))


def _cheapest(aim: _Aim, designs: pd.DataFrame) -> Design | None:
    sure = replace(aim, scatter=replace(aim.scatter, unit_dof=math.inf, reach=None))
    # An estimated spread never gives a better chance than one known to be the same.
    candidates = designs[_chances(sure, designs) >= aim.wanted]
    start, size = 0, 64  # the cheapest of those is seldom far down
    while start < len(candidates):
        block = candidates.iloc[start : start + size]
        good = _chances(aim, block) >= aim.wanted
        if good.any():
            return _design(block.iloc[int(np.argmax(good))])
        start, size = start + size, min(2 * size, 1024)
    return None


def _within_means(
    aim: _Aim, designs: pd.DataFrame, limits: list[float]
) -> tuple[tuple[int, int], float] | None:
    """Give the design with the best chance within money and hours."""
    affordable = designs[(designs["money"] <= limits[0]) & (designs["hours"] <= limits[1])]
    if affordable.empty:
        return None
    chances = _chances(aim, affordable)
    best = _design(affordable.iloc[int(np.argmax(chances))])
    return (int(best.first), int(best.second)), float(chances.max())


def _curve(aim: _Aim, costs: Costs, design: Design) -> pd.DataFrame:
    """List the best sharing of every number of units from those tested on past the plan's."""
    old = aim.effort.tested
    least = max(2, sum(max(1, n) for n in old))
    most = max(int(design.first) + int(design.second), least + 8)
    most = min(math.ceil(1.3 * most), 2 * max(aim.effort.most_units, *old))
    totals = np.unique(np.linspace(least, max(most, least), 60).round().astype(int))
    rows = []
    for total in totals:
        first = np.arange(max(1, old[0]), total - max(1, old[1]) + 1)
        if aim.effort.equal:
            first = np.array([total / 2])
            if total % 2 or total / 2 < max(old):
                continue
        split = Design(first, total - first, design.sittings, design.repeats)
        at = int(np.argmin(aim.parts(split).whole))
        rows.append((int(first[at]), int(total - first[at])))
    return _curve_table(aim, costs, design, np.array(rows, dtype=np.float64).reshape(-1, 2))


def _curve_table(aim: _Aim, costs: Costs, design: Design, rows: FloatArray) -> pd.DataFrame:
    first, second = rows.T
    at = Design(first, second, design.sittings, design.repeats)
    parts = aim.parts(at)
    money, hours = cost_of(at, costs=costs, effort=aim.effort)
    return pd.DataFrame(
        {
            "n_total": (first + second).astype(int),
            "n_first": first.astype(int),
            "n_second": second.astype(int),
            "add_first": first.astype(int) - aim.effort.tested[0],
            "add_second": second.astype(int) - aim.effort.tested[1],
            "power": aim.chance(parts, first, second) if len(rows) else [],
            "smallest_gap": aim.counts(parts, first + second) if len(rows) else [],
            "money": money if costs.money_stated else math.nan,
            "hours": hours if costs.hours_stated else math.nan,
        }
    )


def _beyond_limits(aim: _Aim, costs: Costs) -> Design | None:
    """Find the cheapest equal numbers of units that would do if `most_units` did not stand."""
    effort = aim.effort
    found = []
    for sittings, repeats in itertools.product(
        range(1, effort.most_sittings + 1), range(1, effort.most_repeats + 1)
    ):

        def design(n: int, sittings: int = sittings, repeats: int = repeats) -> Design:
            first, second = (max(n, old) for old in effort.tested)
            return Design(first, second, sittings, repeats)

        def reached(units: int, design: Callable[[int], Design] = design) -> bool:
            return aim.outlook(design(units))[0] >= aim.wanted

        n = smallest_whole(reached, max(1, *effort.tested))
        if n is not None:
            money, hours = cost_of(design(n), costs=costs, effort=effort)
            found.append(((float(money), float(hours), n, sittings, repeats), design(n)))
    return min(found)[1] if found else None


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
    worth: float | None = None,
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
        The most that may be spent; beyond it the verdict is "budget short".
    worth : float, optional
        What settling the gap is worth, in money; beyond it the verdict is "publish as a tie".

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
    means = _means(costs, budget, bench_hours, worth)
    now = Design(*effort.tested, 1, effort.tested_repeats)
    untested = 0 in effort.tested
    state_now = (math.nan, math.nan) if untested else aim.outlook(now)
    endless = Design(MOST_UNITS, MOST_UNITS, effort.most_sittings, effort.most_repeats)
    state_endless = aim.far_reaching().outlook(endless)
    enough = state_now[0] >= aim.wanted
    designs = _within_limits(aim, costs)
    found = now if enough else _cheapest(aim, designs) or _beyond_limits(aim, costs)
    design = now if found is None else found
    money, hours = (0.0, 0.0) if design is now else cost_of(design, costs=costs, effort=effort)
    verdict, reason = _verdict(aim, means, costs, found, enough, float(money), float(hours))
    if verdict == "cannot be settled" and state_endless[0] < aim.wanted:
        reason = (
            "errors that belong to a model, which nothing bought reduces, let no gap below "
            f"{state_endless[1]:.3g} count and find this one with a chance of "
            f"{chance_words(state_endless[0])} at most"
        )
    elif verdict == "cannot be settled":
        best, chance = _within_means(aim, designs, [math.inf, math.inf]) or (effort.tested, 0.0)
        reason += (
            f"; {best[0]} and {best[1]} samples do best, with a chance of {chance_words(chance)}"
        )
    short = verdict == "budget short"
    within = _within_means(aim, designs, [means["budget"], means["bench_hours"]]) if short else None
    then = state_now if design is now else aim.outlook(design)
    repeats_only = aim.repeats_only()
    n_first, n_second = int(design.first), int(design.second)
    return GapPlan(
        verdict=verdict,
        reason=reason,
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
        power_lost=aim.far_reaching().outlook(design)[0] - then[0],
        power_continuing=_continuing(aim, now, design, measured),
        counts_now=state_now[1],
        counts_then=then[1],
        counts_repeats_only=repeats_only[1],
        counts_floor=state_endless[1],
        money=float(money) if costs.money_stated or design is now else math.nan,
        hours=float(hours) if costs.hours_stated or design is now else math.nan,
        within_means=None if within is None else within[0],
        power_within_means=math.nan if within is None else within[1],
        currency=costs.currency,
        curve=_curve(aim, costs, design),
        assumed=_assumed(aim),
    )


def _means(
    costs: Costs, budget: float | None, bench_hours: float | None, worth: float | None
) -> dict[str, float]:
    """Check the limits; one nobody can be held against is refused."""
    given = {"budget": budget, "bench_hours": bench_hours, "worth": worth}
    found = {
        name: math.inf if limit is None else number(name, limit, at_least=0)
        for name, limit in given.items()
    }
    for name, limit in given.items():
        stated = costs.hours_stated if name == "bench_hours" else costs.money_stated
        if limit is not None and not stated:
            lack = "hours of a sitting" if name == "bench_hours" else "prices"
            msg = f"`{name}` must come with {lack}; got {limit:g} and none. State them too."
            raise FanstatsError(msg)
    return found


def _verdict(
    aim: _Aim,
    means: dict[str, float],
    costs: Costs,
    found: Design | None,
    enough: bool,
    money: float,
    hours: float,
) -> tuple[Verdict, str]:
    """Give the verdict, and the reason where nothing is to be tested."""
    if found is None:
        return "cannot be settled", (
            "sample luck runs past the steps read, where nothing counts, and the more samples the "
            "likelier"
        )
    if enough:
        return "already enough", ""
    most = max(int(found.first), int(found.second))
    if most > aim.effort.most_units:
        return "publish as a tie", (
            f"that is {most} samples of one model, more than the {aim.effort.most_units} that "
            "anybody means to test (`most_units`)"
        )
    if money > means["worth"]:
        return "publish as a tie", (
            f"that is more than the {money_words(means['worth'], costs.currency)} it is said to "
            "be worth"
        )
    lacking = []
    if money > means["budget"]:
        there = money_words(means["budget"], costs.currency)
        lacking.append(
            f"the budget of {there} is {money_words(money - means['budget'], costs.currency)} short"
        )
    if hours > means["bench_hours"]:
        more = hours - means["bench_hours"]
        lacking.append(f"the {means['bench_hours']:g} h at the bench are {more:.1f} h short")
    return ("budget short", " and ".join(lacking)) if lacking else ("test", "")


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
    if scatter.degrees(2 * effort.most_units) < 1 and any(map(any, scatter.units[:2])):
        name = "most_units" if scatter.dof_grows else "unit_dof"
        value = effort.most_units if scatter.dof_grows else scatter.unit_dof
        msg = (
            f"`{name}` must leave a degree of freedom for the spread, which is to be estimated; "
            f"got {value:g}. One unit of each model says nothing about it: test a second one, or "
            "state the spread with its degrees of freedom."
        )
        raise FanstatsError(msg)
    return _Aim(
        gap=difference,
        belief_sd=number("belief_sd", belief_sd, at_least=0),
        alpha=false_rate,
        models=count("models", models, at_least=2),
        wanted=power_above(power, false_rate),
        scatter=scatter,
        effort=effort,
    )


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
    before, final = (float(aim.parts(state).whole) for state in (now, design))
    if final == 0:
        return float(d != 0)
    c = aim.outlook(design)[1] / math.sqrt(final)
    return float(power_continuing(d, before, final, critical=c))


def _assumed(aim: _Aim) -> str:
    scatter = aim.scatter
    origin = "known" if math.isinf(scatter.unit_dof) else "estimated"
    spreads = dict.fromkeys(f"{spread:.3g}" for spread in scatter.units_whole)
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
