"""Power and number of units: how likely a gap of a stated size is to be called.

The difference ``d`` of two models' mean results has a standard error built of what further
units reduce and of a floor that they do not::

    s_e^2 = (spread^2 + measurement^2) (1/n_1 + 1/n_2) + floor^2

A lead is claimed when ``|d| > c s_e`` with `c` from `critical_value`. With the spread known, d
is normal; with it estimated, ``d / s_e`` is noncentral t, the degrees of freedom being those
behind the spread (where a known floor is added, the effective ones of JCGM 100:2008, G.4.1).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy import stats

from fanstats._typing import FloatArray

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

__all__ = [
    "critical_value",
    "effective_dof",
    "power",
    "power_believed",
    "power_continuing",
    "smallest_whole",
    "standard_error",
]

Sides = Literal[1, 2]
# Beyond this many units of one model no plan for a bench is meant seriously.
MOST_UNITS: Final = 1_000_000


def critical_value(
    alpha: float, *, dof: ArrayLike = math.inf, sides: Sides = 2, models: int = 2
) -> FloatArray:
    """Give the number of standard errors beyond which a difference is claimed.

    Parameters
    ----------
    alpha : float
        Chance of any claim when all models are alike.
    dof : array_like
        Degrees of freedom behind the standard error; infinite where it is known.
    sides : {1, 2}
        Whether one direction only is looked at. With more than two models always both.
    models : int
        Number of like models the pair was picked from: 2 for a pair named before testing.

    Returns
    -------
    ndarray
        Same shape as `dof`.

    Notes
    -----
    For a pair picked out of several like models this is the studentized range over the square
    root of 2 (Tukey-Kramer).

    Examples
    --------
    >>> critical_value(0.05).round(2), critical_value(0.05, models=10).round(2)
    (np.float64(1.96), np.float64(3.16))
    """
    degrees = np.asarray(dof, dtype=np.float64)
    if models > 2:
        range_point = stats.studentized_range.isf(alpha, models, degrees)
        return np.asarray(range_point / math.sqrt(2.0))[()]
    return np.asarray(stats.t.isf(alpha / sides, degrees))[()]


def standard_error(
    spread: ArrayLike,
    n_first: ArrayLike,
    n_second: ArrayLike,
    *,
    measurement: ArrayLike = 0.0,
    floor: ArrayLike = 0.0,
) -> FloatArray:
    """Give the standard error of the difference of two models' means.

    Parameters
    ----------
    spread : array_like
        Standard deviation from unit to unit.
    n_first, n_second : array_like
        Units of each model.
    measurement : array_like
        Standard uncertainty with which one unit is measured, new with each unit.
    floor : array_like
        Standard uncertainty of the difference that no further unit reduces: the errors that
        belong to a model.

    Returns
    -------
    ndarray
        Broadcast shape of all.

    Examples
    --------
    >>> standard_error(0.8, 1, 1).round(4)
    np.float64(1.1314)
    """
    one_unit = np.square(spread) + np.square(measurement)
    shared = one_unit * (
        1.0 / np.asarray(n_first, dtype=np.float64) + 1.0 / np.asarray(n_second, dtype=np.float64)
    )
    return np.asarray(np.sqrt(shared + np.square(floor)))[()]


def effective_dof(variances: ArrayLike, dof: ArrayLike) -> FloatArray:
    """Combine degrees of freedom of independent parts of a variance (Welch-Satterthwaite).

    Parameters
    ----------
    variances : array_like, shape (..., parts)
        The parts.
    dof : array_like, shape (..., parts)
        Degrees of freedom of each; infinite for a part that is known.

    Returns
    -------
    ndarray, shape (...)

    References
    ----------
    JCGM 100:2008, G.4.1, equation (G.2b).

    Examples
    --------
    >>> effective_dof([1.0, 1.0], [4.0, 4.0])
    np.float64(8.0)
    """
    parts = np.asarray(variances, dtype=np.float64)
    total = np.square(parts.sum(axis=-1))
    loss = (np.square(parts) / np.asarray(dof, dtype=np.float64)).sum(axis=-1)
    # A part of any size must not round to no information at all.
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(loss > 0, total / loss, np.inf))[()]


def power(
    gap: ArrayLike,
    standard_error: ArrayLike,
    *,
    critical: ArrayLike,
    dof: ArrayLike = math.inf,
    sides: Sides = 2,
) -> FloatArray:
    """Give the chance that a true gap leads to a claim.

    Parameters
    ----------
    gap : array_like
        True difference.
    standard_error : array_like
        True standard error of the measured difference, above 0.
    critical : array_like
        Standard errors beyond which a claim is made, from `critical_value`.
    dof : array_like
        Degrees of freedom with which the standard error will be estimated.
    sides : {1, 2}
        With 2, claims in either direction count, as in published power tables; at any power
        worth planning for, the wrong one adds nothing visible.

    Returns
    -------
    ndarray
        Broadcast shape of all.

    Examples
    --------
    >>> power(1.0, standard_error(0.8, 12, 12), critical=critical_value(0.05, dof=22),
    ...       dof=22).round(4)
    np.float64(0.8329)
    """
    shift, c, degrees = np.broadcast_arrays(
        np.asarray(gap, dtype=np.float64) / np.asarray(standard_error, dtype=np.float64),
        np.asarray(critical, dtype=np.float64),
        np.asarray(dof, dtype=np.float64),
    )
    chance = _t_above(c, degrees, shift)
    if sides == 2:
        chance = chance + _t_above(c, degrees, -shift)
    return np.clip(chance, 0.0, 1.0)[()]


def _t_above(c: FloatArray, dof: FloatArray, shift: FloatArray) -> FloatArray:
    """P(T > c) of a noncentral t, normal where the degrees of freedom are infinite."""
    known = np.isinf(dof)
    usual = np.where(known, 1.0, dof)
    # scipy loses the tails below 1e-16, some as NaN: there the chance is 0 or 1 to all digits.
    noncentral = stats.nct.sf(c, usual, shift)
    noncentral = np.where(np.isnan(noncentral), (shift > c).astype(np.float64), noncentral)
    return np.asarray(np.where(known, stats.norm.sf(c - shift), noncentral))


def power_believed(
    mean: ArrayLike,
    sd: ArrayLike,
    standard_error: ArrayLike,
    *,
    critical: ArrayLike,
    dof: ArrayLike = math.inf,
    sides: Sides = 2,
) -> FloatArray:
    """Average the power of fresh data over a normal belief about the true gap (assurance).

    Parameters
    ----------
    mean, sd : array_like
        What is believed about the true gap.
    standard_error, critical, dof, sides
        As in `power`.

    Returns
    -------
    ndarray
        Chance that a lead will be claimed.

    Notes
    -----
    Exact, without integration: given the estimated scale, the measured difference is normal
    with variance ``sd^2 + s_e^2``; the claim stays a noncentral t in those units. The data must
    be fresh: for units that also made the belief use `power_continuing`.

    References
    ----------
    O'Hagan, Stevens and Campbell (2005), Pharmaceutical Statistics 4, 187-201.

    Examples
    --------
    >>> power_believed(1.0, 0.5, 0.4, critical=1.96).round(4)
    np.float64(0.6347)
    """
    error = np.asarray(standard_error, dtype=np.float64)
    total = np.hypot(error, sd)
    scaled = np.asarray(critical, dtype=np.float64) * error / total
    return power(mean, total, critical=scaled, dof=dof, sides=sides)


def power_continuing(
    gap_now: ArrayLike,
    variance_now: ArrayLike,
    variance_final: ArrayLike,
    *,
    critical: ArrayLike,
) -> FloatArray:
    """Give the chance that a lead will be claimed once further units join those tested.

    Parameters
    ----------
    gap_now : array_like
        Difference measured so far.
    variance_now, variance_final : array_like
        Variance of the measured difference now and with the further units.
    critical : array_like
        Standard errors beyond which a claim is made.

    Returns
    -------
    ndarray
        Chance, with a flat view of the true gap before the first unit.

    Notes
    -----
    The final difference is then normal about the present one with variance ``variance_now -
    variance_final``: the errors that stay (floor) never move it. The spread is taken as known.

    References
    ----------
    Spiegelhalter, Freedman and Blackburn (1986), Controlled Clinical Trials 7, 8-17 (predictive
    power).

    Examples
    --------
    >>> power_continuing(1.5, 1.28, 0.32, critical=1.96).round(4)
    np.float64(0.6591)
    """
    now, final = np.broadcast_arrays(
        np.asarray(variance_now, dtype=np.float64), np.asarray(variance_final, dtype=np.float64)
    )
    moves = np.sqrt(np.maximum(now - final, 0.0))
    limit = np.asarray(critical, dtype=np.float64) * np.sqrt(final)
    d = np.abs(np.asarray(gap_now, dtype=np.float64))
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = stats.norm.cdf((d - limit) / moves) + stats.norm.cdf((-d - limit) / moves)
    return np.asarray(np.where(moves > 0, chance, (d > limit).astype(np.float64)))[()]


def smallest_whole(
    reached: Callable[[int], bool], first: int, most: int = MOST_UNITS
) -> int | None:
    """Find the smallest whole number from `first` on at which a rising condition holds.

    Parameters
    ----------
    reached : callable
        False up to some number, true from there on.
    first, most : int
        Where to start and where to give up.

    Returns
    -------
    int or None
        None if not even `most` will do.

    Examples
    --------
    >>> smallest_whole(lambda n: n * n >= 50, 2)
    8
    """
    low, high = first - 1, first
    while not reached(high):
        low, high = high, min(max(2 * high, high + 1), most)
        if low == high:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high
