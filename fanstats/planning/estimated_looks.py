"""Looks at a difference whose standard error is estimated as the test goes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special, stats

from fanstats.planning.boundaries import Rule, boundary_shape, student_limits
from fanstats.planning.power import effective_dof

if TYPE_CHECKING:
    from fanstats._typing import FloatArray

__all__ = ["EstimatedLooks"]

# Powers of two of quasi-random tests; chances are then good to about 0.001.
_TESTS: Final = 15


@lru_cache(maxsize=4)
def _uniforms(looks: int) -> FloatArray:
    """Points in (0, 1): a floor, a difference and a mean square of each look, other models."""
    points = stats.qmc.Sobol(2 * looks + 2, rng=np.random.default_rng(1977)).random_base2(_TESTS)
    return np.asarray(np.clip(points, 1e-12, 1.0 - 1e-12))


@dataclass(frozen=True, kw_only=True)
class EstimatedLooks:
    """Tests of two models drawn look by look, with the mean square as each would find it.

    Parameters
    ----------
    one_unit : float
        Standard deviation of one unit's result.
    floor : float
        Standard uncertainty of the difference that no further unit reduces.
    units : ndarray, shape (looks,)
        Units of each model at each look.
    spread_dof : float
        Degrees of freedom behind the spread from other models.

    Notes
    -----
    The mean square of a look and the differences up to it are not independent: new units that lie
    off the old ones move both. Of the ``2 m`` degrees of freedom that m new units of each model
    bring, one is the step of the difference itself.

    References
    ----------
    Jennison and Turnbull (2000), Group Sequential Methods, section 4.4 (from memory).
    """

    one_unit: float
    floor: float
    units: FloatArray
    spread_dof: float

    @cached_property
    def dof(self) -> FloatArray:
        """Degrees of freedom behind the standard error at each look."""
        behind = self.spread_dof + 2.0 * self.units - 2.0
        parts = np.stack([2.0 * self.one_unit**2 / self.units, np.full_like(behind, self.floor**2)])
        return effective_dof(parts.T, np.stack([behind, np.full_like(behind, np.inf)], axis=1))

    @cached_property
    def _drawn(self) -> tuple[FloatArray, FloatArray]:
        """Differences of like models, and their standard errors as estimated, (test, look)."""
        looks = self.units.size
        floor, steps, own_squares, others = np.split(
            _uniforms(looks), [1, 1 + looks, 1 + 2 * looks], axis=1
        )
        new = np.diff(self.units, prepend=0.0)
        step = special.ndtri(steps) * np.sqrt(2.0 / new)
        difference = np.cumsum(new * step, axis=1) / self.units
        own = np.maximum(2.0 * new - 1.0, 0.0)
        own[0] = 2.0 * new[0] - 2.0
        squares = _chi_squares(own_squares, own)
        apart = difference[:, :-1] - step[:, 1:]
        squares[:, 1:] += np.square(apart) / (2.0 / self.units[:-1] + 2.0 / new[1:])
        total = np.cumsum(squares, axis=1)
        total = total + _chi_squares(others, np.array([self.spread_dof]))
        mean_square = total / np.maximum(self.spread_dof + 2.0 * self.units - 2.0, 1e-300)
        error = np.sqrt(self.one_unit**2 * mean_square * 2.0 / self.units + self.floor**2)
        return self.one_unit * difference + self.floor * special.ndtri(floor), error

    def limits(self, rule: Rule, alpha: float) -> FloatArray:
        """Give boundaries that keep the chance of any false claim at `alpha`.

        Parameters
        ----------
        rule : {"Pocock", "O'Brien-Fleming", "every look alone"}
        alpha : float

        Returns
        -------
        ndarray, shape (looks,)
            In standard errors as estimated at each look.
        """
        information = 1.0 / (2.0 * self.one_unit**2 / self.units + self.floor**2)
        shape = boundary_shape(information, rule)
        alone = float(stats.norm.isf(alpha / 2.0))
        exact = self.units.size == 1 and self.floor == 0.0
        if rule == "every look alone" or exact:
            return student_limits(alone * shape, self.dof)
        difference, error = self._drawn
        tail = stats.t.sf(np.abs(difference) / error, self.dof)
        reached = (special.ndtri(1.0 - tail) / shape).max(axis=1)
        return student_limits(float(np.quantile(reached, 1.0 - alpha)) * shape, self.dof)

    def stops(self, limits: FloatArray, gap: float) -> FloatArray:
        """Give the chance of crossing first at each look.

        Parameters
        ----------
        limits : ndarray, shape (looks,)
            In standard errors as estimated.
        gap : float
            True difference.

        Returns
        -------
        ndarray, shape (looks,)
        """
        difference, error = self._drawn
        claimed = np.abs(difference + gap) > limits * error
        first = claimed & (np.cumsum(claimed, axis=1) == 1)
        return np.asarray(first.mean(axis=0))


def _chi_squares(points: FloatArray, dof: FloatArray) -> FloatArray:
    """Chi-square of so many degrees of freedom, 0 where there is none."""
    some = dof > 0
    found = np.zeros((len(points), dof.size))
    found[:, some] = 2.0 * special.gammaincinv(dof[some] / 2.0, points[:, some])
    return found
