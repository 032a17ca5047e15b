"""What to buy next, from estimates: samples that settle a gap, or that find the best model."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats._arguments import fraction, number
from fanstats.decisions.effects import random_effects
from fanstats.decisions.order import pair_variances, quasi_variances, standard_uncertainty
from fanstats.decisions.persistent import persistent_variance
from fanstats.decisions.selection import Selection, select
from fanstats.decisions.verdict import Chosen
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.allocation import Best, Standing, buy_list, share_units
from fanstats.planning.effort import Costs, Effort, Scatter
from fanstats.planning.settle import GapPlan, settle_gap

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from fanstats._typing import FloatArray, SeedLike
    from fanstats.sources import Bench

__all__ = ["NextUnits", "UnitsPlan", "plan_next", "plan_units"]

Offer = float | Mapping[str, Any]
# From so many models on, their values are drawn towards their centre before the best is sought.
_FEWEST_FOR_EFFECTS: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsPlan:
    """Samples of two models that settle a gap, and what they cannot settle.

    Attributes
    ----------
    first, second : str
        The two models.
    quantity, units : str
        What the gap is in.
    verdict : str
        "test", "already enough", "publish as a tie", "cannot be settled".
    gap, gap_now : float
        Gap planned for, and the one measured.
    n_per_model : tuple of int
        Samples of the first and the second model in the end.
    n_total : int
        Of both.
    add : dict of str to int
        Samples to buy for testing, by model.
    power, power_now, power_repeats_only, power_at_most, power_continuing : float
        Chance that the gap is called: with the plan, now, with endless repeats on the samples at
        hand, with endless everything; and the chance that the gap *measured* will be called.
    counts_now, counts_then, counts_repeats_only, counts_floor : float
        Smallest gap that would count, in the same four states, in `units`.
    money, hours : float
        What the plan takes beyond what has been spent.
    design : GapPlan
        The same on the scale it was reckoned on (logarithms for ratios).
    assumed, not_considered : tuple of str
        What the numbers rest on, and what they leave out.
    """

    first: str
    second: str
    quantity: str
    units: str
    verdict: str
    gap: float
    gap_now: float
    n_per_model: tuple[int, int]
    n_total: int
    add: dict[str, int]
    power: float
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
    design: GapPlan
    assumed: tuple[str, ...]
    not_considered: tuple[str, ...]

    def sentence(self) -> str:
        """Say the plan in words.

        Returns
        -------
        str
        """
        gap = f"a gap of {self.gap:.3g} {self.units} between {self.first} and {self.second}"
        floor = f"{self.counts_floor:.3g} {self.units}"
        if self.verdict == "cannot be settled":
            return (
                f"On this bench {gap} cannot be settled: whatever is bought, errors that belong to "
                f"a model let no gap below {floor} count. Publish it as a tie."
            )
        if self.verdict == "already enough":
            return (
                f"The samples tested find {gap} with chance {self.power_now:.2f}; nothing needs "
                "to be bought."
            )
        more = " and ".join(f"{n} of {name}" for name, n in self.add.items() if n) or "none"
        takes = f"{more} more ({self.n_total} samples in all), {self._paid()}"
        lead = f"To settle {gap}: {takes}"
        if self.verdict == "publish as a tie":
            lead = f"Not worth it, publish {gap} as a tie. It would take {takes}"
        return (
            f"{lead}; it is then found with chance {self.power:.2f} (now {self.power_now:.2f}). "
            f"Repeats on the samples at hand never find it with more than "
            f"{self.power_repeats_only:.2f}."
        )

    def _paid(self) -> str:
        if not self.money and not self.hours:
            return "prices not stated"
        return f"{self.money:.0f} {self.design.currency} and {self.hours:.1f} h"

    def table(self) -> pd.DataFrame:
        """Give the smallest gap that would count, and the chance, in four states of the bench.

        Returns
        -------
        DataFrame
        """
        frame = self.design.table()
        frame["smallest gap that would count"] = [
            self.counts_now,
            self.counts_then,
            self.counts_repeats_only,
            self.counts_floor,
        ]
        return frame


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NextUnits:
    """What to buy within a budget to find the best model.

    Attributes
    ----------
    purchases : DataFrame
        One row a purchase in order, the first before any: model, units, spent, chance best on
        top, average loss (in `loss_units`).
    shares : Series
        Shares of all further samples by the optimal computing budget allocation, for comparison.
    quantity, loss_units : str
        What "best" is about; unit of the average loss.
    assumed, not_considered : tuple of str
        What the numbers rest on, and what they leave out.
    """

    purchases: pd.DataFrame
    shares: pd.Series[float]
    quantity: str
    loss_units: str
    assumed: tuple[str, ...]
    not_considered: tuple[str, ...]

    def sentence(self) -> str:
        """Say the list in words.

        Returns
        -------
        str
        """
        rows = self.purchases
        if len(rows) == 1:
            return (
                "No next purchase within the budget makes the right choice noticeably likelier "
                f"(chance {rows['chance best on top'].iloc[0]:.2f} that the best one is on top); "
                "many samples bought at once were not tried."
            )
        bought = rows.iloc[1:].groupby("model", sort=False)["units"].sum()
        listed = ", ".join(f"{units} of {model}" for model, units in bought.items())
        chance = rows["chance best on top"]
        return (
            f"Next buy {listed} ({rows['spent'].iloc[-1]:.0f} spent): the chance that the best one "
            f"comes out on top rises from {chance.iloc[0]:.2f} to {chance.iloc[-1]:.2f}."
        )

    def table(self) -> pd.DataFrame:
        """Give the purchases.

        Returns
        -------
        DataFrame
        """
        return self.purchases.copy()


# --- what estimates say about scatter --------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """Variances of some models on the scale they are judged on, one entry a model."""

    values: FloatArray
    tested: FloatArray  # units tested
    spread: FloatArray  # of one unit
    measured: FloatArray  # of the result on the bench, floor left out
    floor: FloatArray  # what no further unit reduces
    dof: float
    not_considered: tuple[str, ...]


def _parts(picked: Selection, models: list[int], bench: Bench | None) -> _Parts:
    """Take the draws apart: what a further unit averages out, and what stays."""
    model, tested = picked.find("model"), picked.find("tested unit")
    if model is None or tested is None:
        msg = "`estimates` must hold the scopes 'tested unit' and 'model', as equal_noise gives."
        raise FanstatsError(msg)
    for place in models:
        if not (picked.estimable[model, place] and picked.estimable[tested, place]):
            reason = picked.reason(model, place) or picked.reason(tested, place)
            msg = (
                f"`estimates` must hold {picked.models[place]!r} for the typical unit; got: "
                f"{reason}. State the spread in the bench, or measure it with fs.unit_spread."
            )
            raise FanstatsError(msg)
    values, draws = picked.judged(model, models)
    on_bench = picked.judged(tested, models)[1]
    n = np.maximum(picked.units_tested[models], 1.0)
    dof = _spread_dof(picked)
    luck = np.array([_luck_variance(row, dof) for row in draws - on_bench])
    floor, notes = persistent_variance(picked, models, bench)
    measured = quasi_variances(pair_variances(on_bench)) if len(models) > 1 else np.zeros(1)
    return _Parts(
        values=values,
        tested=n,
        spread=luck * n,
        measured=np.maximum(measured - floor, 0.0),
        floor=np.minimum(floor, measured),
        dof=dof,
        not_considered=(*picked.listed("not_considered"), *notes),
    )


def _luck_variance(draws: FloatArray, dof: float) -> float:
    """Variance of sample luck at the spread as stated, not widened by its degrees of freedom."""
    if math.isinf(dof):
        return standard_uncertainty(draws) ** 2
    from scipy import stats

    low, high = np.quantile(draws, [0.25, 0.75])
    return float((high - low) / (2 * stats.t.ppf(0.75, dof))) ** 2


def _kinds(picked: Selection) -> tuple[str, ...]:
    """Kinds of luck that move the quantity: what the models are matched by, and its own."""
    driver = {"equal noise": "noise", "equal drive": "speed"}.get(str(picked.attrs.get("kind")))
    own = {"temperature_rise": "temperature", "speed": driver}.get(picked.name, picked.name)
    return tuple(dict.fromkeys(kind for kind in (driver, own) if kind))


def _spread_dof(picked: Selection) -> float:
    try:
        spread = json.loads(picked.attrs.get("spread", "{}"))
    except (TypeError, ValueError):
        return math.inf
    found = [(spread.get(kind) or {}).get("dof") for kind in _kinds(picked)]
    return min((float(dof) for dof in found if dof is not None), default=math.inf)


# --- the two plans ---------------------------------------------------------------------------


def plan_units(
    estimates: xr.Dataset,
    first: str,
    second: str,
    *,
    gap: float | str,
    power: float = 0.8,
    prices: Mapping[str, Offer] | None = None,
    quantity: str | None = None,
    obstruction: str | None = None,
    probability: float = 0.95,
    chosen: Chosen = "from the chart",
    bench: Bench | None = None,
    belief_sd: float = 0.0,
    budget: float | None = None,
    bench_hours: float | None = None,
    sitting_hours: float = 0.0,
    most_units: int = 40,
    equal: bool = False,
) -> UnitsPlan:
    """Plan how many more samples of two models settle a gap between them.

    Parameters
    ----------
    estimates : Dataset
        What `equal_noise` and its sisters return, with the spread stated.
    first, second : str
        The two models.
    gap : float or str
        True gap to be found, in the unit of the quantity; or text such as ``"5 %"`` for
        quantities compared as ratios.
    power : float
        Wanted chance of calling it.
    prices : mapping, optional
        By model: the price of one sample, or a mapping with ``price``, ``pack`` and ``currency``.
        Without prices the smallest number of samples is sought.
    quantity, obstruction : str
        As in `compare`.
    probability : float
        One minus the chance of a false lead.
    chosen : {"from the chart", "before"}
        Whether the pair was picked because of where it stands among the models present.
    bench : Bench, optional
        For the errors that belong to a model, which nothing bought reduces. Without it the plan
        lists them as not considered.
    belief_sd : float
        Standard deviation of what is believed about the true gap, in its unit; the power is then
        averaged over it.
    budget, bench_hours : float, optional
        The most that may be spent.
    sitting_hours : float
        Hours a sample takes on the bench.
    most_units : int
        Most samples of one model.
    equal : bool
        Whether both models must get the same number.

    Returns
    -------
    UnitsPlan

    Raises
    ------
    FanstatsError
        If the spread is unknown, a model is missing, or a request makes no sense.

    Notes
    -----
    Each further sample is taken to be measured like those tested, and a spread with degrees of
    freedom to be estimated again with them. Errors that all models share leave the difference.

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.planning.plan import plan_units
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
    >>> names = [str(name) for name in estimates.model.values[:2]]
    >>> plan = plan_units(estimates, *names, gap="10 %", quantity="airflow",
    ...                   obstruction=str(estimates.obstruction.values[0]))
    >>> plan.n_total == sum(plan.n_per_model)
    True
    """
    one_of("chosen", chosen, ("from the chart", "before"))
    alpha = 1.0 - fraction("probability", probability)
    picked = select(estimates, quantity, obstruction)
    pair = [picked.model("first", first), picked.model("second", second)]
    if first == second:
        msg = f"`second` must be another model than `first`; got {second!r} twice."
        raise FanstatsError(msg)
    parts = _parts(picked, pair, bench)
    scale = _Scale(picked, pair)
    wanted = scale.judged("gap", gap)
    tested = (int(parts.tested[0]), int(parts.tested[1]))
    plan = settle_gap(
        wanted,
        _scatter(parts),
        costs=_costs(prices, first, second, sitting_hours),
        effort=Effort(
            together=True,
            tested=tested,
            most_units=max(most_units, *tested),
            most_sittings=1,
            most_repeats=1,
            equal=equal,
        ),
        power=power,
        alpha=alpha,
        models=2 if chosen == "before" else int(picked.estimable[picked.scope("model")].sum()),
        belief_sd=scale.judged("belief_sd", belief_sd) if belief_sd else 0.0,
        measured=float(parts.values[0] - parts.values[1]),
        budget=budget,
        bench_hours=bench_hours,
    )
    return _named(plan, picked, pair, parts, scale)


def _scatter(parts: _Parts) -> Scatter:
    first, second = np.sqrt(parts.spread).tolist()
    return Scatter(
        unit=(first, second),
        # What these two models already give to an estimated spread comes with their units.
        unit_dof=max(0.0, parts.dof - float((parts.tested - 1).sum())),
        sitting=math.sqrt(float(parts.measured.sum() / (1 / parts.tested).sum())),
        model=math.sqrt(float(parts.floor.mean())),
    )


class _Scale:
    """Gaps in the unit of the quantity against gaps on the scale they are judged on."""

    def __init__(self, picked: Selection, pair: list[int]) -> None:
        self.ratio = picked.ratio
        self.units = picked.difference_units
        self.middle = float(picked.values[picked.scope("model"), pair].mean())

    def judged(self, argument: str, gap: float | str) -> float:
        if isinstance(gap, str):
            return self._share(argument, gap)
        found = abs(number(argument, gap))
        if not self.ratio:
            return found
        if found >= 2 * self.middle:
            msg = (
                f"`{argument}` must be below twice the models' mean of {self.middle:.4g} "
                f"{self.units}; got {found:g}."
            )
            raise FanstatsError(msg)
        return 2 * math.atanh(found / (2 * self.middle))

    def _share(self, argument: str, text: str) -> float:
        head = text.strip().removesuffix("%").strip()
        try:
            share = float(head) / 100 if text.strip().endswith("%") else math.nan
        except ValueError:
            share = math.nan
        if not (self.ratio and share > 0):
            rule = "text such as '5 %' or a number" if self.ratio else f"a number in {self.units}"
            msg = f"`{argument}` must be {rule}; got {text!r}."
            raise FanstatsError(msg)
        return math.log1p(share)

    def printed(self, gap: float) -> float:
        return 2 * self.middle * math.tanh(gap / 2) if self.ratio else gap


def _costs(
    prices: Mapping[str, Offer] | None, first: str, second: str, sitting_hours: float
) -> Costs:
    if prices is None:
        return Costs(price_first=0.0, price_second=0.0, sitting_hours=sitting_hours)
    one, two = _offer(prices, first), _offer(prices, second)
    currencies = {str(offer["currency"]) for offer in (one, two) if "currency" in offer}
    if len(currencies) > 1:
        listed = " and ".join(sorted(currencies))
        msg = f"`prices` must be in one currency; got {listed}. Convert one of them."
        raise FanstatsError(msg)
    return Costs(
        price_first=one["price"],
        price_second=two["price"],
        pack_first=one.get("pack", 1),
        pack_second=two.get("pack", 1),
        sitting_hours=sitting_hours,
        currency=currencies.pop() if currencies else "EUR",
    )


def _offer(prices: Mapping[str, Offer], model: str) -> Mapping[str, Any]:
    if model not in prices:
        listed = ", ".join(map(repr, prices)) or "none"
        msg = f"`prices` must name {model!r}; got {listed}. Add it."
        raise FanstatsError(msg)
    offer = prices[model]
    if isinstance(offer, Mapping):
        if "price" not in offer:
            msg = f"`prices` of {model!r} must hold 'price'; got {dict(offer)!r}."
            raise FanstatsError(msg)
        return offer
    return {"price": offer}


def _named(
    plan: GapPlan, picked: Selection, pair: list[int], parts: _Parts, scale: _Scale
) -> UnitsPlan:
    first, second = (picked.models[place] for place in pair)
    values = picked.values[picked.scope("model"), pair]
    return UnitsPlan(
        first=first,
        second=second,
        quantity=picked.name,
        units=scale.units,
        verdict=plan.verdict,
        gap=scale.printed(plan.gap),
        gap_now=float(values[0] - values[1]),
        n_per_model=plan.n_per_model,
        n_total=plan.n_total,
        add={first: plan.add_first, second: plan.add_second},
        power=plan.power,
        power_now=plan.power_now,
        power_repeats_only=plan.power_repeats_only,
        power_at_most=plan.power_at_most,
        power_continuing=plan.power_continuing,
        counts_now=scale.printed(plan.counts_now),
        counts_then=scale.printed(plan.counts_then),
        counts_repeats_only=scale.printed(plan.counts_repeats_only),
        counts_floor=scale.printed(plan.counts_floor),
        money=plan.money,
        hours=plan.hours,
        design=plan,
        assumed=(plan.assumed, "further samples measured like those tested"),
        not_considered=parts.not_considered,
    )


def plan_next(
    estimates: xr.Dataset,
    *,
    budget: float,
    prices: Mapping[str, Offer],
    quantity: str | None = None,
    obstruction: str | None = None,
    best: Best | None = None,
    bench: Bench | None = None,
    rng: SeedLike = None,
    draws: int = 20_000,
) -> NextUnits:
    """Plan which models to buy another sample of, to find the best one within a budget.

    Parameters
    ----------
    estimates : Dataset
        What `equal_noise` and its sisters return, with the spread stated.
    budget : float
        Money to be spent at most.
    prices : mapping
        By model, as in `plan_units`. Models without a price are judged but not bought.
    quantity, obstruction : str
        As in `compare`.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.
    bench : Bench, optional
        For the errors that belong to a model, which nothing bought reduces.
    rng : Generator, seed or None
        For the draws of the look ahead.
    draws : int
        Number of draws.

    Returns
    -------
    NextUnits

    Raises
    ------
    FanstatsError
        If the spread is unknown, fewer than two models have estimates, or a request makes no
        sense.

    Notes
    -----
    From five models on the values are drawn towards their common centre first (random effects),
    so that the model on top of the chart is not taken at its luck.

    References
    ----------
    Chen, Lin, Yucesan and Chick (2000), Discrete Event Dynamic Systems 10, 251-270, for `shares`.

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.planning.plan import plan_next
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
    >>> prices = {str(name): 20.0 for name in estimates.model.values}
    >>> found = plan_next(estimates, budget=60, prices=prices, quantity="airflow",
    ...                   obstruction=str(estimates.obstruction.values[0]), rng=1)
    >>> bool(found.purchases["spent"].iloc[-1] <= 60)
    True
    """
    money = number("budget", budget, at_least=0)
    picked = select(estimates, quantity, obstruction)
    way = picked.better(best)
    scope = picked.scope("model")
    usable = [place for place in range(len(picked.models)) if picked.estimable[scope, place]]
    if len(usable) < 2:
        reasons = {picked.reason(scope, place) for place in range(len(picked.models))}
        msg = (
            f"`estimates` must hold at least two models for the typical unit; got {len(usable)}: "
            f"{'; '.join(sorted(filter(None, reasons)))}."
        )
        raise FanstatsError(msg)
    parts = _parts(picked, usable, bench)
    standings = _standings(picked, usable, parts, prices, money)
    purchases = buy_list(
        standings, budget=money, best=way, rng=np.random.default_rng(rng), draws=draws
    )
    names = [entry.model for entry in standings]
    shrunk = not math.isinf(standings[0].prior_variance)
    return NextUnits(
        purchases=purchases,
        shares=_shares(standings, way, names),
        quantity=picked.name,
        loss_units="relative" if picked.ratio else picked.difference_units,
        assumed=(
            "further samples measured like those tested",
            "models drawn towards their common centre" if shrunk else "a flat view of the models",
        ),
        not_considered=parts.not_considered,
    )


def _standings(
    picked: Selection,
    usable: list[int],
    parts: _Parts,
    prices: Mapping[str, Offer],
    budget: float,
) -> list[Standing]:
    unit = parts.spread + parts.measured * parts.tested
    own = unit / parts.tested + parts.floor
    values, prior = parts.values, math.inf
    if len(usable) >= _FEWEST_FOR_EFFECTS:
        effects = random_effects(values, own)
        prior = float(effects.weights @ np.square(effects.tau))
        weights = 1.0 / (prior + own)
        centre = float(weights @ values / weights.sum())
        values = centre + (values - centre) * prior * weights
    standings = []
    for at, place in enumerate(usable):
        name = picked.models[place]
        # Without a price a model is judged, and never within the budget.
        offer = _offer(prices, name) if name in prices else {"price": 2 * budget + 1}
        pack: Any = offer.get("pack", 1)
        standings.append(
            Standing(
                model=name,
                value=float(values[at]),
                tested=int(parts.tested[at]),
                unit_variance=float(unit[at]),
                floor_variance=float(parts.floor[at]),
                price=offer["price"],
                pack=pack,
                prior_variance=prior,
            )
        )
    return standings


def _shares(standings: list[Standing], way: Best, names: list[str]) -> pd.Series[float]:
    import pandas as pd

    values = np.array([entry.value for entry in standings])
    sd = np.sqrt([max(entry.unit_variance, 1e-300) for entry in standings])
    cost = np.array([entry.price / entry.pack for entry in standings])
    # Differences far below one sample's scatter are not worth telling apart.
    resolution = 0.1 * float(sd.mean())
    shares = share_units(values, sd, best=way, costs=cost, resolution=resolution)
    return pd.Series(shares, index=pd.Index(names, name="model"), name="share")
