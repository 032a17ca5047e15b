"""Random effects of models: what draws say once models are seen as samples of one population.

With a flat view of the models' true values, "90 in 100 that this one is best" is not a hit rate:
the model on top of a chart is there partly by luck. Here the true values are taken as draws from
a normal population of unknown centre and spread, both estimated from the same chart.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from scipy.special import ndtr

from fanstats._typing import FloatArray

__all__ = [
    "FEWEST_FOR_CHANCES",
    "RandomEffects",
    "effects_draws",
    "effects_pair",
    "effects_pairs",
    "random_effects",
]

# From so many models on the spread between models can be estimated, and with it hit rates.
FEWEST_FOR_CHANCES: Final = 5
_NODES: Final = 500
# Normal probabilities evaluated at most for all pairs, unless there are too many pairs.
_EVALUATIONS: Final = 1_000_000
_FEWEST_NODES: Final = 32
# The grid ends where the likelihood has fallen to exp(-14), about a millionth, of its maximum.
_DROP: Final = 14.0


class RandomEffects(NamedTuple):
    """Posterior of the spread between models, on a grid, and what it does to each model.

    Attributes
    ----------
    values, variances : ndarray, shape (models,)
        The estimates and their own variances.
    tau : ndarray, shape (nodes,)
        Standard deviation of the models' true values.
    weights : ndarray, shape (nodes,)
        Posterior probability of each node; they add up to 1.
    """

    values: FloatArray
    variances: FloatArray
    tau: FloatArray
    weights: FloatArray


def random_effects(values: FloatArray, variances: FloatArray) -> RandomEffects:
    """Weigh how much of the spread of a chart is real.

    Parameters
    ----------
    values : ndarray, shape (models,)
        Estimates, at least three models.
    variances : ndarray, shape (models,)
        Their own variances, shared errors left out; 0 is allowed.

    Returns
    -------
    RandomEffects
        The centre is integrated out (restricted likelihood), `tau` flat on a midpoint grid.

    Notes
    -----
    Chances are hit rates over charts of all kinds, not within each kind. Where the true spread
    between models is as large as one model's own uncertainty or larger, calls stated at 90 % come
    true 90 to 93 times in 100; on charts of models that are nearly alike such calls are rare (2 to
    6 pairs in 100 at half to a third of it) and come true 72 to 87 times in 100. A flat view of the
    true values does worse: about 65 at a third.

    References
    ----------
    Gelman, A., Carlin, J. B., Stern, H. S. et al. (2013), Bayesian Data Analysis, 3rd ed., 5.4
    (normal hierarchical model with a flat prior on tau, equations 5.17 to 5.21).
    """
    scale = max(float(values.std(ddof=1)), math.sqrt(float(variances.mean())))
    if scale == 0.0:
        return RandomEffects(values, variances, np.ones(1), np.ones(1))
    coarse = np.asarray(scale * np.geomspace(1e-4, 1e4, 400), dtype=np.float64)
    likelihood = _log_likelihood(coarse, values, variances)
    reached = coarse[likelihood > likelihood.max() - _DROP]
    end = 1.05 * float(reached.max())
    tau = np.asarray((np.arange(_NODES) + 0.5) * (end / _NODES), dtype=np.float64)
    likelihood = _log_likelihood(tau, values, variances)
    weights = np.exp(likelihood - likelihood.max())
    kept = weights > 1e-9
    return RandomEffects(values, variances, tau[kept], weights[kept] / weights[kept].sum())


def _log_likelihood(tau: FloatArray, values: FloatArray, variances: FloatArray) -> FloatArray:
    precision = 1.0 / (np.square(tau)[:, np.newaxis] + variances)
    total = precision.sum(axis=1)
    centre = precision @ values / total
    squares = (precision * np.square(values - centre[:, np.newaxis])).sum(axis=1)
    log_likelihood = np.log(precision).sum(axis=1) - np.log(total) - squares
    return np.asarray(log_likelihood / 2.0, dtype=np.float64)


class _Shrunk(NamedTuple):
    centre: FloatArray  # (nodes,)
    centre_variance: FloatArray  # (nodes,)
    weight: FloatArray  # (nodes, models): how much of a model's own estimate is kept


def _shrink(effects: RandomEffects, tau: FloatArray) -> _Shrunk:
    square = np.square(tau)[:, np.newaxis]
    precision = 1.0 / (square + effects.variances)
    total = precision.sum(axis=1)
    return _Shrunk(precision @ effects.values / total, 1.0 / total, square * precision)


def _nodes(effects: RandomEffects, wanted: int) -> tuple[FloatArray, FloatArray]:
    """Give at most `wanted` nodes of equal probability that stand for the posterior of tau."""
    if len(effects.tau) <= wanted:
        return effects.tau, effects.weights
    positions = (np.arange(wanted) + 0.5) / wanted
    upper = effects.weights.cumsum()
    middles = upper - effects.weights / 2.0
    return np.interp(positions, middles, effects.tau), np.full(wanted, 1.0 / wanted)


def effects_draws(
    effects: RandomEffects, order: FloatArray, centre: FloatArray, own: FloatArray
) -> FloatArray:
    """Draws of the models' true values.

    Parameters
    ----------
    effects : RandomEffects
    order : ndarray, shape (draws,)
        Random numbers whose order decides which draw gets which `tau`.
    centre : ndarray, shape (draws,)
        Standard normal numbers for the centre.
    own : ndarray, shape (models, draws)
        Standard normal numbers, one stream a model. Overwritten with the result.

    Returns
    -------
    ndarray, shape (models, draws)
        `own`, now ``N(c + B (y - c), B v)`` with ``B = tau**2 / (tau**2 + v)``.
    """
    size = len(order)
    place = np.empty(size)
    place[np.argsort(order, kind="stable")] = (np.arange(size) + 0.5) / size
    drawn = effects.tau[
        np.searchsorted(effects.weights.cumsum(), place).clip(max=len(effects.tau) - 1)
    ]
    nodes, inverse = np.unique(drawn, return_inverse=True)
    shrunk = _shrink(effects, nodes)
    centres = shrunk.centre[inverse] + centre * np.sqrt(shrunk.centre_variance)[inverse]
    for model, (value, variance) in enumerate(zip(effects.values, effects.variances, strict=True)):
        kept = shrunk.weight[:, model][inverse]
        own[model] *= np.sqrt(kept * variance)
        own[model] += centres + kept * (value - centres)
    return own


def effects_pair(
    effects: RandomEffects, first: int, second: int, offsets: FloatArray | None = None
) -> float:
    """Probability that one model's true value lies above another's.

    Parameters
    ----------
    effects : RandomEffects
    first, second : int
        Places of the two in `values`.
    offsets : ndarray, shape (draws,), optional
        Draws of what is added to the difference, such as the luck of two bought samples.

    Returns
    -------
    float
        Integrated over `tau`, the centre and the two models in closed form, over `offsets` by
        their draws.
    """
    tau, weights = _nodes(effects, _NODES if offsets is None else 2 * _FEWEST_NODES)
    mean, deviation = _pair_normal(effects, _shrink(effects, tau), first, second)
    added = np.zeros(1) if offsets is None else offsets
    above = _normal_above(mean[:, np.newaxis] + added, deviation[:, np.newaxis])
    return min(1.0, float(weights @ above.mean(axis=1)))


def effects_pairs(effects: RandomEffects) -> FloatArray:
    """Probability that the row's true value lies above the column's.

    Parameters
    ----------
    effects : RandomEffects

    Returns
    -------
    ndarray, shape (models, models)
        NaN on the diagonal.
    """
    count = len(effects.values)
    first, second = np.triu_indices(count, 1)
    affordable = _EVALUATIONS // max(1, first.size)
    tau, weights = _nodes(effects, min(_NODES, max(_FEWEST_NODES, affordable)))
    shrunk = _shrink(effects, tau)
    above = np.zeros(first.size)
    step = max(1, _EVALUATIONS // max(1, first.size))
    for start in range(0, len(tau), step):
        nodes = slice(start, start + step)
        some = _Shrunk(*(part[nodes] for part in shrunk))
        mean, deviation = _pair_normal(effects, some, first, second)
        above += weights[nodes] @ _normal_above(mean, deviation)
    above = np.minimum(above, 1.0)
    chances = np.full((count, count), np.nan)
    chances[first, second] = above
    chances[second, first] = 1.0 - above
    return chances


def _pair_normal(
    effects: RandomEffects, shrunk: _Shrunk, first: int | np.ndarray, second: int | np.ndarray
) -> tuple[FloatArray, FloatArray]:
    kept_first, kept_second = shrunk.weight[:, first], shrunk.weight[:, second]
    centre, uncertain = shrunk.centre, shrunk.centre_variance
    if kept_first.ndim > 1:
        centre, uncertain = centre[:, np.newaxis], uncertain[:, np.newaxis]
    mean = (
        kept_first * effects.values[first]
        - kept_second * effects.values[second]
        - (kept_first - kept_second) * centre
    )
    variance = (
        kept_first * effects.variances[first]
        + kept_second * effects.variances[second]
        + np.square(kept_first - kept_second) * uncertain
    )
    return mean, np.sqrt(variance)


def _normal_above(mean: FloatArray, deviation: FloatArray) -> FloatArray:
    """Probability that a normal lies above 0; a normal without width counts half at 0."""
    wide = deviation > 0
    ratio = np.divide(
        mean, deviation, out=np.zeros(np.broadcast(mean, deviation).shape), where=wide
    )
    return np.asarray(
        np.where(wide, ndtr(ratio), np.where(mean > 0, 1.0, np.where(mean < 0, 0.0, 0.5))),
        dtype=np.float64,
    )
