"""Which models to buy another sample of, within a budget, to find the best one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from fanstats._arguments import number
from fanstats.decisions.decision import carried, samples_tested
from fanstats.decisions.effects import FEWEST_FOR_CHANCES, random_effects
from fanstats.decisions.offers import Offer, one_currency, read_offers
from fanstats.decisions.population import fans_together, population
from fanstats.decisions.said import counted
from fanstats.decisions.selection import Selection, select
from fanstats.decisions.true_values import true_values
from fanstats.errors import FanstatsError
from fanstats.planning.allocation import Best, share_units
from fanstats.planning.buying import Standing, buy_list
from fanstats.planning.parts import Parts, take_apart
from fanstats.planning.shown import Shown, chance_words, money_words
from fanstats.wording import listed, where

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from fanstats._typing import BoolArray, FloatArray, SeedLike
    from fanstats.sources import Bench

__all__ = ["NextUnits", "plan_next"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class NextUnits(Shown):
    """What to buy within a budget to find the best model.

    Attributes
    ----------
    purchases : DataFrame
        One row a pack in order, the first before any: model, units, spent, chance best on top,
        average loss (in `loss_units`), step (packs chosen together share one), hours (at the
        bench so far; NaN where not stated).
    shares : Series
        Shares of all further samples by the optimal computing budget allocation (Chen et al.
        2000), for comparison.
    quantity, where : str
        What "best" is about, and under which conditions, in words.
    scope : str
        Which true values: always those of the models' typical samples.
    best : {"high", "low"}
        Which way is better.
    loss_units : str
        Unit of the average loss; "relative" where models are compared as ratios.
    budget : float
        What there is to spend.
    currency : str
        "" where nobody stated one.
    cheapest : float
        Price of the cheapest pack of these models; infinite where none has a price.
    units_tested : dict of str to int
        Samples tested so far, by model.
    rule : str
        The rule of the list.
    assumed : tuple of str
        What the plan rests on.
    assumptions, not_considered : tuple of str
        What the estimates rest on, and what they and the plan leave out.
    """

    purchases: pd.DataFrame
    shares: pd.Series[float]
    quantity: str
    where: str
    scope: str
    best: Best
    loss_units: str
    budget: float
    currency: str
    cheapest: float
    units_tested: dict[str, int]
    rule: str
    assumed: tuple[str, ...]
    assumptions: tuple[str, ...]
    not_considered: tuple[str, ...]

    def sentence(self) -> str:
        """Say the list in words.

        Returns
        -------
        str
        """
        rests = (
            samples_tested(self.units_tested),
            carried("Assumed", self.assumed),
            carried("Not considered", self.not_considered),
        )
        return " ".join([self._advice(), *filter(None, rests)])

    def _too_dear(self) -> str:
        if math.isinf(self.cheapest):
            return "none of the models has a price"
        return f"the cheapest pack costs {money_words(self.cheapest, self.currency)}"

    def _advice(self) -> str:
        rows = self.purchases
        way = "most is best" if self.best == "high" else "least is best"
        about = " ".join(filter(None, [f"for the best {self.quantity} ({way})", self.where]))
        chance = rows["chance best on top"]
        there = money_words(self.budget, self.currency)
        if self.cheapest > self.budget:
            return (
                f"With {there} nothing can be bought {about}: {self._too_dear()}. The chance that "
                f"the typical one on top is the best stays {chance_words(chance.iloc[0])}."
            )
        if len(rows) == 1:
            return (
                f"No purchase of one or two packs within {there} makes the right choice {about} "
                f"noticeably likelier (chance {chance_words(chance.iloc[0])} that the typical one "
                "on top is the best); three and more packs at once were not tried."
            )
        bought = rows.iloc[1:].groupby("model", sort=False)["units"].sum()
        what = listed(f"{units} of {model}" for model, units in bought.items())
        hours = rows["hours"].iloc[-1]
        spent = money_words(rows["spent"].iloc[-1], self.currency)
        spent += "" if math.isnan(hours) else f" and {hours:.1f} h at the bench"
        first = rows[rows["step"] == 1]
        then = listed(f"{row.units} of {row.model}" for row in first.itertuples())
        return (
            f"With {there} buy {what} ({int(bought.sum())} samples in total, {spent}) {about}: the "
            "chance that the typical one on top is the best rises from "
            f"{chance_words(chance.iloc[0])} to {chance_words(chance.iloc[-1])}. Begin with "
            f"{then}, then look again."
        )

    def table(self) -> pd.DataFrame:
        """Give the purchases.

        Returns
        -------
        DataFrame
        """
        return self.purchases.copy()


def plan_next(
    estimates: xr.Dataset,
    *,
    budget: float,
    prices: Mapping[str, Any] | str | None = None,
    quantity: str | None = None,
    obstruction: str | None = None,
    best: Best | None = None,
    bench: Bench | None = None,
    sitting_hours: float | None = None,
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
    prices : mapping or JSON text, optional
        By model, as in `plan_units`; None takes what the estimates carry. Models without a price
        are judged but not bought.
    quantity, obstruction : str
        As in `compare`.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.
    bench : Bench, optional
        A bench to plan for; by default the one that the estimates were made with.
        Sample luck that it does not state is that of the estimates.
    sitting_hours : float, optional
        Hours at the bench that one sample takes.
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
    The list follows the expected value of information, looking one or two packs ahead (see
    `fanstats.planning.buying.buy_list`), over the same draws of the true values that `rank` counts
    in. From five models on they are drawn towards their common centre (random effects), so that
    the model on top of the chart is not taken at its luck; models of which another number of fans
    run together have no part in it. A spread known from few samples makes what is known of a model
    Student's t: its true size is drawn anew in each draw of the look ahead.

    References
    ----------
    Gupta and Miescke (1996), Journal of Statistical Planning and Inference 54, 229-244, for the
    list; Chen, Lin, Yucesan and Chick (2000), Discrete Event Dynamic Systems 10, 251-270, for
    `shares`.

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.planning.next_units import plan_next
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
    parts = take_apart(picked, usable, bench)
    offers = _offers(picked, prices)
    sign = -1.0 if way == "low" else 1.0
    # The very draws that a ranking counts in, so that both state one chance.
    truths = sign * true_values(picked, scope, np.array(usable), sign=sign).draws
    standings = _standings(picked, usable, parts, offers, money)
    purchases = buy_list(
        standings,
        budget=money,
        best=way,
        rng=np.random.default_rng(rng),
        draws=draws,
        spread_dof=parts.dof,
        truths=truths,
    )
    each = math.nan
    if sitting_hours is not None:
        each = number("sitting_hours", sitting_hours, at_least=0)
    currency = one_currency(offers.values()) if any(o.currency for o in offers.values()) else ""
    return NextUnits(
        purchases=purchases.assign(hours=purchases["units"].cumsum() * each),
        shares=_shares(standings, way),
        quantity=picked.title,
        where=where(picked.attrs, picked.obstruction),
        scope="model",
        best=way,
        loss_units="relative" if picked.ratio else picked.difference_units,
        budget=money,
        currency=currency,
        cheapest=min(
            (
                offers[name].price
                for name in map(picked.models.__getitem__, usable)
                if name in offers
            ),
            default=math.inf,
        ),
        units_tested={picked.models[place]: round(picked.units_tested[place]) for place in usable},
        rule="expected value of information, one or two packs ahead (Gupta and Miescke 1996)",
        assumed=_assumed(picked, parts, standings),
        assumptions=picked.listed("assumptions"),
        not_considered=parts.not_considered,
    )


def _offers(picked: Selection, prices: Mapping[str, Any] | str | None) -> dict[str, Offer]:
    """Give the offers of models; an empty mapping prices nothing."""
    if isinstance(prices, Mapping) and not prices:
        return {}
    offers = read_offers(prices, picked.attrs)
    for name in offers:
        picked.model("prices", name)
    return offers


def _assumed(picked: Selection, parts: Parts, standings: list[Standing]) -> tuple[str, ...]:
    sizes = np.sqrt(parts.luck_whole)
    low, high = (
        f"{100 * size:.2g} %" if picked.ratio else f"{size:.2g} {picked.difference_units}"
        for size in (sizes.min(), sizes.max())
    )
    luck = low if low == high else f"{low} to {high}"
    origin = "taken as known"
    if math.isfinite(parts.dof):
        origin = f"known from {parts.dof:g} degrees of freedom"
    return (
        f"sample luck of one sample (standard deviation): {luck}, {origin}",
        "further samples measured like those tested",
        _centre_words(picked, standings),
    )


def _centre_words(picked: Selection, standings: list[Standing]) -> str:
    apart = [entry.model for entry in standings if math.isinf(entry.prior_variance)]
    if len(apart) == len(standings):
        return "a flat view of the models"
    shrunk = "models drawn towards their common centre"
    if not apart:
        return shrunk
    together = fans_together(picked)
    names = listed(f"{name} ({counted(together.get(name, 1), 'fan')} together)" for name in apart)
    return f"{shrunk}, but for {names}"


def _standings(
    picked: Selection,
    usable: list[int],
    parts: Parts,
    offers: Mapping[str, Offer],
    budget: float,
) -> list[Standing]:
    unit = parts.one_unit
    estimated = parts.luck + parts.luck_second if math.isfinite(parts.dof) else np.zeros(len(unit))
    values, prior = _towards_centre(
        parts.values, unit / parts.tested + parts.floor, population(picked, usable)
    )
    # Without a price a model is judged, and never within the budget.
    never = Offer(price=2 * budget + 1)
    standings = []
    for at, place in enumerate(usable):
        offer = offers.get(picked.models[place], never)
        standings.append(
            Standing(
                model=picked.models[place],
                value=float(values[at]),
                tested=int(parts.tested[at]),
                unit_variance=float(unit[at]),
                estimated_variance=float(estimated[at]),
                floor_variance=float(parts.floor[at]),
                price=offer.price,
                pack=offer.pack,
                prior_variance=float(prior[at]),
            )
        )
    return standings


def _towards_centre(
    values: FloatArray, own: FloatArray, alike: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Draw the values of one population towards their centre; give the variance about it too.

    The others keep their own, as do all where the population is too small to tell its spread.
    """
    found, prior = values.copy(), np.full(len(values), math.inf)
    if alike.sum() >= FEWEST_FOR_CHANCES:
        effects = random_effects(values[alike], own[alike])
        between = float(effects.weights @ np.square(effects.tau))
        weights = 1.0 / (between + own[alike])
        centre = float(weights @ values[alike] / weights.sum())
        found[alike] = centre + (values[alike] - centre) * between * weights
        prior[alike] = between
    return found, prior


def _shares(standings: list[Standing], way: Best) -> pd.Series[float]:
    import pandas as pd

    values = np.array([entry.value for entry in standings])
    sd = np.sqrt([max(entry.unit_variance, 1e-300) for entry in standings])
    cost = np.array([entry.price / entry.pack for entry in standings])
    # Differences far below one sample's scatter are not worth telling apart.
    resolution = 0.1 * float(sd.mean())
    shares = share_units(values, sd, best=way, costs=cost, resolution=resolution)
    names = [entry.model for entry in standings]
    return pd.Series(shares, index=pd.Index(names, name="model"), name="share")
