"""A list of samples to buy one after the other, within a budget, to find the best model."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from scipy import stats

from fanstats._arguments import count, number
from fanstats.errors import FanstatsError
from fanstats.planning.allocation import Best, gain_of_choosing, outlook

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from fanstats._typing import BoolArray, FloatArray

__all__ = ["Standing", "buy_list"]

# So many models are tried two at a time.
_PAIRED: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where one model stands, and what another unit of it costs.

    Parameters
    ----------
    model : str
        Name.
    value : float
        What is known of its value.
    tested : int
        Units tested.
    unit_variance : float
        Variance of one unit's result, which further units average out.
    floor_variance : float
        Variance that stays whatever is bought.
    price : float
        Price of a pack.
    pack : int
        Units in a pack.
    estimated_variance : float
        The part of `unit_variance` whose size is estimated: sample luck of a spread known from few
        degrees of freedom.
    prior_variance : float
        Variance of the models' true values about their common centre, where `value` has been
        drawn towards it accordingly; infinite for a flat view.
    """

    model: str
    value: float
    tested: int
    unit_variance: float
    floor_variance: float
    price: float
    pack: int = 1
    estimated_variance: float = 0.0
    prior_variance: float = math.inf

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", number("value", self.value))
        object.__setattr__(self, "tested", count("tested", self.tested))
        object.__setattr__(self, "pack", count("pack", self.pack))
        object.__setattr__(self, "price", number("price", self.price, above=0))
        prior = number("prior_variance", self.prior_variance, at_least=0, infinite=True)
        object.__setattr__(self, "prior_variance", prior)
        for name in ("unit_variance", "floor_variance", "estimated_variance"):
            object.__setattr__(self, name, number(name, getattr(self, name), at_least=0))
        if self.estimated_variance > self.unit_variance * (1 + 1e-9):
            msg = (
                f"`estimated_variance` must not exceed `unit_variance` of {self.unit_variance:g}, "
                f"of which it is a part; got {self.estimated_variance:g}."
            )
            raise FanstatsError(msg)

    def variance(self, units: int, scale: ArrayLike = 1.0) -> FloatArray:
        """Give the variance of what is known with a number of units.

        Parameters
        ----------
        units : int
            Units in all.
        scale : array_like
            How many times as large as estimated the estimated part is in truth.

        Returns
        -------
        ndarray
            Same shape as `scale`.
        """
        more = self.estimated_variance * (np.asarray(scale, dtype=np.float64) - 1.0)
        own = np.asarray((self.unit_variance + more) / units + self.floor_variance)
        if math.isinf(self.prior_variance):
            return own
        total = own + self.prior_variance
        return np.asarray(
            np.divide(own * self.prior_variance, total, out=np.zeros_like(own), where=total > 0)
        )


def buy_list(
    standings: Sequence[Standing],
    *,
    budget: float,
    best: Best,
    rng: np.random.Generator,
    draws: int = 20_000,
    spread_dof: float = math.inf,
    truths: FloatArray | None = None,
) -> pd.DataFrame:
    """List what to buy within a budget: each time the pack, or the two packs, that help most.

    Parameters
    ----------
    standings : sequence of Standing
        The models, each tested at least once.
    budget : float
        Money to be spent at most.
    best : {"high", "low"}
        Which way is better.
    rng : numpy.random.Generator
        For the draws of `outlook`; all plans share them.
    draws : int
        Number of draws.
    spread_dof : float
        Degrees of freedom behind the models' `estimated_variance`, one spread for all.
    truths : ndarray, shape (models, any), optional
        Draws of the models' true values as known now, gone through again and again until there are
        `draws` of them; without them they are normal about the standings' own values.

    Returns
    -------
    DataFrame
        One row a pack, the first row ("nothing") before any: model, units bought, money spent so
        far, chance that the best model comes out on top, average loss, and step: two packs that
        were chosen together share one.

    Raises
    ------
    FanstatsError
        With fewer than two models, a negative budget, or a spread of no degree of freedom.

    Notes
    -----
    Expected value of information, looking one purchase ahead (Gupta and Miescke 1996; Frazier,
    Powell and Dayanik 2008, the knowledge gradient), here one pack or two: of one model twice or
    of two models. Each step takes what makes the average loss fall most for its price, as long
    as that fall is larger than twice its Monte Carlo standard error. Of many models the ten whose
    single pack helps most are paired. Three packs that only help together are not seen.

    A spread that is estimated has in each draw a true size of its own, chi-square over its degrees
    of freedom, so that what is known of a model is Student's t and not normal. What the further
    units tell of the spread itself is not reckoned.

    References
    ----------
    Gupta, S. S. and Miescke, K. J. (1996), Journal of Statistical Planning and Inference 54,
    229-244; Frazier, P. I., Powell, W. B. and Dayanik, S. (2008), SIAM Journal on Control and
    Optimization 47, 2410-2439.

    Examples
    --------
    >>> models = [Standing(model=name, value=value, tested=1, unit_variance=0.64,
    ...                    floor_variance=0.0, price=20.0)
    ...           for name, value in (("A", 30.0), ("B", 30.4), ("C", 33.5))]
    >>> bought = buy_list(models, budget=50.0, best="low", rng=np.random.default_rng(4))
    >>> sorted(bought["model"])
    ['A', 'B', 'nothing']
    """
    if len(standings) < 2:
        msg = f"`standings` must hold at least two models; got {len(standings)}."
        raise FanstatsError(msg)
    left = number("budget", budget, at_least=0)
    dof = number("spread_dof", spread_dof, above=0, infinite=True)
    look = _Outlook(standings, best, rng, count("draws", draws, at_least=2), dof, truths)
    units = [entry.tested for entry in standings]
    right, loss = look(units)
    rows = [("nothing", 0, 0.0, float(right.mean()), float(loss.mean()), 0)]
    spent = 0.0
    for step in itertools.count(1):
        packs = _best_purchase(standings, units, look, left - spent)
        for place in packs:
            units = _with(standings, units, [place])
            right, loss = look(units)
            bought = standings[place]
            spent += bought.price
            chance, short = float(right.mean()), float(loss.mean())
            rows.append((bought.model, bought.pack, spent, chance, short, step))
        if not packs:
            break
    columns = ["model", "units", "spent", "chance best on top", "average loss", "step"]
    return pd.DataFrame(rows, columns=columns)


