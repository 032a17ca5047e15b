"""Factors and distances of tolerance and prediction intervals: the arithmetic, on plain numbers."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import optimize, special, stats

from fanstats._arguments import fraction
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.inputs import plain_numbers

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray

__all__ = [
    "SIDES",
    "Side",
    "UnitsState",
    "prediction_distance",
    "tolerance_distance",
    "tolerance_factor",
]

Side = Literal["both", "upper", "lower"]
SIDES = ("both", "upper", "lower")


@lru_cache(maxsize=8)
def _gauss(nodes: int) -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(nodes)
    return x, w


def _between(low: float, high: float, nodes: int = 120) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights between two limits."""
    x, w = _gauss(nodes)
    half = (high - low) / 2
    return low + half * (x + 1), half * w


def _reach(offset: ArrayLike, content: float) -> FloatArray:
    """Half width, about a point `offset` off a standard normal's centre, that holds `content`."""
    return np.asarray(np.sqrt(stats.ncx2.ppf(content, 1, np.square(offset))))


def _offset(half_width: FloatArray, content: float) -> FloatArray:
    """Largest offset at which a half width still holds `content` (the inverse of `_reach`).

    Negative where even the centred interval holds less.
    """
    least = stats.norm.ppf((1 + content) / 2)
    low, high = np.zeros_like(half_width), np.maximum(half_width, 0.0)
    for _ in range(60):
        middle = (low + high) / 2
        inside = special.ndtr(middle + half_width) - special.ndtr(middle - half_width) >= content
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return np.where(half_width < least, -1.0, low)


@lru_cache(maxsize=4096)
def _two_sided_factor(n: float, dof: float, content: float, confidence: float) -> float:
    if math.isinf(dof):
        return float(_reach(stats.norm.ppf((1 + confidence) / 2) / math.sqrt(n), content))
    z, w = _between(0.0, 8.5, 240)
    reach, weight = _reach(z / math.sqrt(n), content), 2 * w * stats.norm.pdf(z)

    def missing(log_k: float) -> float:
        holds = stats.chi2.sf(dof * np.square(reach / math.exp(log_k)), dof)
        return float(weight @ holds) - confidence

    return math.exp(optimize.brentq(missing, math.log(0.1), math.log(1e7), xtol=1e-13))


