"""Price and performance together: what money buys, and whether more of it buys more."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fanstats._arguments import count, fraction
from fanstats._typing import FloatArray, IntArray, Scope
from fanstats.decisions.bands import total_range
from fanstats.decisions.decision import Decision, facts_of
from fanstats.decisions.offers import (
    ALIKE,
    Offer,
    Prices,
    one_currency,
    read_offers,
    refuse_misspelt,
)
from fanstats.decisions.population import fans_together
from fanstats.decisions.said import in_hundred, shortened
from fanstats.decisions.selection import Best, Selection, select
from fanstats.decisions.true_values import true_values
from fanstats.decisions.verdict import OddsLabel
from fanstats.errors import FanstatsError, near_name
from fanstats.wording import SCOPE_WORDS

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["ValueForMoney", "paid_for", "value_for_money"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ValueForMoney(Decision):
    """What each model costs and gives, and which are unbeaten on both together.

    Attributes
    ----------
    table : DataFrame
        One row a model, the cheapest first, those without a price or an estimate last: `model`,
        `fans` (needed), `bought` (whole packs), `paid`, `value`, `low`, `high`, `per_money`,
        `per_money_low`, `per_money_high` (of the whole need, for one unit of currency; NaN where
        less is better), `chance_unbeaten`, `status`.
    chance_unbeaten : DataArray
        Chance that no other model costs no more and is better, over `model`.
    need : int
        Places to be filled.
    currency : str
        Of the prices.
    label : {"chance", "confidence", ""}
        What the probabilities are: hit rates (five or more models), or a flat view.
    """

    chance_unbeaten: xr.DataArray
    need: int
    currency: str
    label: OddsLabel

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        head = f"By price and {self.quantity}{f' {self.where}' if self.where else ''}, for "
        head += f"{SCOPE_WORDS.get(self.scope, self.scope)}: {self._unbeaten()}"
        return " ".join(part for part in (head, self._packs(), *self._rests_on()) if part)

    def _unbeaten(self) -> str:
        known = self.table[self.table["chance_unbeaten"].notna()]
        if known.empty:
            return "no model has both a price and an estimate."
        ordered = known.sort_values("chance_unbeaten", ascending=False, kind="stable")
        likely = ordered[ordered["chance_unbeaten"] >= 0.5]
        named = [
            f"{row['model']} ({in_hundred(row['chance_unbeaten'], self.draws)})"
            for row in likely.to_dict("records")
        ]
        rest = len(known) - len(likely)
        text = f"{shortened(named)} {'is' if len(named) == 1 else 'are'} more likely unbeaten"
        text = f"{text} than not ({self.label}): nothing else costs no more and is better."
        text += f" {rest} more {'are' if rest > 1 else 'is'} likely beaten." if rest else ""
        cheapest = list(known.loc[known["paid"] == known["paid"].min(), "model"])
        if len(cheapest) == 1 and len(known) > 1:
            text += f" {cheapest[0]} is the cheapest: nothing can beat it on both."
        return text

    def _packs(self) -> str:
        left = self.table[self.table["bought"] > self.table["fans"]]
        if left.empty:
            return ""
        named = [
            f"{row['bought']} of {row['model']} for {row['fans']}"
            for row in left.to_dict("records")
        ]
        return f"Whole packs are counted: {shortened(named)}."


def value_for_money(
    estimates: xr.Dataset | xr.DataArray,
    prices: Prices | None = None,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    need: int = 1,
    best: Best | None = None,
    probability: float = 0.95,
) -> ValueForMoney:
    """Hold what models give against what they cost.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, or any array over `model` and `draw`.
    prices : mapping or JSON text
        By model: the price of one fan, or a mapping with ``price``, ``pack`` (fans in it) and
        ``currency``; or ``readings.attrs["prices"]``. Taken from the estimates if left out.
    quantity, obstruction : str, optional
        Which; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which true values are meant.
    need : int
        Places to be filled. What must be bought counts: where a pack holds five and three are
        needed, a pack is paid. Estimates of several fans together (``fans=``) need that many a
        place.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.
    probability : float
        Of the ranges.

    Returns
    -------
    ValueForMoney
        A model is unbeaten in a draw if none that costs no more is better. Nothing is said of how
        many currency units a gain is worth: that is for the buyer (see `extra_cost`).

    Raises
    ------
    FanstatsError
        If there are no prices, one is not right or stands under a name that is no model, or the
        quantity or obstruction is not there.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> prices = {"Varnost Lull": 18.0, "Ombrel Sill": {"price": 32.0, "pack": 5}}
    >>> found = value_for_money(estimates, prices, quantity="airflow", obstruction="open", need=3)
    >>> list(found.table["paid"].dropna())
    [32.0, 54.0]
    """
    fraction("probability", probability)
    count("need", need)
    picked = select(estimates, quantity, obstruction)
    better, place = picked.better(best), picked.scope(scope)
    offers = read_offers(prices, picked.attrs)
    refuse_misspelt(prices, offers, _of_the_chart(picked))
    currency = one_currency(offers[name] for name in picked.models if name in offers)
    paid = np.array([paid_for(picked, offers, name, need) for name in picked.models])
    members = np.flatnonzero(picked.estimable[place])
    sign = -1.0 if better == "low" else 1.0
    true = true_values(picked, place, members, sign=sign)
    priced = np.isfinite(paid[members])
    chances = np.full(len(picked.models), np.nan)
    chances[members[priced]] = _unbeaten(paid[members[priced]], true.draws[priced])
    table = _table(picked, place, offers, paid, chances, need, better, probability)
    return ValueForMoney(
        table=table,
        chance_unbeaten=_over_models(table, true.label),
        need=need,
        currency=currency,
        label=true.label,
        units=picked.printed_units,
        best=better,
        probability=probability,
        **facts_of(picked, place, members, _notes(picked, offers, better)),
    )


def _of_the_chart(picked: Selection) -> tuple[str, ...]:
    """Every model of the chart, also those that are not among a part of it."""
    return tuple(dict.fromkeys([*picked.models, *picked.listed("models")]))


def paid_for(picked: Selection, offers: Mapping[str, Offer], model: str, need: int) -> float:
    """Give what a model costs for a number of places; NaN without a price.

    Parameters
    ----------
    picked : Selection
        Says how many fans of a model run together.
    offers : mapping of str to Offer
    model : str
    need : int
        Places to be filled.

    Returns
    -------
    float
    """
    if model not in offers:
        return math.nan
    return offers[model].paid(need * fans_together(picked).get(model, 1))


def _unbeaten(paid: FloatArray, draws: FloatArray) -> FloatArray:
    """Share of draws in which no other model costs no more and is better.

    Of two that cost and give the same neither beats the other.
    """
    chances = np.zeros(len(paid))
    cheaper = np.full(draws.shape[1], -np.inf)
    for price in np.unique(paid):
        alike = np.flatnonzero(paid == price)
        best = draws[alike].max(axis=0)
        # One that costs less beats an equal; one that costs the same must be better.
        chances[alike] = ((draws[alike] == best) & (draws[alike] > cheaper)).mean(axis=1)
        np.maximum(cheaper, best, out=cheaper)
    return chances


def _table(
    picked: Selection,
    place: int,
    offers: Mapping[str, Offer],
    paid: FloatArray,
    chances: FloatArray,
    need: int,
    better: Best,
    probability: float,
) -> pd.DataFrame:
    members = np.flatnonzero(picked.estimable[place])
    ends = np.full((2, len(picked.models)), np.nan)
    ends[:, members] = total_range(picked, place, members, probability)
    values = np.where(picked.estimable[place], picked.values[place], np.nan)
    together = fans_together(picked)
    fans = [need * together.get(name, 1) for name in picked.models]
    bought = [
        offers[name].packs(number) * offers[name].pack if name in offers else number
        for name, number in zip(picked.models, fans, strict=True)
    ]
    # "Less noise per currency unit" has no meaning: only what there can be more of is divided.
    share = need / paid if better == "high" and picked.ratio else np.full(len(paid), np.nan)
    table = pd.DataFrame(
        {
            "model": picked.models,
            "fans": fans,
            "bought": bought,
            "paid": paid,
            "value": values,
            "low": ends[0],
            "high": ends[1],
            "per_money": values * share,
            "per_money_low": ends[0] * share,
            "per_money_high": ends[1] * share,
            "chance_unbeaten": chances,
            "status": _statuses(picked, place, offers),
        }
    )
    return table.iloc[_rows(paid, values, better)].reset_index(drop=True)


def _rows(paid: FloatArray, values: FloatArray, better: Best) -> IntArray:
    """Cheapest first, the better first among equal prices; what lacks one of the two last."""
    quality = values if better == "high" else -values
    lacking = np.isnan(paid) | np.isnan(values)
    return np.lexsort((-np.nan_to_num(quality), np.nan_to_num(paid), lacking))


def _statuses(picked: Selection, place: int, offers: Mapping[str, Offer]) -> list[str]:
    found = []
    for k, name in enumerate(picked.models):
        states = [picked.reason(place, k), "" if name in offers else "no price"]
        found.append("; ".join(state for state in states if state))
    return found


def _over_models(table: pd.DataFrame, label: str) -> xr.DataArray:
    import xarray as xr

    known = table[table["chance_unbeaten"].notna()]
    attrs = {"long_name": f"{label} of being unbeaten on price and performance", "units": "1"}
    return xr.DataArray(
        known["chance_unbeaten"].to_numpy(dtype=np.float64),
        {"model": known["model"].to_list()},
        ("model",),
        "chance_unbeaten",
        attrs,
    )


def _notes(picked: Selection, offers: Mapping[str, Offer], better: Best) -> list[str]:
    notes = []
    unpriced = [name for name in picked.models if name not in offers]
    if unpriced:
        notes.append(f"without a price, so neither beaten nor beating: {shortened(unpriced)}")
    strangers = [name for name in offers if name not in picked.models]
    if strangers:
        notes.append(f"a price, but no estimate by that name: {shortened(strangers)}")
    if better == "low":
        notes.append(f"{picked.title} for one unit of currency has no meaning where less is better")
    return notes


def two_prices(
    picked: Selection, offers: Mapping[str, Offer], models: tuple[str, str], need: int
) -> tuple[float, float]:
    """Give what two models cost, or an error that names the one without a price.

    Parameters
    ----------
    picked : Selection
    offers : mapping of str to Offer
    models : tuple of str
    need : int

    Returns
    -------
    tuple of float
    """
    for name in models:
        if name not in offers:
            near = near_name(
                name, [known for known in offers if known not in picked.models], cutoff=ALIKE
            )
            mend = f"Did you mean it by {near!r}?" if near else "Add it."
            msg = f"`prices` must name {name!r}; got {', '.join(map(repr, offers))}. {mend}"
            raise FanstatsError(msg)
    first, second = (paid_for(picked, offers, name, need) for name in models)
    return first, second
