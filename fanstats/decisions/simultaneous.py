"""Array kernels for many comparisons at once: all pairs, all against one, each against the best.

As in `fanstats.order`: `values` of shape ``(models,)`` are estimates, `draws` of shape ``(models,
draws)`` their draws, on one scale, larger being better.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np

from fanstats._typing import BoolArray, FloatArray
from fanstats.decisions.order import (
    CLOSE,
    close_to_call,
    joint_limits,
    joint_maximum,
    pair_reach,
    quantile_error,
    reach_share_error,
)

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
    lower_error, p_error : ndarray, shape (models, models)
        Monte Carlo standard errors of `lower` and `p_adjusted`.
    too_close : ndarray of bool, shape (models, models)
        Pairs whose verdict other draws could turn.
    """

    lower: FloatArray
    p_adjusted: FloatArray
    maxima: FloatArray
    reach: FloatArray
    multiplier: float
    multiplier_error: float
    lower_error: FloatArray
    p_error: FloatArray
    too_close: BoolArray


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


def share_error(sorted_maxima: FloatArray, statistics: FloatArray, models: int) -> FloatArray:
    """Monte Carlo standard error of `share_at_least` of standardised gaps.

    Parameters
    ----------
    sorted_maxima : ndarray, shape (draws,)
        In rising order.
    statistics : ndarray, any shape
        Gaps over their reach, which stems from the same draws.
    models : int
        How many models the reach was asked for.

    Returns
    -------
    ndarray, same shape
        Of the count, and of the reach, together.
    """
    statistics = np.nan_to_num(statistics, posinf=np.finfo(np.float64).max / 2.0)
    p = share_at_least(sorted_maxima, statistics)
    moved = statistics * reach_share_error(models, sorted_maxima.size)
    by_reach = share_at_least(sorted_maxima, statistics - moved) - share_at_least(
        sorted_maxima, statistics + moved
    )
    return np.asarray(
        np.hypot(np.sqrt(p * (1.0 - p) / sorted_maxima.size), by_reach / 2.0), dtype=np.float64
    )


def all_pairs(
    values: FloatArray, draws: FloatArray, probability: float, missing: BoolArray | None = None
) -> AllPairs:
    """Compare every model with every other, family-wise.

    Parameters
    ----------
    values : ndarray, shape (models,)
    draws : ndarray, shape (models, draws)
    probability : float
        That all limits hold at once.
    missing : ndarray of bool, shape (models, models), optional
        Lower limits that are not covered by data: they become NaN, and nothing is claimed by them.

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
    leads = values[:, np.newaxis] >= values
    size = draws.shape[1]
    if len(values) == 2:
        above = np.count_nonzero(draws[0] > draws[1])
        rarer = min(above, size - above) / size
        adjusted = np.full((2, 2), min(1.0, (2.0 * rarer * size + 2.0) / (1.0 + size)))
        errors = np.full((2, 2), 2.0 * math.sqrt(rarer * (1.0 - rarer) / size))
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            statistics = gaps / np.where(leads, reach, reach.T)
        adjusted = share_at_least(maxima, statistics)
        errors = share_error(maxima, statistics, len(values))
    lower, unknown = joint.lower, ~(reach > 0)
    if missing is not None:
        lower = np.where(missing & np.isfinite(lower), np.nan, lower)
        # A gap counts by the lower limit of the one that leads.
        unknown = unknown | np.where(leads, missing, missing.T)
    return AllPairs(
        lower=lower,
        p_adjusted=np.where(unknown, np.nan, adjusted),
        maxima=maxima,
        reach=reach,
        multiplier=joint.multiplier,
        multiplier_error=joint.multiplier_error,
        lower_error=joint.lower_error,
        p_error=np.where(unknown, np.nan, errors),
        too_close=close_to_call(lower, joint.lower_error),
    )


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
    p_error : ndarray, shape (models,)
        Monte Carlo standard error of `p_adjusted`.
    too_close : ndarray of bool, shape (models,)
        Models whose verdict other draws could turn.
    """

    low: FloatArray
    high: FloatArray
    p_adjusted: FloatArray
    multiplier: float
    multiplier_error: float
    p_error: FloatArray
    too_close: BoolArray


