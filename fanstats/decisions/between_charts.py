"""Array kernels for values that stand on several charts: shifts between charts, and disagreement.

A value ``y`` of a model on a chart is the model's true value, plus the chart's shift, plus what
model and chart have between them (standard deviation ``tau``), plus an error of known covariance.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import linalg, stats

from fanstats._typing import FloatArray

__all__ = ["Leftover", "between", "consensus_weights", "leftover"]

_HALVINGS = 60


class Leftover(NamedTuple):
    """What a linear model leaves of some values, turned so that its parts are independent.

    Attributes
    ----------
    squares : ndarray, shape (part,)
        Squared parts; as many as there are degrees of freedom.
    variances : ndarray, shape (part,)
        Their variances from errors of known covariance alone.
    """

    squares: FloatArray
    variances: FloatArray

    @property
    def dof(self) -> int:
        """Degrees of freedom."""
        return len(self.squares)

    def q(self, tau_squared: FloatArray | float) -> FloatArray:
        """Cochran's Q at some variances between charts, shape of those."""
        tau = np.asarray(tau_squared, dtype=np.float64)
        with np.errstate(divide="ignore", invalid="ignore"):
            parts = self.squares / (self.variances + tau[..., np.newaxis])
        return np.asarray(np.where(self.squares == 0, 0.0, parts).sum(axis=-1))

    @property
    def p_value(self) -> float:
        """How often errors alone disagree at least as much; NaN without degrees of freedom."""
        return float(stats.chi2.sf(self.q(0.0), self.dof)) if self.dof else float("nan")


def leftover(design: FloatArray, values: FloatArray, covariance: FloatArray) -> Leftover:
    """Take a linear model off some values.

    Parameters
    ----------
    design : ndarray, shape (values, parameters)
    values : ndarray, shape (values,)
    covariance : ndarray, shape (values, values)
        Of the errors; the part between charts is added to its diagonal.

    Returns
    -------
    Leftover

    Notes
    -----
    With ``N`` an orthonormal basis of what the model cannot reach, ``N' y`` has the covariance
    ``N' V N + tau**2``; its eigenvectors make the parts independent for every ``tau``.
    """
    basis = linalg.null_space(design.T)
    variances, turn = linalg.eigh(basis.T @ covariance @ basis)
    parts = turn.T @ (basis.T @ values)
    floor = 1e-12 * float(np.abs(covariance).max(initial=0.0))
    return Leftover(np.asarray(parts**2), np.maximum(variances, floor))


def between(left: Leftover, q: FloatArray | float) -> FloatArray:
    """Give the variance between charts at which Q takes some values; 0 where it starts below.

    Parameters
    ----------
    left : Leftover
    q : float or ndarray
        Above 0. The degrees of freedom give the estimate of Mandel and Paule; quantiles of
        chi-squared give the ends of its range; draws of chi-squared give its draws.

    Returns
    -------
    ndarray
        Shape of `q`.

    References
    ----------
    Mandel, J. and Paule, R. C. (1970), Interlaboratory evaluation of a material with unequal
    numbers of replicates, Analytical Chemistry 42, 1194-1197. DerSimonian, R. and Kacker, R.
    (2007), Random-effects model for meta-analysis of clinical trials: an update, Contemporary
    Clinical Trials 28, 105-114. Viechtbauer, W. (2007), Confidence intervals for the amount of
    heterogeneity in meta-analysis, Statistics in Medicine 26, 37-52 (the Q-profile).

    Examples
    --------
    >>> round(float(between(Leftover(np.array([9.0, 9.0]), np.array([1.0, 1.0])), 2.0)), 9)
    8.0
    """
    goal = np.asarray(q, dtype=np.float64)
    low = np.zeros_like(goal)
    # Q <= sum of squares / tau**2, so the root lies below sum / goal.
    high = left.squares.sum() / np.maximum(goal, 1e-12)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        above = left.q(middle) > goal
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray(np.where(left.q(0.0) <= goal, 0.0, (low + high) / 2.0))


def consensus_weights(
    design: FloatArray, covariance: FloatArray, tau_squared: float
) -> tuple[FloatArray, FloatArray]:
    """Give the weights by which values make up the parameters, and the parameters' covariance.

    Parameters
    ----------
    design, covariance
        As in `leftover`.
    tau_squared : float
        Variance between charts.

    Returns
    -------
    weights : ndarray, shape (parameters, values)
    covariance : ndarray, shape (parameters, parameters)
    """
    size = float(np.abs(covariance).max(initial=0.0)) + tau_squared
    ridge = 1e-9 * size if size > 0 else 1.0
    total = covariance + (tau_squared + ridge) * np.eye(len(covariance))
    weighed = linalg.solve(total, design, assume_a="pos")
    own = linalg.inv(design.T @ weighed)
    return np.asarray(own @ weighed.T), np.asarray(own)
