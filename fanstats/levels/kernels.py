"""Sums, means and differences of levels by energy, on float64 arrays alone.

The engine calls these with draws; nothing here checks its input, knows labels or loops.
Everything works on differences of levels, so no level is too high or too low for it.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from fanstats._typing import BoolArray, FloatArray

__all__ = ["FLOOR", "add_levels", "energy_level", "energy_weights", "subtract_levels"]

DB: Final = 10.0 / math.log(10.0)
"""Decibels to one unit of the natural logarithm of an energy ratio."""

FLOOR: Final = 0.2
"""Decibels above the background below which a corrected level is no reading any more.

At 0.2 dB the corrected level moves 22 dB for each dB of the total.
"""

Axis = int | tuple[int, ...] | None


def energy_level(
    levels: FloatArray, axis: Axis = None, *, weights: FloatArray | None = None, mean: bool
) -> FloatArray:
    """Add or average levels by energy along axes.

    Parameters
    ----------
    levels : ndarray
        Levels in dB. ``-inf`` is silence, NaN spoils its own sum.
    axis : int or tuple of int, optional
        Axes to go over; all of them by default.
    weights : ndarray, optional
        Weights of the energies, broadcastable to `levels`; those of weight 0 play no part.
    mean : bool
        True for the mean, ISO 3744:2010 Eq. 12 (weighted: as for time shares), False for the sum.

    Returns
    -------
    ndarray
        Levels in dB, 0-dimensional where every axis is gone. NaN where all weights are 0.

    Examples
    --------
    >>> float(energy_level(np.array([62.0, 73.0]), mean=False).round(2))
    73.33
    """
    if weights is not None:
        levels = np.where(weights > 0, levels, -np.inf)
    top = np.max(levels, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    energies = np.exp((levels - top) / DB)
    if weights is not None:
        energies *= weights
    total = np.sum(energies, axis=axis)
    with np.errstate(divide="ignore", invalid="ignore"):  # silence is -inf, no reading is NaN
        if mean:
            ones = np.ones(()) if weights is None else weights
            total = total / np.sum(np.broadcast_to(ones, levels.shape), axis=axis)
        return np.asarray(np.squeeze(top, axis=axis) + DB * np.log(total))


def energy_weights(
    levels: FloatArray, axis: Axis = None, *, weights: FloatArray | None = None
) -> FloatArray:
    """Give each level's share of the energy, which is its sensitivity in a sum or mean.

    Parameters
    ----------
    levels, axis, weights
        As in `energy_level`.

    Returns
    -------
    ndarray
        Same shape as `levels`; the shares along `axis` add up to 1.

    Examples
    --------
    >>> energy_weights(np.array([30.0, 40.0])).round(4).tolist()
    [0.0909, 0.9091]
    """
    if weights is not None:
        levels = np.where(weights > 0, levels, -np.inf)
    energies = np.exp((levels - np.max(levels, axis=axis, keepdims=True)) / DB)
    if weights is not None:
        energies *= weights
    return np.asarray(energies / np.sum(energies, axis=axis, keepdims=True))


def add_levels(a: FloatArray, b: FloatArray, out: FloatArray | None = None) -> FloatArray:
    """Add levels by energy, element by element.

    Parameters
    ----------
    a, b : ndarray
        Finite levels in dB (NaN stays NaN), broadcastable against each other.
    out : ndarray, optional
        Where to put the result: not `a` or `b`.

    Returns
    -------
    ndarray

    Examples
    --------
    >>> add_levels(np.array([80.0, 40.0]), np.array([85.0, 45.0])).round(2).tolist()
    [86.19, 46.19]
    """
    result = np.asarray(np.subtract(a, b, out=out))
    np.abs(result, out=result)
    result /= -DB
    np.exp(result, out=result)
    result += 1.0
    np.log(result, out=result)
    result *= DB
    result += np.maximum(a, b)
    return result


def subtract_levels(
    total: FloatArray,
    background: FloatArray,
    *,
    floor: float = FLOOR,
    out: FloatArray | None = None,
) -> tuple[FloatArray, BoolArray]:
    """Take the background off the total by energy, element by element.

    Parameters
    ----------
    total, background : ndarray
        Finite levels in dB (NaN stays NaN), broadcastable against each other.
    floor : float
        A total less than this many dB above its background is set there. Above 0.
    out : ndarray, optional
        Where to put the level: not `total` or `background`.

    Returns
    -------
    level : ndarray
        Level of the source alone.
    held : ndarray of bool
        Where the total was set to the floor; False where something is NaN.

    References
    ----------
    ISO 3744:2010, Eq. 16: ``level = total + 10 lg(1 - 10^(-0.1 (total - background)))``.

    Examples
    --------
    >>> level, held = subtract_levels(np.array([93.0, 88.0]), np.array([89.0, 89.0]))
    >>> level.round(2).tolist(), held.tolist()
    ([90.8, 75.73], [False, True])
    """
    result = np.asarray(np.subtract(total, background, out=out))
    held = np.asarray(result < floor)
    np.maximum(result, floor, out=result)
    # with g the gap: total + DB ln(1 - e^(-g/DB)) = background + g + DB ln(1 - e^(-g/DB)), which
    # also serves those held at the floor
    correction = np.asarray(np.exp(result / -DB))
    np.subtract(1.0, correction, out=correction)
    np.log(correction, out=correction)
    correction *= DB
    result += correction
    result += background
    return result, held