class _Outlook:
    """`outlook` for numbers of units, all from the same draws."""

    def __init__(
        self,
        standings: Sequence[Standing],
        best: Best,
        rng: np.random.Generator,
        draws: int,
        dof: float,
        truths: FloatArray | None,
    ) -> None:
        self._standings, self._best = standings, best
        self._values = np.array([entry.value for entry in standings])
        size = (draws, len(standings))
        self._deviates = (rng.normal(size=size), rng.normal(size=size))
        self._scale = np.ones(1)
        if math.isfinite(dof) and any(entry.estimated_variance for entry in standings):
            # One stratified sample: with few degrees of freedom rare large spreads rule the loss.
            at = rng.permutation((np.arange(draws) + 0.5) / draws)
            self._scale = dof / stats.chi2.ppf(at, dof)
        self._known: FloatArray | float = 1.0
        self._now = self._variances([entry.tested for entry in standings])
        if truths is not None:
            drawn = truths[:, np.arange(draws) % truths.shape[1]].T
            self._values, size_of = drawn.mean(axis=0), drawn.std(axis=0)
            self._known = np.square(size_of) / np.where(self._now > 0, self._now, 1.0)
            steady = np.where(size_of > 0, size_of, 1.0)
            off = (drawn - self._values) / steady
            self._deviates = (-off if best == "low" else off, self._deviates[1])
            self._now = self._variances([entry.tested for entry in standings])

    def _variances(self, units: Sequence[int]) -> FloatArray:
        pairs = zip(self._standings, units, strict=True)
        own = np.stack([entry.variance(n, self._scale) for entry, n in pairs], axis=-1)
        return np.asarray(own * self._known)

    def gain(self, units: Sequence[int]) -> FloatArray:
        """Give what it is worth to choose with so many units, draw by draw."""
        then = self._variances(units)
        return gain_of_choosing(
            self._values, self._now, then, best=self._best, deviates=self._deviates
        )

    def __call__(self, units: Sequence[int]) -> tuple[BoolArray, FloatArray]:
        then = self._variances(units)
        return outlook(self._values, self._now, then, best=self._best, deviates=self._deviates)


def _with(standings: Sequence[Standing], units: Sequence[int], packs: Sequence[int]) -> list[int]:
    more = list(units)
    for place in packs:
        more[place] += standings[place].pack
    return more


def _best_purchase(
    standings: Sequence[Standing],
    units: Sequence[int],
    look: _Outlook,
    money: float,
) -> list[int]:
    """Give the places of the one or two packs that help most for their price; none if none do."""
    rates: dict[tuple[int, ...], float] = {}
    falls: dict[int, float] = {}
    present = look.gain(units)

    def weigh(packs: tuple[int, ...]) -> float:
        fall = look.gain(_with(standings, units, packs)) - present
        mean = float(fall.mean())
        if mean > 2 * fall.std() / math.sqrt(fall.size):
            rates[packs] = mean / sum(standings[place].price for place in packs)
        return mean

    for place, entry in enumerate(standings):
        if entry.price <= money:
            falls[place] = weigh((place,))
    leading = sorted(falls, key=lambda place: -falls[place])[:_PAIRED]
    for packs in itertools.combinations_with_replacement(leading, 2):
        if sum(standings[place].price for place in packs) <= money:
            weigh(packs)
    if not rates:
        return []
    found = max(rates, key=lambda packs: rates[packs])
    return sorted(found, key=lambda place: -falls[place])
