"""Which model to buy another sample of: units spread over models to find the best one."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import pandas as pd
from scipy import special

from fanstats._arguments import count, number
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.inputs import numbers_in_a_row

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from fanstats._typing import BoolArray, FloatArray

__all__ = [
    "Standing",
    "buy_list",
    "chance_best_on_top",
    "gain_of_choosing",
    "outlook",
    "share_units",
]

Best = Literal["high", "low"]
# So many models are tried two at a time.
_PAIRED: Final = 10


# --- array kernels ---------------------------------------------------------------------------


def share_units(
    values: ArrayLike,
    sd: ArrayLike,
    *,
    best: Best,
    costs: ArrayLike = 1.0,
    resolution: float = 0.0,
) -> FloatArray:
    """Share units over models so that the best one is most likely to come out on top.

    Parameters
    ----------
    values : array_like, shape (models,)
        What is known of the models' values.
    sd : array_like
        Standard deviation of one unit's result, above 0.
    best : {"high", "low"}
        Which way is better.
    costs : array_like
        Price of one more unit.
    resolution : float
        Differences below this count as this much: nobody needs them told apart.

    Returns
    -------
    ndarray, shape (models,)
        Shares of the number of units; they sum to 1.

    Raises
    ------
    FanstatsError
        With fewer than two models, or a tie at the top and no resolution.

    Notes
    -----
    With ``delta_i`` the distance to the best model b: ``N_i ~ (sd_i / delta_i)^2`` and ``N_b = sd_b
    sqrt(sum (cost_i / cost_b) N_i^2 / sd_i^2)``. Optimal as the number of units grows.

    References
    ----------
    Chen, Lin, Yucesan and Chick (2000), Discrete Event Dynamic Systems 10, 251-270 (optimal
    computing budget allocation); the costs enter through the same Lagrangian.

    Examples
    --------
    >>> share_units([30.0, 31.0, 32.0], 1.0, best="low").round(3)
    array([0.452, 0.438, 0.11 ])
    """
    y, deviation, price = _models(values, sd, costs)
    if y.size < 2:
        msg = f"`values` must hold at least two models; got {y.size}."
        raise FanstatsError(msg)
    oriented = _oriented(y, best)
    top = int(np.argmax(oriented))
    others = np.arange(y.size) != top
    delta = np.maximum(oriented[top] - oriented[others], number("resolution", resolution))
    if (delta <= 0).any():
        msg = (
            "`values` hold a tie at the top, which no number of units resolves; give `resolution`, "
            "the smallest difference worth telling apart."
        )
        raise FanstatsError(msg)
    weight = np.empty_like(y)
    weight[others] = np.square(deviation[others] / delta)
    ratio = (price[others] / price[top]) * np.square(weight[others] / deviation[others])
    weight[top] = deviation[top] * math.sqrt(ratio.sum())
    return np.asarray(weight / weight.sum())


def chance_best_on_top(values: ArrayLike, sd: ArrayLike, n: ArrayLike, *, best: Best) -> float:
    """Give the chance that the truly best model has the best mean, for known true values.

    Parameters
    ----------
    values : array_like, shape (models,)
        True values.
    sd : array_like
        Standard deviation of one unit's result.
    n : array_like
        Units of each model.
    best : {"high", "low"}
        Which way is better.

    Returns
    -------
    float
        For independent normal means, by quadrature over the best one's.

    Examples
    --------
    >>> round(chance_best_on_top([30.0, 31.0], 1.0, [2, 2], best="low"), 4)
    0.8413
    """
    y, deviation, units = _models(values, sd, n)
    oriented, error = _oriented(y, best), deviation / np.sqrt(units)
    top = int(np.argmax(oriented))
    others = np.arange(y.size) != top
    z, w = np.polynomial.legendre.leggauss(200)
    z, w = 8.5 * z, 8.5 * w
    at = oriented[top] + error[top] * z
    below = special.ndtr((at[:, None] - oriented[others]) / error[others]).prod(axis=1)
    return float((w * np.exp(-0.5 * z**2)) @ below / math.sqrt(2 * math.pi))


def outlook(
    values: ArrayLike,
    variance_now: ArrayLike,
    variance_then: ArrayLike,
    *,
    best: Best,
    deviates: tuple[FloatArray, FloatArray],
) -> tuple[BoolArray, FloatArray]:
    """Look ahead to how good the choice will be once further units are in.

    Parameters
    ----------
    values : array_like, shape (models,)
        What is known of the models' values now.
    variance_now, variance_then : array_like, shape (models,)
        Variance of what is known, now and with the further units; never growing.
    best : {"high", "low"}
        Which way is better.
    deviates : tuple of ndarray, shape (draws, models)
        Two sets of standard normal deviates. Plans compared must share them.

    Returns
    -------
    right : ndarray of bool, shape (draws,)
        Whether the model then on top is the truly best one.
    loss : ndarray, shape (draws,)
        How much the model then on top falls short of the truly best one.

    Notes
    -----
    The truth is drawn about the present value, the same for all plans; the future value lies
    between the two. Errors that stay with a model stay in both.

    Examples
    --------
    >>> t, g = np.random.default_rng(1).normal(size=(2, 20_000, 2))
    >>> right, loss = outlook([30.0, 31.0], [1.0, 1.0], [0.2, 0.2], best="low", deviates=(t, g))
    >>> round(right.mean(), 2), round(loss.mean(), 2)
    (np.float64(0.89), np.float64(0.05))
    """
    off, future = _looks(values, variance_now, variance_then, best, deviates)
    truth = _oriented(np.atleast_1d(np.asarray(values, dtype=np.float64)), best) + off
    chosen, right = future.argmax(axis=1), truth.argmax(axis=1)
    rows = np.arange(len(truth))
    return chosen == right, truth[rows, right] - truth[rows, chosen]


def gain_of_choosing(
    values: ArrayLike,
    variance_now: ArrayLike,
    variance_then: ArrayLike,
    *,
    best: Best,
    deviates: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Give what it is worth to choose after further units rather than now.

    Parameters
    ----------
    values, variance_now, variance_then, best, deviates
        As in `outlook`.

    Returns
    -------
    ndarray, shape (draws,)
        How far the model then on top exceeds, by what will then be known, the one now on top; not
        below 0. On average it is by how much the average loss falls, with less Monte Carlo error.

    Examples
    --------
    >>> t, g = np.random.default_rng(1).normal(size=(2, 20_000, 2))
    >>> gain = gain_of_choosing([30.0, 31.0], 1.0, 0.2, best="low", deviates=(t, g))
    >>> round(gain.mean(), 2)
    np.float64(0.15)
    """
    _, future = _looks(values, variance_now, variance_then, best, deviates)
    top = int(np.argmax(_oriented(np.atleast_1d(np.asarray(values, dtype=np.float64)), best)))
    return np.asarray(future.max(axis=1) - future[:, top])


