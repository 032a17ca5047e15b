"""What the fan laws lead one to expect of each reading, from the other readings of its fan.

At one operating point speed, airflow and drive go together in proportion, and 50 dB of the fan
alone make one decade of speed. On logarithmic scales all columns of one fan are then one straight
sweep plus a constant of the column. Medians find sweep and constants although a few cells are
wrong; what a cell is off by is left over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from fanstats._typing import FloatArray, IntArray

__all__ = ["DECIBELS_A_DECADE", "Fit", "fit_sweeps", "medians"]

DECIBELS_A_DECADE: Final = 50.0  # of the fan alone; fitted slopes of 40 to 65 are met
_ROUNDS: Final = 10
_SLOPES: Final = (0.5, 2.0)
_LEVER: Final = 0.05  # decades from the middle of a sweep from which a step tells a slope


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """How far each cell lies from what its fan's other cells lead one to expect.

    Attributes
    ----------
    off : ndarray, shape (row, column)
        In decades; NaN where nothing was read.
    scatter : ndarray, shape (row, column)
        Usual size of that for the column of this fan, in decades (a median, so that a wrong cell
        does not raise it).
    steps : ndarray of int, shape (row, column)
        How many cells the column of this fan holds.
    beside : ndarray of int, shape (row,)
        How many columns were read in this row. With two, which of them is off cannot be told.
    """

    off: FloatArray
    scatter: FloatArray
    steps: IntArray
    beside: IntArray


def fit_sweeps(decades: FloatArray, fans: IntArray) -> Fit:
    """Fit one sweep a fan to all of its columns.

    Parameters
    ----------
    decades : ndarray, shape (row, column)
        Logarithms to the base 10, levels divided by 50 dB; NaN where nothing was read.
    fans : ndarray of int, shape (row,)
        Which fan a row belongs to, counted from 0.

    Returns
    -------
    Fit

    Notes
    -----
    Median polish (Tukey 1977) with a slope for each column, so that a fan that departs from the
    laws over its whole sweep is no surprise. Up to half the cells of a row, and of a column, may
    be wrong.

    Examples
    --------
    >>> lg = np.log10([[5.0, 500, 250], [7, 700, 350], [9, 9000, 450], [12, 1200, 600]])
    >>> abs(fit_sweeps(lg, np.zeros(4, dtype=int)).off.round(2)).tolist()[2]
    [0.0, 1.0, 0.0]
    """
    rows, columns = np.nonzero(np.isfinite(decades))
    cell = decades[rows, columns]
    own = fans[rows] * decades.shape[1] + columns
    constant, slope = medians(cell, own), np.ones(cell.size)
    sweep = np.zeros(cell.size)
    for turn in range(_ROUNDS):
        sweep = medians((cell - constant) / slope, rows)
        sweep = sweep - medians(sweep, fans[rows])
        if turn >= _ROUNDS // 2:
            slope = _slopes(cell - constant, sweep, own)
        constant = medians(cell - slope * sweep, own)
    left = cell - constant - slope * sweep
    off, scatter = np.full(decades.shape, np.nan), np.full(decades.shape, np.nan)
    off[rows, columns] = left
    scatter[rows, columns] = 1.4826 * medians(np.abs(left), own)
    steps = np.zeros(decades.shape, dtype=np.intp)
    steps[rows, columns] = np.bincount(own)[own] if own.size else 0
    beside = np.isfinite(decades).sum(axis=1)
    return Fit(off=off, scatter=scatter, steps=steps, beside=beside)


def medians(values: FloatArray, groups: IntArray) -> FloatArray:
    """Give each value the median of its group.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Numbers; NaN are passed over.
    groups : ndarray of int, shape (n,)
        Number of each value's group.

    Returns
    -------
    ndarray, shape (n,)
        NaN where a group holds no number.

    Examples
    --------
    >>> medians(np.array([1.0, 9.0, 2.0, np.nan]), np.array([0, 1, 0, 0])).tolist()
    [1.5, 9.0, 1.5, 1.5]
    """
    order = np.lexsort((values, groups))  # NaN come last within their group
    ranked, label = values[order], groups[order]
    first = np.flatnonzero(np.diff(label, prepend=-1))
    group = np.cumsum(np.diff(label, prepend=label[:1]) != 0)
    told = np.add.reduceat(np.isfinite(ranked), first, dtype=np.intp) if first.size else first
    low = first + np.maximum(told - 1, 0) // 2
    high = first + np.minimum(told // 2, np.maximum(told - 1, 0))
    middle = np.where(told > 0, (ranked[low] + ranked[high]) / 2.0, np.nan)
    medians = np.empty(values.shape)
    medians[order] = middle[group]
    return medians


def _slopes(rise: FloatArray, sweep: FloatArray, own: IntArray) -> FloatArray:
    """Give each cell the median slope of its column, 1 where too few steps can tell one."""
    far = np.abs(sweep) > _LEVER
    with np.errstate(divide="ignore", invalid="ignore"):
        each = np.where(far, rise / sweep, np.nan)
    slope = np.clip(medians(each, own), *_SLOPES)
    told = np.bincount(own, weights=far)[own] if own.size else far
    return np.where((told >= 3) & np.isfinite(slope), slope, 1.0)
