"""Which model to buy another sample of: units spread over models to find the best one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import special

from fanstats._arguments import number
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.inputs import numbers_in_a_row, plain_numbers

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fanstats._typing import BoolArray, FloatArray

__all__ = [
    "Best",
    "chance_best_on_top",
    "gain_of_choosing",
    "outlook",
    "share_units",
]

Best = Literal["high", "low"]


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
    variance_now, variance_then : array_like, shape (models,) or (draws, models)
        Variance of what is known, now and with the further units; never growing. Draw by draw
        where the spread behind it is estimated and every draw has its own.
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
    y, _, _ = _models(values, 1.0, 1.0)
    now, then = np.atleast_2d(_variances(variance_now), _variances(variance_then))
    gained = np.maximum(now - then, 0.0)
    part = np.divide(gained, now, out=np.zeros_like(gained), where=now > 0)
    off = np.sqrt(now) * deviates[0]
    return off, _oriented(y, best) + part * off + np.sqrt(part * then) * deviates[1]


def _variances(given: ArrayLike) -> FloatArray:
    found = plain_numbers("variances", given, rule="finite numbers not below 0")
    if not np.isfinite(found).all() or (found < 0).any():
        msg = "variances must be finite and not below 0."
        raise FanstatsError(msg)
    return found


def _models(values: ArrayLike, *others: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    rule = "finite numbers in a row, one a model"
    y = numbers_in_a_row("values", values, rule=rule)
    spread = [
        np.broadcast_to(numbers_in_a_row("the models' numbers", other, rule=rule), y.shape)
        for other in others
    ]
    if any((array <= 0).any() for array in spread):
        msg = "deviations, units and costs must be above 0."
        raise FanstatsError(msg)
    return y, spread[0], spread[1]


def _oriented(values: FloatArray, best: Best) -> FloatArray:
    one_of("best", best, ("high", "low"))
    return values if best == "high" else -values
