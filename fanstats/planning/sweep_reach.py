"""Sample luck that runs past the steps read: how large a spread leaves a gap open.

An end of a model's range that rests on more draws beyond what was read than its tail holds is
missing, and nobody is ahead by virtue of it. Draws of luck are as wide as the spread comes out; so
there is a largest estimate with which both ends that a claim rests on are still read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special, stats

from fanstats.planning.claims import Driver, Readable, scale_nodes

if TYPE_CHECKING:
    from collections.abc import Callable

    from fanstats._typing import BoolArray, FloatArray

__all__ = ["Reach", "largest_readable", "reach_of_share"]

# Equally likely cases, powers of two of them, and new units whose luck is drawn one by one: those
# that reach least far. The others stand at a few equally likely places.
_CASES: Final = 64
_ONE_BY_ONE: Final = 4
_OTHERS: Final = (np.arange(4) + 0.5) / 4
_STEPS: Final = 20
# Degrees of freedom at which it is reckoned; between them on a straight line over 1 / dof.
_DOFS: Final = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 9.0, 15.0, 30.0, 80.0, math.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """How far the steps read reach beyond the target, on the sides that a claim rests on.

    Attributes
    ----------
    ends : tuple of float
        Of the first and of the second model, in standard deviations of the luck that moves the
        operating point; infinite where the steps reach as far as anybody may ask. Of the units
        tested, which are taken for typical ones, as in all that a plan reads off them.
    driver : {"first", "second", "known"}
        Which part of the spread that luck is: of the two whose size is estimated, or a known one.
    """

    ends: tuple[float, float]
    driver: Driver

    @property
    def matters(self) -> bool:
        """Whether there is an end at all."""
        return any(math.isfinite(end) for end in self.ends)

    def readable(
        self, first: FloatArray, second: FloatArray, dof: FloatArray, tail: float
    ) -> Readable:
        """Give the largest estimates with which the end of either model is still read.

        Parameters
        ----------
        first, second : ndarray, shape (designs,)
            Units of either model.
        dof : ndarray, shape (designs,)
            Degrees of freedom behind the spread then.
        tail : float
            Share of draws beyond the data from which an end is missing.

        Returns
        -------
        Readable
        """
        behind = np.full(dof.shape, np.inf) if self.driver == "known" else dof
        ends = [
            self._end(end, units, behind, tail)
            for end, units in zip(self.ends, (first, second), strict=True)
        ]
        return Readable(ends=(ends[0], ends[1]), driver=self.driver)

    def _end(self, end: float, units: FloatArray, dof: FloatArray, tail: float) -> FloatArray:
        found = np.full((units.size, _CASES), np.inf)
        if math.isfinite(end):
            for design in np.flatnonzero(dof >= 1.0):
                found[design] = _between(end, int(units[design]), float(dof[design]), tail)
        return found


def _between(end: float, units: int, dof: float, tail: float) -> FloatArray:
    above = next(place for place, degrees in enumerate(_DOFS) if degrees >= dof)
    at = largest_readable(end, units, _DOFS[above], tail)
    if _DOFS[above] == dof:
        return at
    before, after = 1.0 / _DOFS[above - 1], 1.0 / _DOFS[above]
    share = (1.0 / dof - after) / (before - after)
    below = largest_readable(end, units, _DOFS[above - 1], tail)
    return np.asarray(np.exp((1.0 - share) * np.log(at) + share * np.log(below)))


@lru_cache(maxsize=1)
def _lattice() -> FloatArray:
    """Points of the unit cube: the new units that reach least far, one after the other."""
    points = stats.qmc.Sobol(_ONE_BY_ONE, rng=np.random.default_rng(1892))
    return np.asarray(points.random(_CASES))


@lru_cache(maxsize=8192)
def largest_readable(end: float, units: int, dof: float, tail: float) -> FloatArray:
    """Give the largest estimates of a spread with which an end is still read.

    Parameters
    ----------
    end : float
        Standard deviations, as stated, from the target to the last step of a typical unit.
    units : int
        New units, each with luck of its own, by which it reaches farther or less far. A draw with
        any of them past its steps counts as beyond.
    dof : float
        Degrees of freedom behind the estimate, with which luck is then drawn.
    tail : float
        Share of draws beyond the data from which an end is missing.

    Returns
    -------
    ndarray, shape (cases,)
        As a multiple of the variance as stated, in equally likely cases of the units' own luck.

    Examples
    --------
    One new unit of a model whose typical unit reaches four standard deviations:

    >>> found = largest_readable(4.0, 1, math.inf, 0.025)
    >>> (np.sqrt(found) * 1.96).mean().round(2)
    np.float64(4.0)
    """
    points = _lattice()
    below, singles = np.zeros(len(points)), []
    for place in range(min(units, _ONE_BY_ONE)):
        lowest = -np.expm1(np.log1p(-points[:, place]) / (units - place))
        below = below + (1.0 - below) * lowest
        singles.append(end + special.ndtri(below))
    least = np.stack(singles, axis=1)[..., None]
    others = end + special.ndtri(below[:, None] + (1.0 - below[:, None]) * _OTHERS)
    scales, weight = _drawn(dof)

    def read(size: FloatArray) -> BoolArray:
        x = np.sqrt(scales / size[:, None])[:, None, :]
        inside = special.ndtr(least * x).prod(axis=1)
        if units > _ONE_BY_ONE:
            rest = special.ndtr(others[..., None] * x).mean(axis=1)
            inside = inside * np.power(rest, units - _ONE_BY_ONE)
        return np.asarray((1.0 - inside) @ weight <= tail)

    return _solve(read, (len(points),))


def _drawn(dof: float) -> tuple[FloatArray, FloatArray]:
    return (np.ones(1), np.ones(1)) if math.isinf(dof) else scale_nodes(dof, 8)


def _solve(holds: Callable[[FloatArray], BoolArray], shape: tuple[int, ...]) -> FloatArray:
    """Find the largest numbers between exp(-7) and exp(7) up to which something holds."""
    low, high = np.full(shape, -7.0), np.full(shape, 7.0)
    for _ in range(_STEPS):
        middle = (low + high) / 2.0
        good = holds(np.exp(middle))
        low, high = np.where(good, middle, low), np.where(good, high, middle)
    return np.asarray(np.exp(low))


def reach_of_share(share: float, tested: int, dof: float) -> float:
    """Give how far steps reach of which so many draws lie beyond.

    Parameters
    ----------
    share : float
        Share of draws in which some tested unit lies beyond, above 0.
    tested : int
        Units tested.
    dof : float
        Degrees of freedom behind the spread they were drawn with.

    Returns
    -------
    float
        In standard deviations of the luck as stated.

    Examples
    --------
    >>> round(reach_of_share(0.025, 1, math.inf), 2)
    1.96
    """
    scales, weight = _drawn(dof)

    def beyond(at: FloatArray) -> BoolArray:
        inside = special.ndtr(at[..., None] * np.sqrt(scales))
        return np.asarray((1.0 - np.power(inside, tested)) @ weight >= share)

    return float(_solve(beyond, ()))
