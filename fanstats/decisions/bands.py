"""Ranges of single models: the total one, and the band for comparing."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import ndtri

from fanstats._arguments import fraction
from fanstats._typing import FloatArray, IntArray, Scope
from fanstats.decisions.order import pair_variances, quasi_variances
from fanstats.decisions.selection import Selection, select

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Range", "comparing_range", "comparison_bands", "total_range"]


class Range(NamedTuple):
    """Ends of ranges, one a model; NaN where an end is missing.

    Attributes
    ----------
    low, high : ndarray, shape (models,)
    """

    low: FloatArray
    high: FloatArray


def comparison_bands(
    estimates: xr.Dataset | xr.DataArray,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    probability: float = 0.95,
) -> pd.DataFrame:
    """Give each model's band for comparing: its own uncertainty, what all share left out.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, or any array over `model` and `draw`.
    quantity, obstruction : str, optional
        Which; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Whose true values.
    probability : float
        Coverage probability of each band.

    Returns
    -------
    DataFrame
        Index `model`; columns `value`, `low`, `high`, `quasi_standard_uncertainty` (of the
        logarithm where models are compared as ratios); NaN where there is no estimate.

    Notes
    -----
    The width of a band is that of a normal with the model's quasi-variance, so for two models the
    squares of their standard uncertainties add up to that of their difference.
    """
    fraction("probability", probability)
    picked = select(estimates, quantity, obstruction)
    place = picked.scope(scope)
    members = np.flatnonzero(picked.estimable[place])
    own = quasi_variances(pair_variances(picked.judged(place, members)[1]))
    band = comparing_range(picked, place, members, own, probability)
    table = pd.DataFrame(
        {"value": picked.values[place]}, index=pd.Index(picked.models, name="model")
    )
    for name, found in (
        ("low", band.low),
        ("high", band.high),
        ("quasi_standard_uncertainty", np.sqrt(np.maximum(0.0, own))),
    ):
        column = np.full(len(picked.models), np.nan)
        column[members] = found
        table[name] = column
    return table


def comparing_range(
    picked: Selection,
    place: int,
    members: IntArray,
    own: FloatArray,
    probability: float,
    total: Range | None = None,
) -> Range:
    """Band for comparing of some models.

    It is kept within the total range: it leaves errors out, so it cannot be the wider one.
    Quasi-variances give both sides alike; where the draws are lopsided one side would overshoot.

    Parameters
    ----------
    picked : Selection
    place : int
        The scope.
    members : ndarray of int
        The models.
    own : ndarray
        Their quasi-variances; negative ones count as 0.
    probability : float
    total : Range, optional
        From `total_range`, where it is known already.

    Returns
    -------
    Range
    """
    values = picked.values[place, members]
    reach = float(ndtri((1.0 + probability) / 2.0)) * np.sqrt(np.maximum(0.0, own))
    sides = (np.exp(-reach), np.exp(reach)) if picked.ratio else (-reach, reach)
    low, high = (values * side if picked.ratio else values + side for side in sides)
    outer = total_range(picked, place, members, probability) if total is None else total
    return Range(np.fmax(low, outer.low), np.fmin(high, outer.high))


def total_range(picked: Selection, place: int, members: IntArray, probability: float) -> Range:
    """Coverage interval of some models, with everything that is shared.

    Parameters
    ----------
    picked : Selection
    place : int
        The scope.
    members : ndarray of int
        The models; all must be estimable.
    probability : float

    Returns
    -------
    Range
        Probabilistically symmetric (JCGM 101:2008, 7.7.2). An end is missing where more of the
        draws than its tail lie beyond what was read.
    """
    tail = (1.0 - probability) / 2.0
    ends = np.full((2, len(members)), np.nan)
    for column, member in enumerate(members):
        ends[:, column] = np.quantile(picked.draws[place, member], (tail, 1.0 - tail))
    ends[picked.shares[:, place, members] > tail] = np.nan
    return Range(ends[0], ends[1])
