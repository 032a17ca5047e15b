"""Array kernels for ranks: of values, draw by draw, and how likely each rank is.

As in `fanstats.decisions.order`: draws of shape ``(models, draws)`` on one scale, larger being
better. Nothing knows of names, units or which way is better.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from fanstats._typing import FloatArray, IntArray

__all__ = [
    "mean_ranks",
    "place_interval",
    "rank_probabilities",
    "ranks_from_draws",
    "share_above",
]

# Numbers held at a time in blocked loops.
_BLOCK: Final = 2**21


def share_above(first: FloatArray, second: FloatArray) -> float:
    """Share of draws in which the first is above the second, ties counted half.

    Parameters
    ----------
    first, second : ndarray, shape (draws,)

    Returns
    -------
    float
    """
    above = np.count_nonzero(first > second)
    return float(above + 0.5 * np.count_nonzero(first == second)) / first.size


def mean_ranks(values: FloatArray) -> FloatArray:
    """Rank of every value, 1 for the largest; ties share the mean of the ranks they occupy.

    Parameters
    ----------
    values : ndarray, shape (models,)

    Returns
    -------
    ndarray, shape (models,)

    Examples
    --------
    >>> mean_ranks(np.array([31.2, 32.0, 31.2]))
    array([2.5, 1. , 2.5])
    """
    ordered = np.sort(-values)
    first = np.searchsorted(ordered, -values, side="left")
    last = np.searchsorted(ordered, -values, side="right")
    return np.asarray((first + last + 1) / 2.0, dtype=np.float64)


def ranks_from_draws(draws: FloatArray) -> NDArray[np.int32]:
    """Rank of every model in every draw, 1 for the largest; ties in the order of the models.

    Parameters
    ----------
    draws : ndarray, shape (models, draws)

    Returns
    -------
    ndarray of int32, shape (models, draws)
    """
    count, size = draws.shape
    ranks = np.empty((count, size), dtype=np.int32)
    step = max(1, _BLOCK // max(1, count))
    places = np.arange(1, count + 1, dtype=np.int32)[:, np.newaxis]
    for start in range(0, size, step):
        block = slice(start, start + step)
        order = np.argsort(-draws[:, block], axis=0, kind="stable")
        np.put_along_axis(ranks[:, block], order, places, axis=0)
    return ranks


def rank_probabilities(draws: FloatArray) -> FloatArray:
    """Probability of every rank for every model, rank 1 for the largest.

    Parameters
    ----------
    draws : ndarray, shape (models, draws)

    Returns
    -------
    ndarray, shape (models, ranks)
        Rows and columns add up to 1; models that tie share the ranks they occupy.
    """
    count, size = draws.shape
    counts = np.zeros((count, count))
    step = max(1, _BLOCK // max(1, count))
    for start in range(0, size, step):
        block = draws[:, start : start + step]
        order = np.argsort(-block, axis=0)
        ordered = np.take_along_axis(block, order, axis=0)
        tied = (ordered[1:] == ordered[:-1]).any(axis=0)
        if tied.any():
            counts += _shared_ranks(block[:, tied])
            order = order[:, ~tied]
        for place in range(count):
            counts[:, place] += np.bincount(order[place], minlength=count)
    return np.asarray(counts / size, dtype=np.float64)


def _shared_ranks(draws: FloatArray) -> FloatArray:
    from scipy import stats  # slow to import, seldom needed

    count = len(draws)
    first = stats.rankdata(-draws, method="min", axis=0).astype(np.intp) - 1
    last = stats.rankdata(-draws, method="max", axis=0).astype(np.intp)
    weight = 1.0 / (last - first)
    steps = np.zeros((count, count + 1))
    rows = np.broadcast_to(np.arange(count)[:, np.newaxis], first.shape)
    np.add.at(steps, (rows, first), weight)
    np.add.at(steps, (rows, last), -weight)
    return np.asarray(steps.cumsum(axis=1)[:, :count], dtype=np.float64)


def place_interval(probabilities: FloatArray, probability: float) -> tuple[IntArray, IntArray]:
    """Smallest and largest rank of the central interval of the given probability.

    Parameters
    ----------
    probabilities : ndarray, shape (models, ranks)
    probability : float
        That a model's rank lies within; more than asked, as ranks are whole numbers.

    Returns
    -------
    low, high : ndarray of int, shape (models,)
    """
    cumulative = probabilities.cumsum(axis=1)
    if not cumulative.size:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    tail = (1.0 - probability) / 2.0
    low = (cumulative > tail + 1e-12).argmax(axis=1) + 1
    high = (cumulative >= 1.0 - tail - 1e-12).argmax(axis=1) + 1
    return np.asarray(low, dtype=np.intp), np.asarray(high, dtype=np.intp)
