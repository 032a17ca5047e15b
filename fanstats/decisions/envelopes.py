"""Array kernels for ranges along a curve: point by point, and over the whole curve at once.

`values` of shape ``(points,)`` are estimates along one curve, `draws` of shape ``(points, draws)``
their Monte Carlo draws, `shares` of shape ``(2, points)`` the shares of draws that lie below and
above what the data cover.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from fanstats._typing import BoolArray, FloatArray
from fanstats.decisions.order import ONE_SIGMA, quantile_error

__all__ = ["Envelope", "envelope", "largest_deviation"]


class Envelope(NamedTuple):
    """Ranges along one curve; NaN where the data do not cover an end.

    Attributes
    ----------
    pointwise, simultaneous : ndarray, shape (points, 2)
        Lower and upper ends: each right at its own point, or all right at once.
    multiplier, multiplier_error : float
        What the one-sigma reach of every point was multiplied by for the simultaneous ends, and
        its Monte Carlo standard error; NaN where there is nothing to judge.
    """

    pointwise: FloatArray
    simultaneous: FloatArray
    multiplier: float
    multiplier_error: float


def envelope(
    values: FloatArray, draws: FloatArray, shares: FloatArray, probability: float
) -> Envelope:
    """Give the pointwise and the simultaneous ranges along one curve.

    Parameters
    ----------
    values : ndarray, shape (points,)
        NaN where there is no estimate.
    draws : ndarray, shape (points, draws)
    shares : ndarray, shape (2, points)
        Shares of draws below and above what the data cover.
    probability : float
        Of each point's own range, and that all simultaneous ends hold at once.

    Returns
    -------
    Envelope
        Both ranges contain the value, and the simultaneous one the pointwise one.

    Notes
    -----
    The simultaneous band is the sup-t band of the draws: how far each draw lies from the estimate,
    in units of the reach to the 15.87 % or 84.13 % point on that side, at its worst point. An end
    stands only where fewer draws lie beyond the data than beyond that end.

    References
    ----------
    Montiel Olea, J. L. and Plagborg-Moller, M. (2019), Simultaneous confidence bands: theory,
    implementation, and an application to SVARs, Journal of Applied Econometrics 34, 1-17.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> along = rng.normal(size=(5, 20_000))
    >>> found = envelope(np.zeros(5), along, np.zeros((2, 5)), 0.95)
    >>> bool(found.multiplier > 2.4)  # 1.96 at one point, 2.57 at five that go their own ways
    True
    """
    tail = (1.0 - probability) / 2.0
    pointwise, joint = np.full((len(values), 2), np.nan), np.full((len(values), 2), np.nan)
    here = np.flatnonzero(np.isfinite(values) & np.isfinite(draws).all(axis=-1))
    if here.size == 0:
        return Envelope(pointwise, joint, np.nan, np.nan)
    value, own = values[here], draws[here]
    points = np.quantile(own, (tail, *ONE_SIGMA, 1.0 - tail), axis=-1)
    pointwise[here, 0] = np.minimum(points[0], value)
    pointwise[here, 1] = np.maximum(points[3], value)
    reach = np.stack([value - points[1], points[2] - value])
    reach = np.maximum(reach, (points[2] - points[1]) / 4.0)
    covered: BoolArray = shares[:, here] <= tail
    multiplier, error = _multiplier(value, own, reach, covered, probability)
    # A simultaneous end lies further out: it must not rest on draws beyond the data either.
    held = covered & (shares[:, here] <= ndtr(-multiplier)) if np.isfinite(multiplier) else covered
    if (held != covered).any():
        multiplier, error = _multiplier(value, own, reach, held, probability)
    stretched = np.nan_to_num(multiplier)
    joint[here, 0] = np.minimum(value - stretched * reach[0], pointwise[here, 0])
    joint[here, 1] = np.maximum(value + stretched * reach[1], pointwise[here, 1])
    for side in (0, 1):
        pointwise[here[~covered[side]], side] = np.nan
        joint[here[~held[side]], side] = np.nan
    return Envelope(pointwise, joint, multiplier, error)


def _multiplier(
    value: FloatArray, draws: FloatArray, reach: FloatArray, used: BoolArray, probability: float
) -> tuple[float, float]:
    if not (used & (reach > 0)).any():
        return np.nan, np.nan
    maxima = largest_deviation(value, draws, reach, used)
    return float(np.quantile(maxima, probability)), quantile_error(maxima, probability)


def largest_deviation(
    value: FloatArray, draws: FloatArray, reach: FloatArray, used: BoolArray
) -> FloatArray:
    """Largest standardised distance of each draw from the estimate, over points and sides.

    Parameters
    ----------
    value : ndarray, shape (points,)
    draws : ndarray, shape (points, draws)
    reach : ndarray, shape (2, points)
        What distances below and above the estimate are divided by; 0 leaves a side out.
    used : ndarray of bool, shape (2, points)
        Ends about which something is claimed.

    Returns
    -------
    ndarray, shape (draws,)
        At least 0.
    """
    maxima = np.zeros(draws.shape[-1])
    for point, middle in enumerate(value):
        # A low end fails where the truth lies below it: the draws that fall short of the estimate.
        for side, sign in ((0, 1.0), (1, -1.0)):
            if used[side, point] and reach[side, point] > 0:
                away = sign * (middle - draws[point]) / reach[side, point]
                np.maximum(maxima, away, out=maxima)
    return maxima
