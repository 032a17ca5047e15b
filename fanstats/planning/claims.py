"""When a lead is claimed, and how often: a standard error known in part and estimated in part.

`compare` claims a lead when ``|d| > Q``, `Q` being the ``1 - alpha`` point of the draws ::

    |D|,  D ~ sqrt(E u / w + K) Z

`E` and `K` are the variances of the difference whose size is estimated and known, `u` is how the
estimate came out and `w` how wrong it may be (both chi-square over its degrees of freedom). `Q` is
wider than Student's t with effective degrees of freedom (JCGM 100:2008, G.4.1) where those are few.
`E` may be of two parts estimated each by itself, such as luck in noise and luck in airflow.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy import special, stats
from scipy.interpolate import CubicSpline, RectBivariateSpline

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fanstats._typing import BoolArray, FloatArray

__all__ = ["Driver", "Readable", "chance_of_claim", "claim_limit", "scale_nodes"]

Driver = Literal["first", "second", "known"]

# Beyond so many degrees of freedom an estimated spread is a known one, to a ten-thousandth.
_KNOWN: Final = 20_000.0
_NODES: Final = 17


@dataclass(frozen=True, slots=True, kw_only=True)
class Readable:
    """How large a spread may come out before an end of a range is past the steps read.

    Attributes
    ----------
    ends : tuple of ndarray, shape (designs, places)
        For either model, the largest estimates as a multiple of the variance as stated; a column
        for each of equally likely cases of the new units' luck.
    driver : {"first", "second", "known"}
        Which part of the spread moves the operating point.
    """

    ends: tuple[FloatArray, FloatArray]
    driver: Driver

    def chance(self, designs: BoolArray, factors: tuple[FloatArray, FloatArray]) -> FloatArray:
        """Give the chance that both ends are read, as the estimates may come out.

        Parameters
        ----------
        designs : ndarray of bool
            Which of the designs.
        factors : tuple of ndarray, shape (outcomes,)
            How the two parts may come out, as multiples of what is stated.

        Returns
        -------
        ndarray, shape (designs, outcomes)
        """
        one, other = factors
        size = {"first": one, "second": other, "known": np.ones_like(one)}[self.driver]
        first, second = (
            (end[designs][:, None, :] >= size[:, None]).mean(axis=2) for end in self.ends
        )
        return np.asarray(first * second)


@lru_cache(maxsize=8)
def _gauss(nodes: int) -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(nodes)
    return x, w


@lru_cache(maxsize=512)
def scale_nodes(dof: float, nodes_each: int = 48) -> tuple[FloatArray, FloatArray]:
    """Give nodes and weights over chi-square over its degrees of freedom.

    Parameters
    ----------
    dof : float
        Degrees of freedom.
    nodes_each : int
        Nodes on either side of the median.

    Returns
    -------
    points, weights : ndarray

    Examples
    --------
    >>> points, weights = scale_nodes(4.0)
    >>> round(float(weights @ points), 6)
    1.0
    """
    chi = stats.chi(dof)
    ends = (float(chi.ppf(1e-12)), float(chi.median()), float(chi.isf(1e-12)))
    x, w = _gauss(nodes_each)
    nodes = [low + (high - low) / 2 * (x + 1) for low, high in itertools.pairwise(ends)]
    weights = [(high - low) / 2 * w for low, high in itertools.pairwise(ends)]
    points = np.concatenate(nodes)
    weight = np.concatenate(weights) * chi.pdf(points)
    return np.square(points) / dof, weight / weight.sum()


@lru_cache(maxsize=32)
def _range_spline(models: int) -> CubicSpline:
    """Distribution of the range of standard normals over root 2."""
    at = np.linspace(0.0, 9.0, 601)
    z, w = _gauss(120)
    z, w = 8.5 * z, 8.5 * w
    below = special.ndtr(z) - special.ndtr(z - math.sqrt(2.0) * at[:, None])
    density = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
    return CubicSpline(at, models * (np.power(below, models - 1) @ (w * density)))


def _inside(limit: FloatArray, models: int) -> FloatArray:
    """P(the largest difference of like models stays within so many standard errors)."""
    if models == 2:
        return np.asarray(special.erf(limit / math.sqrt(2.0)))
    return np.asarray(_range_spline(models)(np.minimum(limit, 9.0)))


@lru_cache(maxsize=512)
def _multiplier(dof: float, alpha: float, models: int) -> CubicSpline:
    """Limit over ``sqrt(E u + K)``, against the share that `K` has of that variance."""
    share = (1.0 - np.cos(np.linspace(0.0, np.pi, _NODES))) / 2.0
    scales, weight = scale_nodes(dof)
    sd = np.sqrt((1.0 - share[:, None]) / scales + share[:, None])
    return CubicSpline(share, _solve(sd, weight, alpha, models))


# From so many degrees of freedom on, two parts act as one to a hundredth of the chance.
_AS_ONE: Final = 8.0


@lru_cache(maxsize=64)
def _multiplier_of_two(dof: float, alpha: float, models: int) -> RectBivariateSpline:
    """`_multiplier` for two parts; the first axis is the share of the smaller one in their sum."""
    share = (1.0 - np.cos(np.linspace(0.0, np.pi, _NODES))) / 2.0
    smaller = (1.0 - np.cos(np.linspace(0.0, np.pi, 9))) / 4.0
    scales, weight = scale_nodes(dof, 12)
    weights = np.outer(weight, weight).ravel()
    found = np.empty((smaller.size, share.size))
    for row, part in enumerate(smaller):
        drawn = ((1.0 - part) / scales[:, None] + part / scales).ravel()
        sd = np.sqrt((1.0 - share[:, None]) * drawn + share[:, None])
        found[row] = _solve(sd, weights, alpha, models)
    return RectBivariateSpline(smaller, share, found)


def _solve(sd: FloatArray, weight: FloatArray, alpha: float, models: int) -> FloatArray:
    """Find the limits that the draws pass with chance `alpha`, one a row."""
    low, high = np.zeros(len(sd)), np.full(len(sd), 2.0)
    while ((_inside(high[:, None] / sd, models) @ weight) < 1.0 - alpha).any():
        high *= 2.0
    for _ in range(44):
        middle = (low + high) / 2.0
        enough = _inside(middle[:, None] / sd, models) @ weight >= 1.0 - alpha
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return high


def _known_multiplier(alpha: float, models: int) -> float:
    if models == 2:
        return float(stats.norm.isf(alpha / 2.0))
    return float(stats.studentized_range.isf(alpha, models, math.inf)) / math.sqrt(2.0)


def _limits(
    parts: tuple[FloatArray, FloatArray, FloatArray], dof: float, alpha: float, models: int
) -> FloatArray:
    """Limits for two variances of estimated size and one of known size."""
    first, second, known = parts
    total = first + second + known
    if dof > _KNOWN:
        return _known_multiplier(alpha, models) * np.sqrt(total)
    share = np.divide(known, total, out=np.ones_like(total), where=total > 0)
    if dof < _AS_ONE and second.any():
        both = first + second
        smaller = np.minimum(first, second)
        part = np.divide(smaller, both, out=np.zeros_like(both), where=both > 0)
        found = _multiplier_of_two(dof, alpha, models).ev(part, share)
    else:
        found = _multiplier(dof, alpha, models)(share)
    found = np.where(share < 1.0, found, _known_multiplier(alpha, models))
    return np.asarray(found * np.sqrt(total))


def _arrays(*inputs: ArrayLike) -> list[FloatArray]:
    return [array.astype(float) for array in np.broadcast_arrays(*map(np.atleast_1d, inputs))]


def claim_limit(
    estimated: ArrayLike,
    known: ArrayLike,
    *,
    dof: ArrayLike,
    alpha: float,
    models: int = 2,
    second: ArrayLike = 0.0,
) -> FloatArray:
    """Give the smallest gap that would count, should the estimate come out true.

    Parameters
    ----------
    estimated, known : array_like
        Variances of the difference: that of estimated size, and that of known size.
    dof : array_like
        Degrees of freedom behind the estimated one; infinite where it is known too.
    alpha : float
        Chance of any claim when all models are alike.
    models : int
        Number of like models the pair was picked from; 2 for a pair named before testing.
    second : array_like
        A further variance of estimated size, estimated by itself with as many degrees of freedom.

    Returns
    -------
    ndarray
        Broadcast shape of all. Infinite where there is something to be estimated and less than
        one degree of freedom.

    Examples
    --------
    >>> claim_limit(1.0, 0.0, dof=[4, float("inf")], alpha=0.05).round(3)
    array([2.776, 1.96 ])
    """
    e, s, k, nu = _arrays(estimated, second, known, dof)
    nu = np.where(e + s > 0, nu, np.inf)
    found = np.full(e.shape, np.inf)
    for degrees in np.unique(nu[nu >= 1.0]):
        at = nu == degrees
        found[at] = _limits((e[at], s[at], k[at]), float(degrees), alpha, models)
    return _as_given(found, estimated, second, known, dof)


def chance_of_claim(
    gap: float,
    estimated: ArrayLike,
    known: ArrayLike,
    *,
    dof: ArrayLike,
    alpha: float,
    models: int = 2,
    second: ArrayLike = 0.0,
    belief_sd: float = 0.0,
    readable: Readable | None = None,
) -> FloatArray:
    """Give the chance that a gap is claimed, averaged over how the estimate comes out.

    Parameters
    ----------
    gap : float
        True difference.
    estimated, known, dof, alpha, models, second
        As in `claim_limit`.
    belief_sd : float
        Standard deviation of what is believed about the true difference, around `gap`.
    readable : Readable, optional
        How large an estimate may come out before luck runs past the steps read, and nothing is
        claimed.

    Returns
    -------
    ndarray
        Broadcast shape of `estimated`, `second`, `known` and `dof`. Claims in either direction
        count.

    Notes
    -----
    For a pair picked from several models the limit is that of models tested all alike; where the
    others are tested less than the pair, the chance is up to 1.5 points higher.

    Examples
    --------
    The power of a t test with 12 and 12 units:

    >>> chance_of_claim(1.0, 0.64 / 6, 0.0, dof=22, alpha=0.05).round(4)
    np.float64(0.8329)
    """
    e, s, k, nu = _arrays(estimated, second, known, dof)
    nu = np.where(e + s > 0, nu, np.inf)
    spread = np.sqrt(e + s + k + belief_sd**2)
    found = np.zeros(e.shape)
    for degrees in np.unique(nu[nu >= 1.0]):
        at = nu == degrees
        outcomes, factors, weight = _outcomes(e[at], s[at], k[at], float(degrees))
        limit = _limits(outcomes, float(degrees), alpha, models)
        claimed = _beyond(limit, gap, spread[at][:, None])
        if readable is not None:
            claimed = claimed * readable.chance(at, factors)
        found[at] = claimed @ weight
    return _as_given(np.clip(found, 0.0, 1.0), estimated, second, known, dof)


def _outcomes(
    first: FloatArray, second: FloatArray, known: FloatArray, dof: float
) -> tuple[tuple[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray], FloatArray]:
    """Variances as the estimates may come out, (design, outcome), their factors, and weights."""
    if dof > _KNOWN:
        one, other, weight = np.ones(1), np.ones(1), np.ones(1)
    elif dof < _AS_ONE and second.any():
        scales, each = scale_nodes(dof, 12)
        one, other = (grid.ravel() for grid in np.meshgrid(scales, scales))
        weight = np.outer(each, each).ravel()
    else:
        one, weight = scale_nodes(dof)
        other = one
    came_out = first[:, None] * one, second[:, None] * other
    whole = (*came_out, np.broadcast_to(known[:, None], came_out[0].shape))
    return whole, (one, other), weight


def _beyond(limit: FloatArray, gap: float, spread: FloatArray) -> FloatArray:
    """P(|d| > limit); certain where nothing scatters and the gap is beyond it."""
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = special.ndtr((gap - limit) / spread) + special.ndtr((-gap - limit) / spread)
    return np.asarray(np.where(spread > 0, chance, abs(gap) > limit), dtype=np.float64)


def _as_given(found: FloatArray, *inputs: ArrayLike) -> FloatArray:
    """Give an array of no dimension where all inputs have none."""
    return found.reshape(np.broadcast_shapes(*(np.shape(given) for given in inputs)))[()]
