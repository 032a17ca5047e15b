"""Buy one, look, decide: what looking costs, and a plan that pays for it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from fanstats._arguments import count, fraction, number, power_above
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.boundaries import RULES, Rule, boundaries, crossing_probabilities
from fanstats.planning.estimated_looks import EstimatedLooks
from fanstats.planning.power import smallest_whole, standard_error
from fanstats.planning.shown import Shown, chance_words, spent_words

if TYPE_CHECKING:
    from fanstats._typing import FloatArray

__all__ = ["SequentialPlan", "plan_looks"]

# Where to give up.
_MOST: Final = 10_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class SequentialPlan(Shown):
    """Looks, boundaries, and what they cost and save.

    Attributes
    ----------
    rule : str
        Kind of boundary.
    gap, alpha, power_wanted : float
        What was asked for.
    false_claims : float
        Chance of any claim, by the last look, if the models are alike: `alpha` with a boundary
        that pays for looking, more where every look uses the limit of one look.
    quantity_units : str
        Unit of the gap, for sentences.
    units : tuple of int
        Units of each model at each look.
    limits : tuple of float
        Boundaries in standard errors; those estimated at the look where the spread is estimated.
    counts : tuple of float
        Smallest measured gap that would end the test, at each look; where the spread is
        estimated, should it come out as stated.
    stops_alike, stops_gap : tuple of float
        Chance of a claim at each look, for like models and at `gap`.
    power : float
        Chance of a claim by the last look, at `gap`.
    n_per_model, n_total : int
        Most units of each model and of both.
    spread_dof : float
        Degrees of freedom behind the spread from other models; infinite where it is known.
    expected_per_model, expected_alike : float
        Units of each model tested on average, at `gap` and for like models.
    fixed_n_per_model : int
        Units of each model in a plan with one look that does the same.
    naive_false_claims : float
        Chance of a false claim if every look used the one-look limit.
    money, hours : float
        On average at `gap`, beyond what has been spent; NaN where not stated.
    money_at_most, hours_at_most, money_fixed, hours_fixed : float
        The same if the test goes to its last look, and for the plan with one look.
    currency : str
        "" where nobody stated one.
    assumed : str
        What the numbers rest on.
    """

    rule: str
    gap: float
    alpha: float
    power_wanted: float
    false_claims: float
    quantity_units: str
    units: tuple[int, ...]
    limits: tuple[float, ...]
    counts: tuple[float, ...]
    stops_alike: tuple[float, ...]
    stops_gap: tuple[float, ...]
    power: float
    n_per_model: int
    n_total: int
    spread_dof: float
    expected_per_model: float
    expected_alike: float
    fixed_n_per_model: int
    naive_false_claims: float
    money: float
    hours: float
    money_at_most: float
    hours_at_most: float
    money_fixed: float
    hours_fixed: float
    currency: str
    assumed: str

    def sentence(self) -> str:
        """Say the plan in words.

        Returns
        -------
        str
        """
        looks = ", ".join(str(n) for n in self.units)
        unit = f" {self.quantity_units}" if self.quantity_units else ""
        return (
            f"Look after {looks} samples of each model and stop as soon as the gap counts "
            f"({self.rule}): a true gap of {self.gap:g}{unit} is claimed with chance "
            f"{chance_words(self.power)} after {self.expected_per_model:.1f} samples of each on "
            f"average ({2 * self.expected_per_model:.1f} in total"
            f"{self._paid(self.money, self.hours)}), at most {self.n_per_model} ({self.n_total} in "
            f"total{self._paid(self.money_at_most, self.hours_at_most)}); {self._fixed()} "
            f"{self._false()} Assumed: {self.assumed}."
        )

    def _paid(self, money: float, hours: float) -> str:
        if math.isnan(money) and math.isnan(hours):
            return ""
        return f"; {spent_words(money, self.currency, hours)}"

    def _fixed(self) -> str:
        n = self.fixed_n_per_model
        one = f"one look only would take {n} ({2 * n} in total"
        return f"{one}{self._paid(self.money_fixed, self.hours_fixed)})."

    def _false(self) -> str:
        naive, kept = 100 * self.naive_false_claims, 100 * self.alpha
        if self.rule == "every look alone":
            return (
                f"Like models are called different {100 * self.false_claims:.0f} times in 100, not "
                f"{kept:g}: nothing pays for looking this often."
            )
        return (
            f"Like models are called different {100 * self.false_claims:.3g} times in 100; looking "
            f"as often without correction would do so {naive:.0f} times."
        )

    def table(self) -> pd.DataFrame:
        """Give one row a look.

        Returns
        -------
        DataFrame
        """
        return pd.DataFrame(
            {
                "units of each model": self.units,
                "limit in standard errors": self.limits,
                "smallest measured gap that ends the test": self.counts,
                "claimed here if alike": self.stops_alike,
                "claimed here at the gap": self.stops_gap,
                "units in total": [2 * n for n in self.units],
            },
            index=pd.RangeIndex(1, len(self.units) + 1, name="look"),
        )


def plan_looks(
    gap: float,
    spread: float,
    *,
    looks: int,
    spread_dof: float = math.inf,
    rule: Rule = "O'Brien-Fleming",
    power: float = 0.8,
    alpha: float = 0.05,
    measurement: float = 0.0,
    floor: float = 0.0,
    units: str = "",
    price: float | None = None,
    sitting_hours: float | None = None,
    currency: str = "",
) -> SequentialPlan:
    """Plan a test that may stop early, with the false claims kept in hand.

    Parameters
    ----------
    gap : float
        True gap to be found.
    spread : float
        Standard deviation from unit to unit.
    looks : int
        Most looks, at about equal numbers of further units; fewer if there are fewer units.
    spread_dof : float
        Degrees of freedom behind the spread from *other* models: infinite where it is known, 0
        where these units alone tell it. Anything else than infinite has the spread estimated
        anew at each look, from those and all units so far, and looks before there is a degree
        of freedom are left out.
    rule : {"O'Brien-Fleming", "Pocock", "every look alone"}
        Kind of boundary.
    power, alpha : float
        Chance of a claim at `gap`, and of any claim for like models (both directions).
    measurement, floor : float
        Standard uncertainty of one unit's measurement, and of what no further unit reduces.
    units : str
        Unit of the gap, for sentences.
    price : float, optional
        Price of one sample of each model, both together.
    sitting_hours : float, optional
        Hours at the bench that one sample takes.
    currency : str
        For sentences.

    Returns
    -------
    SequentialPlan

    Raises
    ------
    FanstatsError
        If no number of units will do, or a request makes no sense.

    Notes
    -----
    With a known spread chances are by quadrature. With an estimated one they are counted over
    32,768 quasi-random tests (good to about 0.001), and the limits are those of a known spread at
    the same levels of Student's t, scaled so that false claims come out at `alpha`.

    Examples
    --------
    >>> plan = plan_looks(1.0, 0.8, looks=3)
    >>> plan.units, plan.fixed_n_per_model, round(plan.expected_per_model, 1)
    ((4, 8, 11), 11, 9.1)
    >>> plan_looks(1.0, 0.8, looks=3, spread_dof=0).units
    (4, 8, 12)
    """
    one_of("rule", rule, RULES)
    difference = abs(number("gap", gap))
    if difference == 0:
        msg = "`gap` must not be 0; got 0. No number of units shows a difference that is not there."
        raise FanstatsError(msg)
    one_unit = math.hypot(
        number("spread", spread, at_least=0), number("measurement", measurement, at_least=0)
    )
    if one_unit == 0:
        msg = "`spread` and `measurement` must not both be 0; got 0 and 0."
        raise FanstatsError(msg)
    most_looks, false_rate = count("looks", looks), fraction("alpha", alpha)
    wanted = power_above(power, false_rate)
    fixed_floor = number("floor", floor, at_least=0)

    cost = number("price", price, at_least=0) if price is not None else math.nan
    hour = math.nan
    if sitting_hours is not None:
        hour = 2 * number("sitting_hours", sitting_hours, at_least=0)

    behind = number("spread_dof", spread_dof, at_least=0, infinite=True)
    judge = _Judge(one_unit, fixed_floor, behind, rule, false_rate)

    def reached(n: int, most: int) -> bool:
        at = judge.look(_schedule(n, most, behind))
        return bool(at.stops(difference).sum() >= wanted)

    least = 1 if behind >= 1 else 2
    known = replace(judge, spread_dof=math.inf)
    sure = smallest_whole(
        lambda n: known.look(_schedule(n, most_looks, behind)).stops(difference).sum() >= wanted,
        least, _MOST,
    )  # fmt: skip
    # An estimated spread never takes fewer units than one known to be the same.
    n = sure and smallest_whole(lambda size: reached(size, most_looks), sure, _MOST)
    fixed = sure and smallest_whole(lambda size: reached(size, 1), least, _MOST)
    if n is None or fixed is None:
        msg = (
            f"`gap` of {difference:g} takes more than 10000 units of each model with power "
            f"{wanted:g}: the floor of {fixed_floor:g} stays. Ask for a larger gap."
        )
        raise FanstatsError(msg)
    sizes = _schedule(n, most_looks, behind)
    look = judge.look(sizes)
    alike, found = look.stops(0.0), look.stops(difference)
    expected = _expected(sizes, found)
    naive = replace(judge, rule="every look alone").look(sizes).stops(0.0)
    error = standard_error(one_unit, sizes, sizes, floor=fixed_floor)
    return SequentialPlan(
        rule=rule,
        gap=difference,
        alpha=false_rate,
        power_wanted=wanted,
        false_claims=float(alike.sum()),
        quantity_units=units,
        units=tuple(int(size) for size in sizes),
        limits=tuple(look.limits.tolist()),
        counts=tuple((look.limits * error).tolist()),
        stops_alike=tuple(alike.tolist()),
        stops_gap=tuple(found.tolist()),
        power=float(found.sum()),
        n_per_model=n,
        n_total=2 * n,
        spread_dof=behind,
        expected_per_model=expected,
        expected_alike=_expected(sizes, alike),
        fixed_n_per_model=fixed,
        naive_false_claims=float(naive.sum()),
        money=expected * cost,
        hours=expected * hour,
        money_at_most=n * cost,
        hours_at_most=n * hour,
        money_fixed=fixed * cost,
        hours_fixed=fixed * hour,
        currency=currency,
        assumed=f"sample luck {spread:g}{f' {units}' if units else ''} (standard deviation), "
        f"{_origin(behind)}; both models looked at together",
    )


@dataclass(frozen=True, slots=True)
class _Judge:
    """What a look is judged by, whatever its units."""

    one_unit: float
    floor: float
    spread_dof: float
    rule: Rule
    alpha: float

    def look(self, units: FloatArray) -> _Look:
        if math.isinf(self.spread_dof):
            info = standard_error(self.one_unit, units, units, floor=self.floor) ** -2.0
            limits = boundaries(info, rule=self.rule, alpha=self.alpha)
            return _Look(limits, lambda gap: crossing_probabilities(info, limits, gap))
        drawn = EstimatedLooks(
            one_unit=self.one_unit, floor=self.floor, units=units, spread_dof=self.spread_dof
        )
        limits = drawn.limits(self.rule, self.alpha)
        return _Look(limits, lambda gap: drawn.stops(limits, gap))


class _Look(NamedTuple):
    """Limits at each look, and the chance of crossing first at each, by the true gap."""

    limits: FloatArray
    stops: Callable[[float], FloatArray]


def _schedule(n: int, looks: int, spread_dof: float) -> FloatArray:
    """Units of each model at each look: equal shares of n, rounded up, each with new units.

    Before there is a degree of freedom behind the spread there is nothing to look at.
    """
    units = np.unique(np.ceil(n * np.arange(1, looks + 1) / looks))
    return np.asarray(units[spread_dof + 2.0 * units - 2.0 >= 1.0])


def _origin(dof: float) -> str:
    if math.isinf(dof):
        return "known"
    others = f" and {dof:g} degrees of freedom of other models" if dof else " alone"
    return f"estimated at each look from the samples so far{others}"


def _expected(units: FloatArray, crossed: FloatArray) -> float:
    """Units tested on average: those up to the crossing, all of them without one."""
    goes_on = 1.0 - np.cumsum(crossed)[:-1]
    return float(units[0] + np.diff(units) @ goes_on)
