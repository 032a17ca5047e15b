"""Array kernels for lines fitted with a known covariance: least squares, misfit, outliers."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import linalg, stats

from fanstats._typing import BoolArray, FloatArray

__all__ = ["GeneralisedFit", "generalised_fit", "misfit_p_value", "outlier_limit"]

_SINGULAR = 1e-10


class GeneralisedFit(NamedTuple):
    """A linear model fitted by generalised least squares.

    Attributes
    ----------
    coefficients : ndarray, shape (parameters,)
    covariance : ndarray, shape (parameters, parameters)
        That of the coefficients.
    weights : ndarray, shape (parameters, points)
        The coefficients are these times the observations.
    residuals : ndarray, shape (points,)
    statistics : ndarray, shape (points,)
        Standard normal each, where the model and the covariance hold: how much a shift of that
        point alone would mend, over its standard uncertainty. NaN where a point is fitted exactly
        whatever it reads.
    shifts : ndarray, shape (points,)
        How far each point stands from where the others put it.
    left : ndarray, shape (points, points)
        Weight of the residuals: what the inverse of the covariance holds outside of the model.
    chi_squared : float
        Of the residuals, with `dof` degrees of freedom.
    dof : int
    """

    coefficients: FloatArray
    covariance: FloatArray
    weights: FloatArray
    residuals: FloatArray
    statistics: FloatArray
    shifts: FloatArray
    left: FloatArray
    chi_squared: float
    dof: int


def generalised_fit(
    design: FloatArray, observed: FloatArray, covariance: FloatArray
) -> GeneralisedFit:
    """Fit a linear model to observations with a known covariance.

    Parameters
    ----------
    design : ndarray, shape (points, parameters)
        More points than parameters, or as many.
    observed : ndarray, shape (points,)
    covariance : ndarray, shape (points, points)
        Of full rank.

    Returns
    -------
    GeneralisedFit

    References
    ----------
    Aitken, A. C. (1935), On least squares and linear combinations of observations, Proceedings of
    the Royal Society of Edinburgh 55, 42-48. Baarda, W. (1968), A testing procedure for use in
    geodetic networks, Netherlands Geodetic Commission 2(5) (the statistic of each point).

    Examples
    --------
    >>> x = np.array([1.0, 2.0, 3.0])
    >>> fit = generalised_fit(np.stack([np.ones(3), x], axis=1), 2 * x + 1, np.eye(3))
    >>> fit.coefficients.round(9)
    array([1., 2.])
    """
    factor = linalg.cho_factor(covariance, lower=True)
    weighed = linalg.cho_solve(factor, design)
    own = linalg.pinvh(design.T @ weighed)
    weights = own @ weighed.T
    coefficients = weights @ observed
    residuals = observed - design @ coefficients
    scaled = linalg.cho_solve(factor, residuals)
    left = linalg.cho_solve(factor, np.eye(len(observed))) - weighed @ weights
    room = np.diag(left)
    free = room > _SINGULAR * np.diag(covariance) ** -1
    statistics, shifts = np.full((2, len(observed)), np.nan)
    statistics[free] = scaled[free] / np.sqrt(room[free])
    shifts[free] = scaled[free] / room[free]
    rank = int(np.linalg.matrix_rank(design))
    return GeneralisedFit(
        coefficients,
        np.asarray(own),
        np.asarray(weights),
        residuals,
        statistics,
        shifts,
        left,
        float(residuals @ scaled),
        len(observed) - rank,
    )


def misfit_p_value(chi_squared: float, dof: int, denominator: float) -> float:
    """Give how often errors alone misfit at least as much.

    Parameters
    ----------
    chi_squared : float
    dof : int
    denominator : float
        Degrees of freedom of the covariance's size; infinite where it is known. With finite ones
        ``chi_squared / dof`` is held against the F distribution.

    Returns
    -------
    float
        NaN without degrees of freedom.

    Examples
    --------
    >>> round(misfit_p_value(9.488, 4, np.inf), 3), round(misfit_p_value(4 * 3.478, 4, 10.0), 3)
    (0.05, 0.05)
    """
    if dof < 1:
        return float("nan")
    if np.isinf(denominator):
        return float(stats.chi2.sf(chi_squared, dof))
    return float(stats.f.sf(chi_squared / dof, dof, denominator))


def outlier_limit(statistics: FloatArray, false_alarms: float, dof: float) -> float:
    """Give how large the largest of some statistics is by chance, so often at most.

    Parameters
    ----------
    statistics : ndarray, shape (points,)
        NaN ones do not count.
    false_alarms : float
        Share of sound sets of points in which one is named.
    dof : float
        Infinite for standard normal statistics, else those of Student's t.

    Returns
    -------
    float

    Notes
    -----
    Bonferroni's inequality: whatever the statistics have to do with each other.

    Examples
    --------
    >>> round(outlier_limit(np.zeros(5), 0.05, np.inf), 3)
    2.576
    """
    held: BoolArray = np.isfinite(statistics)
    tail = false_alarms / (2.0 * max(1, int(held.sum())))
    return float(stats.norm.isf(tail) if np.isinf(dof) else stats.t.isf(tail, dof))
