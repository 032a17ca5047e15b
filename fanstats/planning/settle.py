"""The cheapest way to settle a gap: samples, sittings and repeats against money and hours."""

from __future__ import annotations

import math

from fanstats._arguments import number
from fanstats.errors import FanstatsError
from fanstats.planning.aim import Aim, aim_of
from fanstats.planning.design_search import (
    beyond_limits,
    cheapest,
    curve_of,
    within_limits,
    within_means,
)
from fanstats.planning.effort import Costs, Design, Effort, Scatter, cost_of
from fanstats.planning.gap_plan import GapPlan, Verdict
from fanstats.planning.power import MOST_UNITS, power_continuing
from fanstats.planning.shown import at_most_words, chance_words, money_words

__all__ = ["GapPlan", "settle_gap"]


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
    aim = aim_of(gap, scatter, effort, power, alpha, models, belief_sd)
    means = _means(costs, budget, bench_hours, worth)
    now = Design(*effort.tested, 1, effort.tested_repeats)
    untested = 0 in effort.tested
    state_now = (math.nan, math.nan) if untested else aim.outlook(now)
    endless = Design(MOST_UNITS, MOST_UNITS, effort.most_sittings, effort.most_repeats)
    state_endless = aim.far_reaching().outlook(endless)
    enough = state_now[0] >= aim.wanted
    designs = within_limits(aim, costs)
    found = now if enough else cheapest(aim, designs) or beyond_limits(aim, costs)
    design = now if found is None else found
    money, hours = (0.0, 0.0) if design is now else cost_of(design, costs=costs, effort=effort)
    verdict, reason = _verdict(aim, means, costs, found, enough, float(money), float(hours))
    if verdict == "cannot be settled" and state_endless[0] < aim.wanted:
        reason = (
            "errors that belong to a model, which nothing bought reduces, let no gap below "
            f"{state_endless[1]:.3g} count and find this one with a chance "
            f"{at_most_words(state_endless[0])}"
        )
    elif verdict == "cannot be settled":
        best, chance = within_means(aim, designs, [math.inf, math.inf]) or (effort.tested, 0.0)
        reason += (
            f"; {best[0]} and {best[1]} samples do best, with a chance of {chance_words(chance)}"
        )
    short = verdict == "budget short"
    within = within_means(aim, designs, [means["budget"], means["bench_hours"]]) if short else None
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
        curve=curve_of(aim, costs, design),
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
    aim: Aim,
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


def _continuing(aim: Aim, now: Design, design: Design, measured: float | None) -> float:
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


def _assumed(aim: Aim) -> str:
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
