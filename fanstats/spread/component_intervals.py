"""Intervals for variance components, which are sums and differences of mean squares."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from fanstats._arguments import fraction
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray

__all__ = ["component_interval", "satterthwaite_dof"]

# Below this share of what is taken off, chi-square probabilities follow their power law.
_SMALL: Final = 1e-9


def satterthwaite_dof(mean_squares: ArrayLike, dof: ArrayLike, weights: ArrayLike) -> float:
    """Give the degrees of freedom of a sum of mean squares.

    Parameters
    ----------
    mean_squares, dof, weights : array_like, shape (term,)
        Mean squares, their degrees of freedom, and how often each is counted.

    Returns
    -------
    float
        NaN where the sum is not above 0: then nothing is known of its size but an upper limit.

    References
    ----------
    Satterthwaite, Biometrics Bulletin 2 (1946) 110-114; JCGM 100:2008, G.4.

    Examples
    --------
    >>> satterthwaite_dof([1.0], [4], [1.0])
    4.0
    """
    parts = np.asarray(weights, dtype=np.float64) * np.asarray(mean_squares, dtype=np.float64)
    total = float(parts.sum())
    if not total > 0:
        return float("nan")
    shares = float(np.sum(parts**2 / np.asarray(dof, dtype=np.float64)))
    return total**2 / shares if shares > 0 else float("inf")


def component_interval(
    mean_squares: ArrayLike,
    dof: ArrayLike,
    weights: ArrayLike,
    *,
    probability: float = 0.95,
    known: float = 0.0,
) -> tuple[float, float]:
    """Give an interval for a weighted sum of expected mean squares, less a known variance.

    Parameters
    ----------
    mean_squares, dof, weights : array_like, shape (term,)
        Mean squares, their degrees of freedom, and how often each is counted; weights may be
        negative.
    probability : float
        Coverage probability, equal tails.
    known : float
        Variance known from elsewhere that is taken off.

    Returns
    -------
    low, high : float
        Ends of the interval for the variance, at least 0.

    Raises
    ------
    FanstatsError
        If arrays do not match, or a mean square has no degree of freedom.

    Notes
    -----
    One mean square: the exact interval by chi-square. Several: the modified large-sample
    interval, exact wherever all weight rests on one of them. A low end of 0 says that the
    component may be absent.

    Where the mean squares happen to lie below what is taken off, the exact upper end would be 0
    or less, which is no statement about the component. There the upper end never lies below
    that of the ratio rule: the value at which so small a mean square comes up ``tail`` times as
    often as it would without the component. It is above 0 whenever anything is taken off, covers
    at least as often as stated, and equals the exact end where the component stands out.

    References
    ----------
    Ting, Burdick, Graybill, Jeyaratnam and Lu, J. Statist. Comput. Simul. 35 (1990) 135-143;
    Burdick and Graybill, Confidence Intervals on Variance Components (1992), 3.3. Read, J. Phys. G
    28 (2002) 2693-2704 (the ratio rule).

    Examples
    --------
    >>> low, high = component_interval([1.0], [10], [1.0])
    >>> round(low, 4), round(high, 4)
    (0.4882, 3.0798)
    """
    squares, n, c = (np.asarray(each, dtype=np.float64) for each in (mean_squares, dof, weights))
    if not squares.shape == n.shape == c.shape or squares.ndim != 1:
        shapes = f"{squares.shape}, {n.shape}, {c.shape}"
        msg = f"Mean squares, dof and weights must be lists of one length; got {shapes}."
        raise FanstatsError(msg)
    if not (n > 0).all():
        msg = f"Every mean square needs degrees of freedom above 0; got {n.tolist()}."
        raise FanstatsError(msg)
    tail = (1.0 - fraction("probability", probability)) / 2.0
    used = c != 0
    squares, n, c = squares[used], n[used], c[used]
    total = float(c @ squares)
    if c.size == 0:
        return 0.0, 0.0
    low = total - np.sqrt(max(0.0, _spread_below(squares, n, c, tail)))
    high = total + np.sqrt(max(0.0, _spread_below(squares, n, -c, tail)))
    at_least = _upper_by_ratio(squares, n, c, known, tail)
    return max(0.0, float(low) - known), max(at_least, float(high) - known)


def _upper_by_ratio(
    squares: FloatArray, n: FloatArray, c: FloatArray, known: float, tail: float
) -> float:
    """Find the upper end by the ratio rule."""
    added = c > 0
    if not added.any():
        return 0.0
    total = float(c[added] @ squares[added])
    below = float(-c[~added] @ squares[~added])
    # A mean square that is taken off is itself uncertain, which the other formula knows of: it
    # is counted as known only where that formula has nothing more to say.
    taken_off = known + (below if total <= known + below else 0.0)
    if not taken_off > 0:
        return 0.0
    dof = satterthwaite_dof(squares[added], n[added], c[added]) if total > 0 else n[added].min()
    if total < _SMALL * taken_off:
        return float(taken_off * (tail ** (-2.0 / dof) - 1.0))
    without = special.chdtr(dof, dof * total / taken_off)
    wanted = special.chdtri(dof, 1.0 - tail * without)
    return max(0.0, float(dof * total / wanted) - taken_off)


def _spread_below(squares: FloatArray, n: FloatArray, c: FloatArray, tail: float) -> float:
    """Squared distance from the estimate down to the lower end.

    The upper end of a sum is the lower end of its negative, so one formula serves both.
    """
    plus, minus = c > 0, c < 0
    g = 1.0 - n / special.chdtri(n, tail)  # 1 - 1/F for infinite second degrees of freedom
    h = n / special.chdtri(n, 1.0 - tail) - 1.0
    parts = np.abs(c) * squares
    total = float(np.sum((g * parts)[plus] ** 2) + np.sum((h * parts)[minus] ** 2))
    for q in np.flatnonzero(plus):
        for r in np.flatnonzero(minus):
            f = special.fdtri(n[q], n[r], 1.0 - tail)
            cross = ((f - 1.0) ** 2 - g[q] ** 2 * f**2 - h[r] ** 2) / f
            total += float(cross * parts[q] * parts[r])
    return total + _among(parts, n, g, np.flatnonzero(plus), tail)


def _among(
    parts: FloatArray, n: FloatArray, g: FloatArray, places: np.ndarray, tail: float
) -> float:
    """Correct for several mean squares of one sign."""
    total = 0.0
    for first, q in enumerate(places):
        for t in places[first + 1 :]:
            both = n[q] + n[t]
            joint = (1.0 - both / special.chdtri(both, tail)) ** 2 * both**2 / (n[q] * n[t])
            cross = joint - g[q] ** 2 * n[q] / n[t] - g[t] ** 2 * n[t] / n[q]
            total += float(cross * parts[q] * parts[t]) / (len(places) - 1)
    return total