def against_one(
    values: FloatArray,
    draws: FloatArray,
    reference: int,
    probability: float,
    side: Side,
    missing: BoolArray | None = None,
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
    missing : ndarray of bool, shape (models, models), optional
        As in `all_pairs`.

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
    error = quantile_error(ordered, probability) if math.isfinite(multiplier) else math.nan
    if missing is not None:
        low = np.where(missing[:, reference] & np.isfinite(low), np.nan, low)
        high = np.where(missing[reference] & np.isfinite(high), np.nan, high)
        counts = np.where(gaps >= 0, missing[:, reference], missing[reference])
        certain = certain & ~counts
    close = _close(low, down, multiplier, error, draws.shape[1])
    close |= _close(high, up, multiplier, error, draws.shape[1])
    close[reference] = False
    return AgainstOne(
        low,
        high,
        np.where(certain, share_at_least(ordered, statistic), np.nan),
        multiplier,
        error,
        np.where(certain, share_error(ordered, statistic, 2), np.nan),
        close,
    )


def _close(
    limits: FloatArray, reach: FloatArray, multiplier: FloatArray | float, error: float, draws: int
) -> BoolArray:
    """Whether limits, each a gap and a multiple of a reach, lie within their error of 0."""
    spread = reach * np.hypot(error, multiplier * reach_share_error(2, draws))
    return np.asarray(np.isfinite(limits) & (np.abs(limits) < CLOSE * spread))


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
    p_error : ndarray, shape (models,)
        Monte Carlo standard error of `p_not_best`.
    too_close : ndarray of bool, shape (models,)
        Models whose verdict other draws could turn.
    """

    low: FloatArray
    high: FloatArray
    p_not_best: FloatArray
    multipliers: FloatArray
    p_error: FloatArray
    too_close: BoolArray


def against_best(
    values: FloatArray, draws: FloatArray, probability: float, missing: BoolArray | None = None
) -> AgainstBest:
    """Compare every model with the best of the others.

    Parameters
    ----------
    values : ndarray, shape (models,)
    draws : ndarray, shape (models, draws)
    probability : float
        That all limits hold at once.
    missing : ndarray of bool, shape (models, models), optional
        As in `all_pairs`: what is not covered by data rules nobody out, and is NaN.

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
    count, size = draws.shape
    reach = pair_reach(values, draws)
    deviations = values[:, np.newaxis] - draws
    multipliers, p_values, p_errors = np.zeros(count), np.ones(count), np.zeros(count)
    multiplier_errors = np.zeros(count)
    missing = np.zeros((count, count), dtype=bool) if missing is None else missing
    others = ~np.eye(count, dtype=bool)
    for model in range(count):
        # How far this model may lie above its estimate, seen from each other: reach[other, model].
        up = reach[:, model]
        maxima = np.sort(_largest(deviations - deviations[model], up))
        if up.any():
            multipliers[model] = np.quantile(maxima, probability)
            multiplier_errors[model] = quantile_error(maxima, probability)
        with np.errstate(divide="ignore", invalid="ignore"):
            behind = (values - values[model]) / up
        # The other is ahead of this model by its own lower limit.
        held = others[model] & (up > 0) & ~missing[:, model]
        if held.any():
            p_values[model] = share_at_least(maxima, behind[held].max())
            p_errors[model] = share_error(maxima, behind[held].max(), count)
    gaps = values[:, np.newaxis] - values
    above = np.where(others & ~missing.T, gaps + multipliers[:, np.newaxis] * reach.T, np.inf)
    high = np.maximum(0.0, above.min(axis=1)) if count > 1 else np.zeros(1)
    possible = above.min(axis=1) > 0
    # Held against every model that may be best, each with its own critical point.
    below = np.where(others & possible, gaps - multipliers * reach, np.inf)
    low = np.minimum(0.0, below.min(axis=1))
    low[(missing & others & possible).any(axis=1)] = np.nan
    low[possible & (possible.sum() == 1)] = 0.0
    high[np.isinf(high) & (count > 1)] = np.nan
    close = _close_to_best(above, reach, multipliers, multiplier_errors, size)
    return AgainstBest(low, high, p_values, multipliers, p_errors, close)


def _close_to_best(
    above: FloatArray,
    reach: FloatArray,
    multipliers: FloatArray,
    multiplier_errors: FloatArray,
    draws: int,
) -> BoolArray:
    """Models that other draws could let in among, or put out of, those that may be the best.

    `above` holds upper limits of how far the row lies above the column.
    """
    decides, least = above.argmin(axis=1), above.min(axis=1)
    close = np.zeros(len(above), dtype=bool)
    for row in np.flatnonzero(np.isfinite(least)):
        up, error = reach[decides[row], row], float(multiplier_errors[row])
        close[row] = _close(least[row], up, multipliers[row], error, draws)
    # The best is the best only as long as nobody else may be.
    possible = least > 0
    alone = ((possible | close).sum() > 1) & ((possible & ~close).sum() <= 1)
    return np.asarray(close | (possible & alone))
