"""How noise rises with speed, pooled over swept models: the slope of numbers without a sweep."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from fanstats.decisions.between_charts import between, consensus_weights, leftover
from fanstats.decisions.power_law import power_law
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.sources import Bench

__all__ = ["PooledSlope", "pooled_slope"]


class PooledSlope(NamedTuple):
    """A slope for models that were not swept; goes into ``from_chart(slope=...)`` as it is.

    Attributes
    ----------
    value : float
        dB a decade of speed.
    uncertainty : float
        Standard uncertainty for one more model: how far models differ, and how well that mean is
        known.
    """

    value: float
    uncertainty: float

    @property
    def origin(self) -> str:
        """Where it comes from, for the list of assumptions."""
        return "pooled over swept models"


def pooled_slope(readings: xr.Dataset, *, bench: Bench) -> PooledSlope:
    """Pool the slope of noise over speed of all swept models.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`: models like those without a sweep.
    bench : Bench
        What is stated about the instruments.

    Returns
    -------
    PooledSlope
        For `slope` of `from_chart` and `equal_noise`.

    Raises
    ------
    FanstatsError
        If fewer than two models were swept over speed with three usable steps or more.

    Notes
    -----
    Each model's slope is that of `power_law`. Models differ in it by a standard deviation estimated
    after Mandel and Paule; the uncertainty is that of one more model's slope.

    Examples
    --------
    >>> import fanstats as fs
    >>> slope = pooled_slope(fs.demo.readings(), bench=fs.demo.bench())
    >>> 48 < slope.value < 55
    True
    """
    found = []
    for model in dict.fromkeys(readings["model"].to_numpy().astype(str).tolist()):
        try:
            fit = power_law(readings, model, bench=bench)
        except FanstatsError:  # not swept
            continue
        if fit.dof > 0 and math.isfinite(fit.standard_uncertainty):
            found.append((fit.exponent, fit.standard_uncertainty))
    if len(found) < 2:
        msg = (
            f"`readings` must hold at least two models swept over speed with three usable steps or "
            f"more; found {len(found)}. Use slope='fan laws'."
        )
        raise FanstatsError(msg)
    slopes, own = np.array(found).T
    design, covariance = np.ones((len(found), 1)), np.diag(own**2)
    tau_squared = float(between(leftover(design, slopes, covariance), len(found) - 1.0))
    weights, known = consensus_weights(design, covariance, tau_squared)
    return PooledSlope(float(weights[0] @ slopes), math.sqrt(tau_squared + float(known[0, 0])))