def tolerance_factor(
    n: ArrayLike,
    *,
    content: ArrayLike,
    confidence: ArrayLike,
    side: Side = "both",
    dof: ArrayLike | None = None,
) -> FloatArray:
    """Give the factor k of a normal tolerance interval ``mean +/- k s`` (exact).

    Parameters
    ----------
    n : array_like
        Units behind the mean.
    content : array_like
        Least share of all units that the interval holds.
    confidence : array_like
        Confidence that it does.
    side : {"both", "upper", "lower"}
        A range, or one limit (upper and lower have the same factor).
    dof : array_like, optional
        Degrees of freedom behind s; ``n - 1`` if left out, infinite for a known spread.

    Returns
    -------
    ndarray
        Broadcast shape of all.

    Raises
    ------
    FanstatsError
        If a spread is to be estimated from one unit, or a fraction is none.

    Notes
    -----
    One-sided: noncentral t. Two-sided: the content is integrated over the position of the mean
    by Gauss-Legendre quadrature, not approximated (Howe's and Wald and Wolfowitz's formulas are
    3 to 5 % too wide at n = 2).

    References
    ----------
    ISO 16269-6:2014, Annex F (exact factors); Krishnamoorthy and Mathew (2009), Statistical
    Tolerance Regions, chapter 2.

    Examples
    --------
    >>> tolerance_factor([2, 10], content=0.95, confidence=0.95).round(3)
    array([36.519,  3.393])
    >>> tolerance_factor(3, content=0.95, confidence=0.95, side="upper").round(4)
    np.float64(7.6559)
    """
    one_of("side", side, SIDES)
    units = plain_numbers("n", n, rule="numbers of units")
    degrees = units - 1
    if dof is not None:
        degrees = plain_numbers("dof", dof, rule="degrees of freedom")
    share = plain_numbers("content", content, rule="a fraction strictly between 0 and 1")
    sure = plain_numbers("confidence", confidence, rule="a fraction strictly between 0 and 1")
    size, nu, p, c = np.broadcast_arrays(units, degrees, share, sure)
    for name, values in (("content", p), ("confidence", c)):
        for value in np.unique(values):
            fraction(name, float(value))
    if not (size >= 1).all():
        msg = f"`n` must be at least 1; got {size.min():g}."
        raise FanstatsError(msg)
    if not (nu > 0).all():
        msg = (
            "`n` must be at least 2 where the spread is estimated from these units; "
            f"got {size.min():g}. One unit says nothing about the spread: test a second, or "
            "state the spread with its degrees of freedom."
        )
        raise FanstatsError(msg)
    if side == "both":
        factor: FloatArray = np.vectorize(_two_sided_factor, otypes=[np.float64])(size, nu, p, c)
        return factor[()]
    known = np.isinf(nu)
    shift = stats.norm.ppf(p) * np.sqrt(size)
    estimated = stats.nct.ppf(c, np.where(known, 1.0, nu), shift)
    return np.asarray(np.where(known, shift + stats.norm.ppf(c), estimated) / np.sqrt(size))[()]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsState:
    """What is known of a model's centre and spread: the fiducial distribution of both.

    The true mean square is ``mean_square * dof / chi2``; the spread of the units themselves is
    what remains of it after `error` is taken off, not below 0.

    Attributes
    ----------
    n : int
        Units behind the mean.
    mean_square : float
        Variance of one unit's result, measurement error and all.
    dof : float
        Degrees of freedom behind it.
    error : float
        Variance of one unit's measurement.
    shared : float
        Variance of errors that all results share.
    """

    n: int
    mean_square: float
    dof: float
    error: float
    shared: float

    def quadrature(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give nodes over the true mean square.

        Returns
        -------
        spread, centre, weight : ndarray
            Spread of units, standard uncertainty of the centre, weight.
        """
        if math.isinf(self.dof):
            squares, weight = np.array([self.mean_square]), np.array([1.0])
        else:
            squares, weight = self._squares()
        return self.spread(squares), np.sqrt(squares / self.n + self.shared), weight

    def spread(self, squares: FloatArray) -> FloatArray:
        """Give the spread of the units; alike units are the limit of a very small spread.

        Parameters
        ----------
        squares : ndarray
            Mean squares of a unit's result.

        Returns
        -------
        ndarray
        """
        remains = np.sqrt(np.maximum(squares - self.error, 0.0))
        return np.maximum(remains, 1e-9 * math.sqrt(self.mean_square))

    def _squares(self) -> tuple[FloatArray, FloatArray]:
        chi = stats.chi(self.dof)
        ends = [float(chi.ppf(1e-13)), float(chi.isf(1e-13))]
        scale = math.sqrt(self.mean_square * self.dof)
        if self.error > 0:  # where the spread of the units reaches 0 the integrand has a corner
            ends.append(min(max(scale / math.sqrt(self.error), ends[0]), ends[1]))
        ends.append(float(chi.median()))
        nodes, weights = [], []
        for low, high in itertools.pairwise(sorted(ends)):
            if high > low:
                x, w = _between(low, high)
                nodes.append(x)
                weights.append(w * chi.pdf(x))
        x = np.concatenate(nodes)
        return np.square(scale / x), np.concatenate(weights)


def _solve(reached: Callable[[float], float], wanted: float, scale: float) -> float:
    """Find the half width (or one-sided distance) at which a rising chance reaches `wanted`."""
    low, high = -scale, scale
    while reached(high) < wanted:
        high *= 2
    while reached(low) > wanted:
        low *= 2
    root = optimize.brentq(lambda x: reached(x) - wanted, low, high, xtol=1e-12 * scale, rtol=1e-13)
    return float(root)


def _largest_square(state: UnitsState, h: float, z: FloatArray, content: float) -> FloatArray:
    """Largest mean square at which `h` about a mean off by z standard errors holds `content`.

    What it holds falls as the mean square grows: both the spread and the mean's error grow with it.
    """
    low = np.full_like(z, math.log(state.mean_square) - 60.0)
    high = low + 120.0
    for _ in range(70):
        middle = (low + high) / 2
        squares = np.exp(middle)
        off = z * np.sqrt(squares / state.n + state.shared)
        spread = state.spread(squares)
        inside = special.ndtr((h - off) / spread) - special.ndtr((-h - off) / spread) >= content
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return np.exp(low)


def _two_sided_confidence(state: UnitsState, h: float, content: float) -> float:
    """Confidence that ``mean +/- h`` holds `content`."""
    if h <= 0:
        return 0.0
    if math.isinf(state.dof):
        spread, centre, _ = state.quadrature()
        offset = _offset(h / spread, content)
        return float(max(0.0, special.erf(offset * spread / centre / math.sqrt(2))[0]))
    # A corner lies where the units' own spread reaches 0.
    corner = h / math.sqrt(state.error / state.n + state.shared + 1e-300)
    ends = [0.0, min(corner, 8.5), 8.5]
    total = 0.0
    for low, high in itertools.pairwise(ends):
        if high > low:
            z, w = _between(low, high)
            square = _largest_square(state, h, z, content)
            holds = stats.chi2.sf(state.dof * state.mean_square / square, state.dof)
            total += float((2 * w * stats.norm.pdf(z)) @ holds)
    return total


def tolerance_distance(state: UnitsState, content: float, confidence: float, side: Side) -> float:
    """Give the distance from the mean to the end of a tolerance interval.

    Parameters
    ----------
    state : UnitsState
        What is known of the model.
    content, confidence : float
        Least share of all units inside, and confidence that it is kept.
    side : {"both", "upper", "lower"}
        A range, or one limit.

    Returns
    -------
    float

    Examples
    --------
    >>> state = UnitsState(n=3, mean_square=1.0, dof=2.0, error=0.0, shared=0.0)
    >>> round(tolerance_distance(state, 0.95, 0.95, "both"), 3)
    9.789
    """
    scale = math.sqrt(state.mean_square)
    if side == "both":
        return _solve(lambda h: _two_sided_confidence(state, h, content), confidence, scale)
    spread, centre, weight = state.quadrature()
    quantile = float(stats.norm.ppf(content))
    return _solve(
        lambda h: float(weight @ special.ndtr((h - quantile * spread) / centre)), confidence, scale
    )


def prediction_distance(state: UnitsState, probability: float, ahead: int, side: Side) -> float:
    """Give the distance from the mean to the end of an interval for the next units.

    Parameters
    ----------
    state : UnitsState
        What is known of the model.
    probability : float
        Probability that all of them lie inside.
    ahead : int
        Number of next units.
    side : {"both", "upper", "lower"}
        A range, or one limit.

    Returns
    -------
    float

    Examples
    --------
    >>> state = UnitsState(n=10, mean_square=1.0, dof=9.0, error=0.0, shared=0.0)
    >>> round(prediction_distance(state, 0.95, 1, "both"), 4)
    2.3726
    """
    spread, centre, weight = (x[:, None] for x in state.quadrature())
    z, w = _between(-8.5, 8.5)
    both = (weight * w * stats.norm.pdf(z)).ravel()

    def reached(h: float) -> float:
        if side == "both" and h <= 0:
            return 0.0
        inside = special.ndtr((h - z * centre) / spread)
        if side == "both":
            inside = inside - special.ndtr((-h - z * centre) / spread)
        return float(both @ np.power(np.clip(inside, 0.0, 1.0), ahead).ravel())

    return _solve(reached, probability, math.sqrt(state.mean_square))
