"""The dear one and the cheap one: what the gain costs, and whether there is one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import pandas as pd

from fanstats._arguments import count
from fanstats._typing import Scope
from fanstats.decisions.compare import compare
from fanstats.decisions.decision import Decision, facts_of
from fanstats.decisions.offers import Prices, one_currency, read_offers
from fanstats.decisions.said import in_hundred
from fanstats.decisions.selection import Best, select
from fanstats.decisions.value_for_money import two_prices
from fanstats.decisions.verdict import Chosen, Comparison, OddsLabel
from fanstats.errors import FanstatsError
from fanstats.wording import PAIR_WORDS, figure, range_words, times_words

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["ExtraCost", "extra_cost"]

State = Literal["range", "at least", "no gain", "not known", "same price"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ExtraCost(Decision):
    """What more money buys, of two models.

    Attributes
    ----------
    table : DataFrame
        The same numbers in one row.
    cheaper, dearer : str
        The two models.
    paid : tuple of float
        For the cheaper and for the dearer one, whole packs.
    extra : float
        The difference of the two.
    currency : str
        Of the prices.
    gain, gain_low, gain_high : float
        By how much the dearer one is better, in units of the quantity, all places together.
    per_unit, per_unit_low, per_unit_high : float
        Currency for one unit of gain. NaN where it does not exist, infinite where there is no
        upper limit.
    state : {"range", "at least", "no gain", "not known", "same price"}
        "range": the gain is settled and its price has two ends. "at least": the dearer one may
        be no better at all, so its gain costs `per_unit_low` a unit or more, without an upper
        limit. "no gain": surely no better, at any price. "not known": nothing to judge by. "same
        price": nothing extra is paid.
    chance_as_good_typical, chance_as_good_bought : float
        That the cheaper one is at least as good.
    label : {"chance", "confidence", ""}
        Whether these are hit rates.
    places : int
        To be filled.
    """

    cheaper: str
    dearer: str
    paid: tuple[float, float]
    extra: float
    currency: str
    gain: float
    gain_low: float
    gain_high: float
    per_unit: float
    per_unit_low: float
    per_unit_high: float
    state: State
    chance_as_good_typical: float
    chance_as_good_bought: float
    label: OddsLabel
    places: int

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        parts = [self._money(), self._price(), self._chance(), *self._rests_on()]
        return " ".join(part for part in parts if part)

    def _money(self) -> str:
        place = f" {self.where}" if self.where else ""
        if self.state == "same price":
            paid = f"{self.paid[0]:g} {self.currency}"
            return f"{self.dearer} and {self.cheaper} cost the same{place}: {paid}."
        extra = f"{self.extra:g} {self.currency} more than {self.cheaper} ({self.paid[1]:g} against"
        fill = f" for {self.places} places" if self.places > 1 else ""
        return f"{self.dearer} costs {extra} {self.paid[0]:g}){fill}{place}."

    def _price(self) -> str:
        units, about = self.units, PAIR_WORDS.get(self.scope, self.scope)
        spread = (self.gain_high - self.gain_low) / 4.0
        gain = figure(self.gain, spread, units)
        ends = range_words(self.gain_low, self.gain_high, spread, units)
        times = times_words(self.probability)
        if self.state == "not known":
            return f"What that buys in {self.quantity} is not known."
        text = (
            f"What {self.dearer} has over {self.cheaper} in {self.quantity}, for {about}, is "
            f"{gain} (range, {times}: {ends})"
        )
        each = f"{self.currency} for each {units}"
        if self.state == "no gain":
            return f"{text}: the money buys no gain."
        if self.state == "same price":
            return f"{text}."
        if self.state == "at least":
            least = figure(self.per_unit_low, self.per_unit_low / 10.0)
            return f"{text}: at least {least} {each}, with no upper limit: there may be no gain."
        digits = (self.per_unit_high - self.per_unit_low) / 4.0
        span = range_words(self.per_unit_low, self.per_unit_high, digits, "")
        return f"{text}: {figure(self.per_unit, digits)} {each} (range, {times}: {span})."

    def _chance(self) -> str:
        parts = [
            f"{in_hundred(found, self.draws)} for {about}"
            for found, about in (
                (self.chance_as_good_typical, "the typical samples"),
                (self.chance_as_good_bought, "one bought sample of each"),
            )
            if not math.isnan(found)
        ]
        if not parts:
            return ""
        lead = "Chance" if self.label == "chance" else "Confidence"
        return f"{lead} that {self.cheaper} is at least as good: {', '.join(parts)}."


def extra_cost(
    estimates: xr.Dataset | xr.DataArray,
    first: str,
    second: str,
    *,
    prices: Prices | None = None,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    need: int = 1,
    best: Best | None = None,
    probability: float = 0.95,
    chosen: Chosen = "from the chart",
) -> ExtraCost:
    """Say what each extra unit of performance of the dearer of two models costs.

    Parameters
    ----------
    estimates, prices, quantity, obstruction, scope, need, best
        As in `value_for_money`.
    first, second : str
        The two models, in any order.
    probability : float
        Coverage probability of the ranges.
    chosen : {"from the chart", "before"}
        As in `compare`.

    Returns
    -------
    ExtraCost

    Raises
    ------
    FanstatsError
        If one of the two has no price, both are the same model, or as in `compare`.

    Notes
    -----
    The price of a unit is a known sum over an uncertain gain, so its range is that of the gain
    turned over (Fieller's problem with an exact numerator). A gain that may be nothing makes a
    range without an upper limit, never one made finite by leaving draws out; one that may also be
    a loss has no sensible lower price than the one at the gain's upper end.

    References
    ----------
    Fieller, E. C. (1954), Some problems in interval estimation, Journal of the Royal Statistical
    Society B 16, 175-185.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> prices = {"Varnost Lull": 18.0, "Ombrel Sill": 8.0}
    >>> extra_cost(estimates, "Varnost Lull", "Ombrel Sill", prices=prices, quantity="airflow",
    ...            obstruction="open").state
    'range'
    """
    count("need", need)
    picked = select(estimates, quantity, obstruction)
    if picked.model("first", first) == picked.model("second", second):
        msg = (
            f"`first` and `second` must be two models; both are {first!r}. A model costs nothing "
            "more than itself."
        )
        raise FanstatsError(msg)
    better = picked.better(best)
    offers = read_offers(prices, picked.attrs)
    paid = two_prices(picked, offers, (first, second), need)
    names, sums = ((first, second), paid) if paid[0] <= paid[1] else ((second, first), paid[::-1])
    pair = compare(
        estimates, names[1], names[0], quantity=quantity, obstruction=obstruction, scope=scope,
        probability=probability, chosen=chosen, best=better,
    )  # fmt: skip
    gain = _gain(pair, better, need)
    price = _per_unit(sums[1] - sums[0], gain)
    typical, bought = (1.0 - odds.first_ahead for odds in (pair.odds_typical, pair.odds_bought))
    result: dict[str, Any] = {
        "cheaper": names[0],
        "dearer": names[1],
        "paid": (float(sums[0]), float(sums[1])),
        "extra": float(sums[1] - sums[0]),
        "gain": gain.value,
        "gain_low": gain.low,
        "gain_high": gain.high,
        **price._asdict(),
        "chance_as_good_typical": typical,
        "chance_as_good_bought": bought,
        "label": pair.odds_typical.label or pair.odds_bought.label,
    }
    place = picked.scope(scope)
    both = [picked.models.index(name) for name in names]
    return ExtraCost(
        table=pd.DataFrame([{**result, "paid": sums[1], "paid_cheaper": sums[0]}]),
        units=pair.units,
        best=better,
        probability=probability,
        currency=one_currency([offers[first], offers[second]]),
        places=need,
        **facts_of(picked, place, both, pair.notes),
        **result,
    )


class _Gain(NamedTuple):
    value: float
    low: float
    high: float


class _Price(NamedTuple):
    per_unit: float
    per_unit_low: float
    per_unit_high: float
    state: State


def _gain(pair: Comparison, better: Best, need: int) -> _Gain:
    """By how much the first of a pair is better, over all places; airflows add up."""
    gap, times = pair.difference, need if pair.quantity == "airflow" else 1
    if better == "high":
        return _Gain(times * gap.value, times * gap.low, times * gap.high)
    return _Gain(-gap.value, -gap.high, -gap.low)


def _per_unit(extra: float, gain: _Gain) -> _Price:
    if extra == 0:
        return _Price(0.0, 0.0, 0.0, "same price")
    if math.isnan(gain.low) or math.isnan(gain.high):
        return _Price(math.nan, math.nan, math.nan, "not known")
    if gain.high <= 0:
        return _Price(math.nan, math.nan, math.nan, "no gain")
    value = extra / gain.value if gain.value > 0 else math.nan
    if gain.low <= 0:
        return _Price(value, extra / gain.high, math.inf, "at least")
    return _Price(value, extra / gain.high, extra / gain.low, "range")
