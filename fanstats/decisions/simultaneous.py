"""Array kernels for many comparisons at once: all pairs, all against one, each against the best.

As in `fanstats.order`: `values` of shape ``(models,)`` are estimates, `draws` of shape ``(models,
draws)`` their draws, on one scale, larger being better.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np

from fanstats._typing import FloatArray
from fanstats.decisions.order import joint_limits, joint_maximum, pair_reach, quantile_error

__all__ = ["AgainstBest", "AgainstOne", "AllPairs", "against_best", "against_one", "all_pairs"]

Side = Literal["both", "ahead", "behind"]


class AllPairs(NamedTuple):
    """Simultaneous limits of all differences, and how far each speaks against "equal".

    Attributes
    ----------
    lower : ndarray, shape (models, models)
        Lower limit of ``true[i] - true[j]``; the upper one is ``-lower[j, i]``.
    p_adjusted : ndarray, shape (models, models)
        Share of the joint maxima that reach the standardised gap: the family-wise level at which
        the pair just counts as different. NaN on the diagonal and where nothing is uncertain.
    maxima : ndarray, shape (draws,)
        Largest standardised error of any difference.
    reach : ndarray, shape (models, models)
        What each difference is divided by on its way down.
    multiplier, multiplier_error : float
        The critical point of the maxima and its Monte Carlo standard error.
    """

    lower: FloatArray
    p_adjusted: FloatArray
    maxima: FloatArray
    reach: FloatArray
    multiplier: float
    multiplier_error: float


def share_at_least(sorted_maxima: FloatArray, statistics: FloatArray) -> FloatArray:
    """Give the share of maxima that reach each statistic, never 0.

    Parameters
    ----------
    sorted_maxima : ndarray, shape (draws,)
        In rising order.
    statistics : ndarray, any shape

    Returns
    -------
    ndarray, same shape
        The statistic at hand counts as one more draw (Davison, A. C. and Hinkley, D. V. (1997),
        Bootstrap Methods and their Application, chapter 4).
    """
    reached = sorted_maxima.size - np.searchsorted(sorted_maxima, statistics, side="left")
    return np.asarray((1.0 + reached) / (1.0 + sorted_maxima.size), dtype=np.float64)


def all_pairs(values: FloatArray, draws: FloatArray, probability: float) -> AllPairs:
    """Compare every model with every other, family-wise.

    Parameters
    ----------
    values : ndarray, shape (models,)
    draws : ndarray, shape (models, draws)
    probability : float
        That all limits hold at once.

    Returns
    -------
    AllPairs
        Limits as in `fanstats.order.joint_limits`; two models give the plain two-sided interval.

    References
    ----------
    Hsu, J. C. (1996), Multiple Comparisons: Theory and Methods, chapter 5.
    """
    joint = joint_limits(values, draws, probability)
    reach = pair_reach(values, draws)
    maxima = np.sort(joint_maximum(values[:, np.newaxis] - draws, reach))
    gaps = np.abs(values[:, np.newaxis] - values)
    if len(values) == 2:
        above = np.count_nonzero(draws[0] > draws[1])
        rarer = min(above, draws.shape[1] - above)
        adjusted = np.full((2, 2), min(1.0, 2.0 * (1.0 + rarer) / (1.0 + draws.shape[1])))
    else:
        ahead = np.where(values[:, np.newaxis] >= values, reach, reach.T)
        with np.errstate(divide="ignore", invalid="ignore"):
            adjusted = share_at_least(maxima, gaps / ahead)
    adjusted = np.where(reach > 0, adjusted, np.nan)
    return AllPairs(joint.lower, adjusted, maxima, reach, joint.multiplier, joint.multiplier_error)


class AgainstOne(NamedTuple):
    """Simultaneous limits of the differences of all models to one of them.

    Attributes
    ----------
    low, high : ndarray, shape (models,)
        Limits of ``true[i] - true[reference]``; 0 for the reference itself, infinite on the side
        that nothing is claimed of.
    p_adjusted : ndarray, shape (models,)
        Family-wise level at which the model just counts as different; NaN for the reference.
    multiplier, multiplier_error : float
        The critical point and its Monte Carlo standard error.
    """

    low: FloatArray
    high: FloatArray
    p_adjusted: FloatArray
    multiplier: float
    multiplier_error: float


def against_one(
    values: FloatArray, draws: FloatArray, reference: int, probability: float, side: Side
) -> AgainstOne:
    """Compare every model with one reference, family-wise.

    Parameters
    ----------
    values : ndarray, shape (models,)
    draws : ndarray, shape (models, draws)
    reference : int
        Place of the reference.
    probability : float
        That all limits hold at once.
    side : {"both", "ahead", "behind"}
        What may be claimed of a model: either, only that it is ahead, only that it is behind.

    Returns
    -------
    AgainstOne

    References
    ----------
    Dunnett, C. W. (1955), A multiple comparison procedure for comparing several treatments with a
    control, Journal of the American Statistical Association 50, 1096-1121; the maximum is taken
    over the joint draws instead of a multivariate t.
    """
    gaps = values - values[reference]
    errors = gaps[:, np.newaxis] - (draws - draws[reference])
    down, up = _reach_to_one(values, draws, reference)
    maxima = np.full(draws.shape[1], -np.inf)
    if side in ("both", "ahead"):
        np.maximum(maxima, _largest(errors, down), out=maxima)
    if side in ("both", "behind"):
        np.maximum(maxima, _largest(-errors, up), out=maxima)
    ordered = np.sort(maxima)
    multiplier = float(np.quantile(ordered, probability)) if np.isfinite(maxima).all() else math.nan
    low = gaps - multiplier * down if side != "behind" else np.full_like(gaps, -np.inf)
    high = gaps + multiplier * up if side != "ahead" else np.full_like(gaps, np.inf)
    certain = down > 0
    low, high = np.where(certain, low, -np.inf), np.where(certain, high, np.inf)
    low[reference] = high[reference] = 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = {
            "both": np.where(gaps >= 0, gaps / down, -gaps / up),
            "ahead": gaps / down,
            "behind": -gaps / up,
        }[side]
    adjusted = np.where(certain, share_at_least(ordered, statistic), np.nan)
    error = quantile_error(ordered, probability) if math.isfinite(multiplier) else math.nan
    return AgainstOne(low, high, adjusted, multiplier, error)


def _reach_to_one(
    values: FloatArray, draws: FloatArray, reference: int
) -> tuple[FloatArray, FloatArray]:
    """How far each difference to the reference may fall below and rise above its estimate."""
    down, up = np.zeros(len(values)), np.zeros(len(values))
    for model in range(len(values)):
        if model != reference:
            pair = [model, reference]
            reach = pair_reach(values[pair], draws[pair])
            down[model], up[model] = reach[0, 1], reach[1, 0]
    return down, up


def _largest(errors: FloatArray, reach: FloatArray) -> FloatArray:
    used = reach > 0
    if not used.any():
        return np.full(errors.shape[1], -np.inf)
    return np.asarray((errors[used] / reach[used, np.newaxis]).max(axis=0), dtype=np.float64)


class AgainstBest(NamedTuple):
    """Simultaneous limits of each model's difference to the best of the others.

    Attributes
    ----------
    low, high : ndarray, shape (models,)
        ``low <= 0 <= high``. Low 0: surely the best. High 0: surely not the best.
    p_not_best : ndarray, shape (models,)
        Level at which "this one is best" is just rejected.
    multipliers : ndarray, shape (models,)
        The critical point of each model held against all others, one-sided.
    """

    low: FloatArray
    high: FloatArray
    p_not_best: FloatArray
    multipliers: FloatArray


def against_best(values: FloatArray, draws: FloatArray, probability: float) -> AgainstBest:
    """Compare every model with the best of the others.

    Parameters
    ----------
    values : ndarray, shape (models,)
    draws : ndarray, shape (models, draws)
    probability : float
        That all limits hold at once.

    Returns
    -------
    AgainstBest
        Constrained to contain 0: narrower than all pairs, as nobody asks how far the others are
        apart.

    References
    ----------
    Hsu, J. C. (1984), Constrained simultaneous confidence intervals for multiple comparisons with
    the best, Annals of Statistics 12, 1136-1144; Hsu (1996), chapter 4, for unequal precision:
    every model is in turn the one that all others are held against.
    """
    count = len(values)
    reach = pair_reach(values, draws)
    deviations = values[:, np.newaxis] - draws
    multipliers, p_values = np.zeros(count), np.ones(count)
    others = ~np.eye(count, dtype=bool)
    for model in range(count):
        # How far this model may lie above its estimate, seen from each other: reach[other, model].
        up = reach[:, model]
        maxima = np.sort(_largest(deviations - deviations[model], up))
        multipliers[model] = np.quantile(maxima, probability) if up.any() else 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            behind = (values - values[model]) / up
        held = others[model] & (up > 0)
        if held.any():
            p_values[model] = share_at_least(maxima, behind[held].max())
    gaps = values[:, np.newaxis] - values
    above = np.where(others, gaps + multipliers[:, np.newaxis] * reach.T, np.inf)
    high = np.maximum(0.0, above.min(axis=1)) if count > 1 else np.zeros(1)
    possible = above.min(axis=1) > 0
    # Held against every model that may be best, each with its own critical point.
    below = np.where(others & possible, gaps - multipliers * reach, np.inf)
    low = np.minimum(0.0, below.min(axis=1))
    low[possible & (possible.sum() == 1)] = 0.0
    return AgainstBest(low, high, p_values, multipliers)
