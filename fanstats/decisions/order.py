"""Array kernels under every decision: who is ahead of whom, by joint maxima, and in what order.

Everything here takes plain arrays: `values` of shape ``(models,)`` are the estimates, `draws` of
shape ``(models, draws)`` their Monte Carlo draws, both on one scale (logarithms where models are
compared as ratios). Nothing knows of names, units or which way is better.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from fanstats._typing import BoolArray, FloatArray, IntArray

__all__ = [
    "CLOSE",
    "Joint",
    "alike_multiplier",
    "close_to_call",
    "has_heavy_tails",
    "joint_limits",
    "joint_maximum",
    "limit_error",
    "not_covered",
    "pair_reach",
    "pair_variances",
    "quasi_variances",
    "reach_share_error",
    "standard_uncertainty",
]

# Points of the standard normal one standard deviation below and above its mean.
ONE_SIGMA: Final = (float(ndtr(-1.0)), float(ndtr(1.0)))
# Standard deviation over half the central 68.27 % interval: 1 for a normal, 1.24 for Student's t
# with 4 degrees of freedom, 0.85 for a rectangle.
_HEAVY: Final = 1.25
# Up to so many pairs the one-sigma points of every difference are read off its draws.
_PAIRS_BY_POINTS: Final = 500
# Standard error of a one-sigma point of a normal, in standard deviations, times root draws:
# read off the draws, sqrt(p (1 - p)) / density; as mean less standard deviation, sqrt(1 + 1 / 2).
_POINT_ERROR: Final = math.sqrt(float(ndtr(-1.0) * ndtr(1.0)) * 2.0 * math.pi * math.e)
_MOMENT_ERROR: Final = math.sqrt(1.5)
# A limit within so many of its Monte Carlo standard errors of 0 may lie on the other side of it.
CLOSE: Final = 2.0
# Numbers held at a time in blocked loops.
_BLOCK: Final = 2**21
# A pair that differs by less than this share of the models' own scatter shares all its errors.
_NEGLIGIBLE: Final = 1e-7


class Joint(NamedTuple):
    """Simultaneous limits of all differences.

    Attributes
    ----------
    lower : ndarray, shape (models, models)
        Lower limit of ``true[i] - true[j]``; the upper one is ``-lower[j, i]``. Minus infinity
        where the draws hold no uncertainty to judge by, 0 on the diagonal.
    multiplier : float
        What the one-sigma reach of every difference was multiplied by.
    multiplier_error : float
        Its Monte Carlo standard error.
    lower_error : ndarray, shape (models, models)
        Monte Carlo standard error of `lower`: from the multiplier and from the reach that it
        multiplies, which is known from as many draws.
    """

    lower: FloatArray
    multiplier: float
    multiplier_error: float
    lower_error: FloatArray


def half_interval(draws: FloatArray) -> FloatArray:
    """Half the central 68.27 % interval along the last axis.

    Parameters
    ----------
    draws : ndarray, shape (..., draws)

    Returns
    -------
    ndarray, shape (...)
    """
    low, high = np.quantile(draws, ONE_SIGMA, axis=-1)
    return np.asarray((high - low) / 2.0, dtype=np.float64)


def has_heavy_tails(draws: FloatArray) -> BoolArray:
    """Whether the standard deviation says more about the tails than about the middle.

    Parameters
    ----------
    draws : ndarray, shape (..., draws)

    Returns
    -------
    ndarray of bool, shape (...)
    """
    return np.asarray(draws.std(axis=-1) > _HEAVY * half_interval(draws))


def standard_uncertainty(draws: FloatArray) -> float:
    """Give the standard uncertainty of a quantity from its draws.

    Parameters
    ----------
    draws : ndarray, shape (draws,)

    Returns
    -------
    float
        Their standard deviation (JCGM 101:2008, 7.6), or half the central 68.27 % interval where
        the tails are heavy: with Student's t of few degrees of freedom the standard deviation is
        ruled by a handful of draws.
    """
    if bool(has_heavy_tails(draws)):
        return float(half_interval(draws))
    return float(draws.std(ddof=1)) if draws.size > 1 else 0.0


def quantile_error(draws: FloatArray, probability: float) -> float:
    """Monte Carlo standard error of a quantile, from neighbouring order statistics.

    Parameters
    ----------
    draws : ndarray, shape (draws,)
    probability : float
        Which quantile.

    Returns
    -------
    float
        Half the distance of the quantiles one binomial standard error to either side.
    """
    step = math.sqrt(probability * (1.0 - probability) / draws.size)
    low, high = np.quantile(draws, np.clip([probability - step, probability + step], 0.0, 1.0))
    return float(high - low) / 2.0


def pair_variances(draws: FloatArray) -> FloatArray:
    """Variance of every difference of two models.

    Parameters
    ----------
    draws : ndarray, shape (models, draws)

    Returns
    -------
    ndarray, shape (models, models)
        What two models share cancels. Models with heavy-tailed draws are scaled first, so that
        their standard deviation is half the central 68.27 % interval.
    """
    centred = draws - draws.mean(axis=1, keepdims=True)
    # What all share is best seen in the models that are steady themselves.
    weights = np.ones(len(draws))
    weights[_maybe_heavy(centred)] = 0.0
    if not weights.any():
        weights[:] = 1.0
    centred -= weights @ centred / max(1.0, weights.sum())
    for model in _maybe_heavy(centred):
        middle, spread = float(half_interval(centred[model])), float(centred[model].std())
        if spread > _HEAVY * middle > 0:
            centred[model] *= middle / spread
    product = centred @ centred.T / max(1, draws.shape[1] - 1)
    own = np.diag(product)
    variances = np.maximum(0.0, own[:, np.newaxis] + own - 2.0 * product)
    np.fill_diagonal(variances, 0.0)
    return np.asarray(variances, dtype=np.float64)


def _maybe_heavy(centred: FloatArray) -> IntArray:
    """Models that may have heavy tails, by a few of their draws and with room for their error."""
    few = centred[:, :: max(1, centred.shape[1] // 1000)]
    spread = np.sqrt(np.einsum("md,md->m", centred, centred) / centred.shape[1])
    return np.flatnonzero(spread > 0.9 * _HEAVY * half_interval(few))


def pair_reach(
    values: FloatArray, draws: FloatArray, variances: FloatArray | None = None
) -> FloatArray:
    """How far each difference may fall below its estimate, at one standard deviation.

    Parameters
    ----------
    values : ndarray, shape (models,)
    draws : ndarray, shape (models, draws)
    variances : ndarray, shape (models, models), optional
        Those of `pair_variances`, if at hand.

    Returns
    -------
    ndarray, shape (models, models)
        ``reach[i, j]``: from ``values[i] - values[j]`` down to the 15.87 % point of the draws of
        that difference, so ``reach[j, i]`` is the way up to their 84.13 % point. At least half of
        half the interval between the two, for estimates that lie far to one side of their draws. 0
        where two models share all their errors.

    Notes
    -----
    With many pairs the points are taken as mean -/+ standard deviation: a skewness moves the mean,
    not those points against it (the second term of a Cornish-Fisher expansion vanishes there).
    The joint maximum is calibrated on the same draws whatever the reach is.
    """
    count = len(values)
    if count * (count - 1) // 2 > _PAIRS_BY_POINTS:
        offset = draws.mean(axis=1) - values
        half = np.sqrt(pair_variances(draws) if variances is None else variances)
        reach = half - (offset[:, np.newaxis] - offset)
    else:
        reach, half = _reach_by_points(values, draws)
    reach = np.maximum(reach, half / 2.0)
    typical = float(np.median(draws.std(axis=1))) if count else 0.0
    floor = _NEGLIGIBLE * typical + 1e-12 * float(np.abs(values).max(initial=0.0))
    return np.where(half <= floor, 0.0, reach)


def _reach_by_points(values: FloatArray, draws: FloatArray) -> tuple[FloatArray, FloatArray]:
    count = len(values)
    reach, half = np.zeros((count, count)), np.zeros((count, count))
    for first in range(count - 1):
        others = slice(first + 1, count)
        low, high = np.quantile(draws[first] - draws[others], ONE_SIGMA, axis=1)
        gap = values[first] - values[others]
        reach[first, others] = gap - low
        reach[others, first] = high - gap
        half[first, others] = half[others, first] = (high - low) / 2.0
    return reach, half


def joint_maximum(deviations: FloatArray, reach: FloatArray, *, kept: int = 8) -> FloatArray:
    """Largest standardised error of any difference, draw by draw.

    Parameters
    ----------
    deviations : ndarray, shape (models, draws)
        ``values - draws``, up to a constant common to all models of a draw.
    reach : ndarray, shape (models, models)
        What ``deviations[i] - deviations[j]`` is divided by; pairs with 0 are left out.
    kept : int
        How many models at either end are tried first in every draw.

    Returns
    -------
    ndarray, shape (draws,)
        The maximum over all ordered pairs, exactly.

    Notes
    -----
    With many models only those at the two ends of a draw are paired. If ``reach[i, j]**2`` is
    at least ``c**2 * (a[i]**2 + a[j]**2)`` everywhere, then by the Cauchy-Schwarz inequality no
    pair exceeds ``hypot(z[i], z[j]) / c`` with ``z = deviations / a``; draws in which a pair left
    out could still be the largest are done in full.
    """
    count, size = deviations.shape
    divisor = np.where(reach > 0, reach, np.inf)
    if count <= 4 * kept:
        return _maximum_in_full(deviations, divisor)
    own, bound = _ball(reach)
    if bound == 0.0:
        return _maximum_in_full(deviations, divisor)
    result = np.empty(size)
    step = max(1, _BLOCK // (4 * count))
    for start in range(0, size, step):
        block = deviations[:, start : start + step]
        centred = block - block.mean(axis=0)
        result[start : start + step] = _maximum_of_ends(centred, divisor, own, bound, kept)
    return result


def _ball(reach: FloatArray) -> tuple[FloatArray, float]:
    squares = np.square(np.minimum(reach, reach.T))
    own = quasi_variances(squares)
    own = np.maximum(own, 0.01 * max(float(np.median(own)), 1e-300))
    used = reach > 0
    ratios = squares[used] / (own[:, np.newaxis] + own)[used]
    return np.sqrt(own), math.sqrt(float(ratios.min())) if ratios.size else 0.0


def _maximum_of_ends(
    centred: FloatArray, divisor: FloatArray, own: FloatArray, bound: float, kept: int
) -> FloatArray:
    standardised = np.ascontiguousarray((centred / own[:, np.newaxis]).T)
    count = standardised.shape[1]
    order = np.argpartition(standardised, (kept, count - kept - 1), axis=1)
    low, high = order[:, :kept], order[:, count - kept :]
    rows = np.arange(len(order))
    above = centred[high, rows[:, np.newaxis]]
    below = centred[low, rows[:, np.newaxis]]
    pairs = divisor[high[:, :, np.newaxis], low[:, np.newaxis, :]]
    largest = ((above[:, :, np.newaxis] - below[:, np.newaxis, :]) / pairs).max(axis=(1, 2))

    next_high = standardised[rows, order[:, count - kept - 1]]
    next_low = -standardised[rows, order[:, kept]]
    top = np.maximum(0.0, np.take_along_axis(standardised, high, axis=1).max(axis=1))
    bottom = np.maximum(0.0, -np.take_along_axis(standardised, low, axis=1).min(axis=1))
    left_out = np.maximum(
        np.hypot(np.maximum(0.0, next_high), bottom), np.hypot(top, np.maximum(0.0, next_low))
    )
    unsure = left_out > largest * bound
    if unsure.any():
        largest[unsure] = _maximum_in_full(centred[:, unsure], divisor)
    return np.asarray(largest, dtype=np.float64)


def _maximum_in_full(deviations: FloatArray, divisor: FloatArray) -> FloatArray:
    count, size = deviations.shape
    largest = np.zeros(size)
    step = max(1, _BLOCK // max(1, count))
    for start in range(0, size, step):
        block = np.ascontiguousarray(deviations[:, start : start + step])
        for first in range(count):
            ratios = (block[first] - block) / divisor[first][:, np.newaxis]
            np.maximum(
                largest[start : start + step],
                ratios.max(axis=0),
                out=largest[start : start + step],
            )
    return largest


def joint_limits(
    values: FloatArray,
    draws: FloatArray,
    probability: float,
    variances: FloatArray | None = None,
) -> Joint:
    """Lower limits of all differences that hold together with the given probability.

    Parameters
    ----------
    values : ndarray, shape (models,)
    draws : ndarray, shape (models, draws)
    probability : float
        That all limits hold at once.
    variances : ndarray, shape (models, models), optional
        Those of `pair_variances`, if at hand.

    Returns
    -------
    Joint
        For two models the plain two-sided interval of their one difference.

    References
    ----------
    Hsu, J. C. (1996), Multiple Comparisons: Theory and Methods, chapter 5 (all pairs); the maximum
    is taken over the joint draws instead of a studentized range, so shared errors, unequal
    uncertainties and lopsided draws are covered.
    """
    count = len(values)
    gaps = values[:, np.newaxis] - values
    reach = pair_reach(values, draws, variances)
    if count == 2:
        return _plain_pair(gaps, reach, draws, probability)
    if not (reach > 0).any():
        multiplier, error = math.nan, math.nan
        lower = np.full_like(gaps, -np.inf)
    else:
        maxima = joint_maximum(values[:, np.newaxis] - draws, reach)
        multiplier = float(np.quantile(maxima, probability))
        error = quantile_error(maxima, probability)
        lower = np.where(reach > 0, gaps - multiplier * reach, -np.inf)
    np.fill_diagonal(lower, 0.0)
    return Joint(lower, multiplier, error, limit_error(reach, multiplier, error, draws.shape[1]))


def limit_error(
    reach: FloatArray, multiplier: float | FloatArray, multiplier_error: float, draws: int
) -> FloatArray:
    """Monte Carlo standard error of limits ``gap - multiplier * reach``.

    Parameters
    ----------
    reach : ndarray, shape (models, models)
        As `pair_reach` gives it.
    multiplier, multiplier_error : float
        The critical point and its Monte Carlo standard error.
    draws : int
        How many draws both stem from.

    Returns
    -------
    ndarray, shape (models, models)

    Notes
    -----
    Error of the multiplier and of the reach are added as if independent. At 10,000 draws the reach,
    known to 1.5 %, matters more than the multiplier, known to about 0.6 %.
    """
    half = (reach + reach.T) / 2.0
    point = reach_share_error(len(reach), draws)
    return np.hypot(multiplier_error * reach, multiplier * half * point)


def reach_share_error(models: int, draws: int) -> float:
    """Monte Carlo standard error of a reach, as a share of it.

    Parameters
    ----------
    models, draws : int
        How many models `pair_reach` was asked for, and from how many draws.

    Returns
    -------
    float
    """
    pairs = models * (models - 1) // 2
    return (_POINT_ERROR if pairs <= _PAIRS_BY_POINTS else _MOMENT_ERROR) / math.sqrt(draws)


def not_covered(low: BoolArray, high: BoolArray) -> BoolArray:
    """Which lower limits of differences rest on draws beyond the data.

    Parameters
    ----------
    low, high : ndarray of bool, shape (models,)
        Whether the low, the high end of a model's own range is not covered by data.

    Returns
    -------
    ndarray of bool, shape (models, models)
        The limit of ``true[i] - true[j]`` rests on the low end of `i` and the high end of `j`.
    """
    missing = low[:, np.newaxis] | high
    np.fill_diagonal(missing, val=False)
    return np.asarray(missing)


def close_to_call(lower: FloatArray, lower_error: FloatArray) -> BoolArray:
    """Pairs of which either limit lies so near 0 that other draws could turn the verdict.

    Parameters
    ----------
    lower, lower_error : ndarray, shape (models, models)
        As in `Joint`.

    Returns
    -------
    ndarray of bool, shape (models, models)
        Symmetric, False on the diagonal.
    """
    with np.errstate(invalid="ignore"):
        near = np.isfinite(lower) & (np.abs(lower) < CLOSE * lower_error)
    np.fill_diagonal(near, val=False)
    return np.asarray(near | near.T)


def _plain_pair(
    gaps: FloatArray, reach: FloatArray, draws: FloatArray, probability: float
) -> Joint:
    tails = ((1.0 - probability) / 2.0, (1.0 + probability) / 2.0)
    multiplier = float(ndtri(tails[1]))
    if not reach[0, 1] > 0:
        nothing = np.array([[0.0, -np.inf], [-np.inf, 0.0]])
        return Joint(nothing, multiplier, 0.0, np.zeros((2, 2)))
    difference = draws[0] - draws[1]
    low, high = np.quantile(difference, tails)
    # The critical difference is never below 0: a limit does not pass its own estimate.
    low, high = min(low, gaps[0, 1]), max(high, gaps[0, 1])
    errors = [quantile_error(difference, tail) for tail in tails]
    error = max(errors) / float(reach.max())
    ends = np.array([[0.0, low], [-high, 0.0]])
    return Joint(ends, multiplier, error, np.array([[0.0, errors[0]], [errors[1], 0.0]]))


def alike_multiplier(count: int, probability: float) -> float:
    """Multiplier of the standard uncertainty of a difference among models alike and independent.

    Parameters
    ----------
    count : int
        Number of models, at least 2.
    probability : float
        That all limits hold at once.

    Returns
    -------
    float
        The upper point of the range of `count` standard normals, over root 2.

    Examples
    --------
    >>> [round(alike_multiplier(count, 0.95), 2) for count in (2, 5, 10)]
    [1.96, 2.73, 3.16]
    """
    from scipy import stats  # slow to import, seldom needed

    return float(stats.studentized_range.ppf(probability, count, np.inf)) / math.sqrt(2.0)


def quasi_variances(variances: FloatArray) -> FloatArray:
    """Each model's own variance, such that two of them add up to the variance of a difference.

    Parameters
    ----------
    variances : ndarray, shape (models, models)
        Variances of the differences.

    Returns
    -------
    ndarray, shape (models,)
        Least-squares fit of ``v[i] + v[j]``; half the one variance for two models. A negative one
        means that the model's errors are tied to those of some others, not to all alike. NaN for a
        model that stands alone.

    References
    ----------
    Firth, D. and de Menezes, R. X. (2004), Quasi-variances, Biometrika 91(1), 65-80.

    Examples
    --------
    >>> quasi_variances(np.array([[0.0, 5.0, 10.0], [5.0, 0.0, 13.0], [10.0, 13.0, 0.0]]))
    array([1., 4., 9.])
    """
    count = len(variances)
    if count < 2:
        return np.full(count, np.nan)
    if count == 2:
        return np.full(2, variances[0, 1] / 2.0)
    sums = variances.sum(axis=1)
    return np.asarray((sums - sums.sum() / (2.0 * (count - 1))) / (count - 2), dtype=np.float64)
