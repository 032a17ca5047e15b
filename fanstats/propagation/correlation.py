"""Correlated quantities made up of independent ones, and matrices that no quantities can have."""

from __future__ import annotations

from typing import Final

import numpy as np

from fanstats._typing import FloatArray
from fanstats.errors import FanstatsError

__all__ = ["correlation_factor"]

# A smallest eigenvalue that lies below 0 by less is the rounding of a 0.
_ROUNDING: Final = 1e-10


def correlation_factor(correlation: FloatArray) -> FloatArray:
    """Find independent errors of size 1 that make up correlated ones.

    Parameters
    ----------
    correlation : ndarray, shape (value, value)
        Symmetric, 1 on the diagonal.

    Returns
    -------
    ndarray, shape (value, error)
        ``factor @ factor.T`` is `correlation`.

    Raises
    ------
    FanstatsError
        If no quantities can have these correlations.

    References
    ----------
    JCGM 101:2008, 6.4.8.3 (multivariate normal); JCGM 102:2011, 6.2.

    Examples
    --------
    >>> correlation_factor(np.array([[1.0, 0.6], [0.6, 1.0]])).round(3).tolist()
    [[1.0, 0.0], [0.6, 0.8]]
    """
    off = np.abs(correlation - correlation.T)
    if off.max(initial=0.0) > 1e-12:
        row, column = np.unravel_index(int(off.argmax()), off.shape)
        msg = (
            f"the correlations must be symmetric; got {correlation[row, column]:g} at row {row}, "
            f"column {column} and {correlation[column, row]:g} the other way round."
        )
        raise FanstatsError(msg)
    diagonal = np.diag(correlation)
    if np.abs(diagonal - 1.0).max(initial=0.0) > 1e-12:
        msg = f"a quantity correlates with itself by 1; got {diagonal.tolist()} on the diagonal."
        raise FanstatsError(msg)
    if np.abs(correlation).max(initial=0.0) > 1.0 + 1e-12:
        msg = f"a correlation lies within -1 and 1; got {np.abs(correlation).max():g}."
        raise FanstatsError(msg)
    smallest, vectors = np.linalg.eigh(correlation)
    if smallest.min(initial=0.0) < -_ROUNDING:
        msg = (
            "no quantities can have these correlations: the matrix is not positive semidefinite, "
            f"its smallest eigenvalue is {smallest.min():.3g}. Check the signs."
        )
        raise FanstatsError(msg)
    if smallest.min(initial=1.0) > _ROUNDING:
        return np.asarray(np.linalg.cholesky(correlation))
    return np.asarray(vectors * np.sqrt(np.maximum(smallest, 0.0)))