def _looks(
    values: ArrayLike,
    variance_now: ArrayLike,
    variance_then: ArrayLike,
    best: Best,
    deviates: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Draw how far the truth lies off the present values, and the values that will be known."""
    y, now, then = _models(values, variance_now, variance_then, positive=False)
    gained = np.maximum(now - then, 0.0)
    part = np.divide(gained, now, out=np.zeros_like(y), where=now > 0)
    off = np.sqrt(now) * deviates[0]
    return off, _oriented(y, best) + part * off + np.sqrt(part * then) * deviates[1]


def _models(
    values: ArrayLike, *others: ArrayLike, positive: bool = True
) -> tuple[FloatArray, FloatArray, FloatArray]:
    rule = "finite numbers in a row, one a model"
    y = numbers_in_a_row("values", values, rule=rule)
    spread = [
        np.broadcast_to(numbers_in_a_row("the models' numbers", other, rule=rule), y.shape)
        for other in others
    ]
    if any((array <= 0).any() if positive else (array < 0).any() for array in spread):
        msg = "deviations, units and costs must be above 0, variances not below 0."
        raise FanstatsError(msg)
    return y, spread[0], spread[1]


def _oriented(values: FloatArray, best: Best) -> FloatArray:
    one_of("best", best, ("high", "low"))
    return values if best == "high" else -values


# --- a list to buy from ----------------------------------------------------------------------


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
    prior_variance: float = math.inf

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", number("value", self.value))
        object.__setattr__(self, "tested", count("tested", self.tested))
        object.__setattr__(self, "pack", count("pack", self.pack))
        object.__setattr__(self, "price", number("price", self.price, above=0))
        prior = number("prior_variance", self.prior_variance, at_least=0, infinite=True)
        object.__setattr__(self, "prior_variance", prior)
        for name in ("unit_variance", "floor_variance"):
            object.__setattr__(self, name, number(name, getattr(self, name), at_least=0))

    def variance(self, units: int) -> float:
        """Give the variance of what is known with a number of units.

        Parameters
        ----------
        units : int
            Units in all.

        Returns
        -------
        float
        """
        own = self.unit_variance / units + self.floor_variance
        if math.isinf(self.prior_variance):
            return own
        return own * self.prior_variance / (own + self.prior_variance) if own > 0 else 0.0


def buy_list(
    standings: Sequence[Standing],
    *,
    budget: float,
    best: Best,
    rng: np.random.Generator,
    draws: int = 20_000,
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

    Returns
    -------
    DataFrame
        One row a pack, the first row ("nothing") before any: model, units bought, money spent so
        far, chance that the best model comes out on top, average loss, and step: two packs that
        were chosen together share one.

    Raises
    ------
    FanstatsError
        With fewer than two models, or a negative budget.

    Notes
    -----
    Expected value of information, looking one purchase ahead (Gupta and Miescke 1996; Frazier,
    Powell and Dayanik 2008, the knowledge gradient), here one pack or two: of one model twice or
    of two models. Each step takes what makes the average loss fall most for its price, as long
    as that fall is larger than twice its Monte Carlo standard error. Of many models the ten whose
    single pack helps most are paired. Three packs that only help together are not seen.

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
    look = _Outlook(standings, best, rng, count("draws", draws, at_least=2))
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
        self, standings: Sequence[Standing], best: Best, rng: np.random.Generator, draws: int
    ) -> None:
        self._standings, self._best = standings, best
        self._values = np.array([entry.value for entry in standings])
        self._now = np.array([entry.variance(entry.tested) for entry in standings])
        size = (draws, len(standings))
        self._deviates = (rng.normal(size=size), rng.normal(size=size))

    def gain(self, units: Sequence[int]) -> FloatArray:
        """Give what it is worth to choose with so many units, draw by draw."""
        then = [entry.variance(n) for entry, n in zip(self._standings, units, strict=True)]
        return gain_of_choosing(
            self._values, self._now, then, best=self._best, deviates=self._deviates
        )

    def __call__(self, units: Sequence[int]) -> tuple[BoolArray, FloatArray]:
        then = [entry.variance(n) for entry, n in zip(self._standings, units, strict=True)]
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
