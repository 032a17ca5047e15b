"""Standard uncertainty of an energy mean: the scatter of its readings, and the instrument."""

from __future__ import annotations

import math
import warnings
from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from scipy import stats

from fanstats._typing import FloatArray
from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.levels._values import common_units, floats, plain, title
from fanstats.levels.kernels import DB, Axis, energy_level
from fanstats.levels.means import reduced_dims
from fanstats.sources import Source

__all__ = ["MeanLevel", "effective_dof", "energy_deviation", "mean_level", "scatter_uncertainty"]

_ONE_READING = (
    "one reading: its scatter is undefined, not 0. Read it again, or hand over `repeatability`, "
    "the standard deviation of one reading known from elsewhere."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanLevel:
    """An energy mean with both parts of its standard uncertainty.

    Attributes
    ----------
    value : float
        Energy mean, dB.
    readings : int
        How many readings it is the mean of.
    scatter : float
        Standard uncertainty from the scatter of the readings, dB. NaN where undefined.
    scatter_dof : float
        Degrees of freedom of `scatter`. NaN where undefined.
    instrument : float
        Standard uncertainty that all the readings share, dB: no repeat reduces it.
    instrument_dof : float
        Degrees of freedom of `instrument`.
    status : str
        "" if fine, else why something is undefined.
    """

    value: float
    readings: int
    scatter: float
    scatter_dof: float
    instrument: float
    instrument_dof: float
    status: str = ""

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty, dB: JCGM 100:2008, 5.1.2. NaN where undefined."""
        return math.hypot(self.scatter, self.instrument)

    @property
    def dof(self) -> float:
        """Effective degrees of freedom of the combined standard uncertainty."""
        return effective_dof(
            [self.scatter, self.instrument], [self.scatter_dof, self.instrument_dof]
        )

    def coverage_interval(self, probability: float = 0.95) -> tuple[float, float]:
        """Give the interval that holds the level with the stated coverage probability.

        Parameters
        ----------
        probability : float
            Coverage probability, a fraction in (0, 1).

        Returns
        -------
        low, high : float
            In dB; Student's t with the effective degrees of freedom (JCGM 100:2008, G.4).

        Raises
        ------
        FanstatsError
            If the uncertainty is undefined; `status` says why.
        """
        if not 0 < probability < 1:
            msg = f"`probability` must lie between 0 and 1; got {probability!r}."
            raise FanstatsError(msg)
        u = self.standard_uncertainty
        if math.isnan(u):
            msg = f"There is no coverage interval: {self.status}"
            raise FanstatsError(msg)
        if u == 0:
            return self.value, self.value
        factor = float(stats.t.ppf((1 + probability) / 2, self.dof))
        return self.value - factor * u, self.value + factor * u


def mean_level(
    levels: Any,
    *,
    instrument: float | Source | Iterable[Source] = 0.0,
    repeatability: float | Source | None = None,
) -> MeanLevel:
    """Average the readings of one cell by energy and say how sure the mean is.

    Parameters
    ----------
    levels : array_like or DataArray
        Readings of one source under one condition, dB.
    instrument : float, Source or iterable of Source
        Standard uncertainty in dB, or sources such as ``half_width(1.0)``, of what all the
        readings share: calibration, display. It is not divided by the root of their number.
    repeatability : float or Source, optional
        Standard deviation of one reading known from elsewhere, such as pooled over many cells.
        It takes the place of these readings' own scatter.

    Returns
    -------
    MeanLevel

    Raises
    ------
    FanstatsError
        If there is no reading, or one that is not finite.

    Notes
    -----
    With energies ``W_i = 10^(0.1 L_i)`` of mean W and standard deviation s_W, the scatter part is
    ``(10 / ln 10) s_W / (sqrt(n) W)`` with n - 1 degrees of freedom: JCGM 100:2008, 4.2.3, carried
    through the logarithm to first order. Two or three readings that scatter by several dB are
    badly served by it, and by any other formula.

    Examples
    --------
    >>> mean = mean_level([34.0, 35.0, 36.0, 37.0], instrument=0.5)
    >>> round(mean.value, 4), round(mean.scatter, 4), round(mean.standard_uncertainty, 4)
    (35.6428, 0.6393, 0.8116)
    >>> [round(end, 1) for end in mean.coverage_interval(0.95)]
    [33.8, 37.5]
    """
    numbers = floats("levels", levels).ravel()
    if numbers.size == 0 or not np.all(np.isfinite(numbers)):
        msg = f"`levels` must hold one finite level or more; got {numbers.tolist()}."
        raise FanstatsError(msg)
    value = float(energy_level(numbers, mean=True))
    if repeatability is not None:
        one, scatter_dof = _stated("repeatability", repeatability, value)
        scatter = one / math.sqrt(numbers.size)
    else:
        scatter = float(_scatter(numbers[np.newaxis], axis=-1)[0])
        scatter_dof = numbers.size - 1 if numbers.size > 1 else math.nan
    shared, shared_dof = _stated("instrument", instrument, value)
    return MeanLevel(
        value=value,
        readings=numbers.size,
        scatter=scatter,
        scatter_dof=scatter_dof,
        instrument=shared,
        instrument_dof=shared_dof,
        status=_ONE_READING if math.isnan(scatter) else "",
    )


def _stated(
    argument: str, given: float | Source | Iterable[Source], value: float
) -> tuple[float, float]:
    """Read a standard uncertainty and its degrees of freedom off numbers or sources."""
    if isinstance(given, Source):
        given = [given]
    if isinstance(given, Iterable):
        sources = list(given)
        parts = [float(s.standard_uncertainty(np.asarray(value), "dB")) for s in sources]
        return math.hypot(*parts), effective_dof(parts, [s.dof for s in sources])
    if not (math.isfinite(given) and given >= 0):
        msg = f"`{argument}` must be a finite number of dB of at least 0; got {given!r}."
        raise FanstatsError(msg)
    return float(given), math.inf


def scatter_uncertainty(
    levels: Any,
    *,
    axis: Axis = None,
    dim: Hashable | Iterable[Hashable] | None = None,
) -> Any:
    """Give the standard uncertainty (Type A) of energy means, for many cells at once.

    Parameters
    ----------
    levels : array_like or DataArray
        Readings, dB.
    axis, dim
        What the repeats run along, as in `energy_mean`.

    Returns
    -------
    float, ndarray or DataArray
        dB. NaN with a warning where there is one reading only; a DataArray says so in
        ``status``.

    Warns
    -----
    FanstatsWarning
        Where the scatter is undefined.

    Examples
    --------
    >>> round(scatter_uncertainty([34.0, 35.0, 36.0, 37.0]), 4)
    0.6393
    """
    if isinstance(levels, xr.DataArray):
        dims = reduced_dims(levels, dim)
        result = levels.reduce(_scatter_of, dim=dims, keep_attrs=False)
        single = all(levels.sizes[d] == 1 for d in dims)
        result.attrs = {
            "units": "dB",
            "long_name": f"standard uncertainty of the energy mean of {title(levels)}",
            "over": ", ".join(str(d) for d in dims),
            "status": _ONE_READING if single else "",
        }
        common_units(levels)
    else:
        numbers = floats("levels", levels)
        result = _scatter_of(np.atleast_1d(numbers), axis=axis)
        single = _count(np.atleast_1d(numbers), axis) == 1
    if single:
        warnings.warn(f"Scatter is NaN: {_ONE_READING}", FanstatsWarning, stacklevel=2)
    return result


def _scatter_of(levels: Any, axis: Axis = None) -> Any:
    return plain(_scatter(floats("levels", levels), axis))


def _count(levels: FloatArray, axis: Axis) -> int:
    axes = range(levels.ndim) if axis is None else np.atleast_1d(axis)
    return math.prod(levels.shape[a] for a in axes)


def _scatter(levels: FloatArray, axis: Axis) -> FloatArray:
    return DB * _relative_deviation(levels, axis) / math.sqrt(_count(levels, axis))


def _relative_deviation(levels: FloatArray, axis: Axis) -> FloatArray:
    """Divide the standard deviation of the energies by their mean; NaN from one reading."""
    mean = energy_level(levels, axis, mean=True)
    if axis is not None:
        mean = np.expand_dims(mean, axis)
    ratios = np.exp((levels - mean) / DB)
    count = _count(levels, axis)
    if count == 1:
        return np.full(np.sum(ratios, axis=axis).shape, np.nan)
    return np.asarray(np.std(ratios, axis=axis, ddof=1))


def energy_deviation(levels: Any, *, axis: Axis = None) -> Any:
    """Give the scatter of single readings in dB by way of their energies.

    For readings that scatter by more than about 3 dB, where the standard deviation of the
    decibels describes nothing.

    Parameters
    ----------
    levels : array_like or DataArray
        Readings, dB.
    axis : int or tuple of int, optional
        What the readings run along; all axes by default.

    Returns
    -------
    float or ndarray
        ``10 lg(W + s_W) - 10 lg(W)``, dB: how far one standard deviation of the energies lies
        above their mean. NaN from one reading.

    References
    ----------
    ISO 1996-2:2017, 10.5.

    Examples
    --------
    >>> round(energy_deviation([50.0, 60.0, 70.0]), 2)
    3.94
    """
    numbers = np.atleast_1d(floats("levels", levels))
    return plain(np.asarray(DB * np.log1p(_relative_deviation(numbers, axis))))


def effective_dof(uncertainties: Iterable[float], dof: Iterable[float]) -> float:
    """Give the effective degrees of freedom of a sum of independent parts.

    Parameters
    ----------
    uncertainties : iterable of float
        Standard uncertainties, each already times its sensitivity.
    dof : iterable of float
        Their degrees of freedom, ``math.inf`` where nothing limits them.

    Returns
    -------
    float
        ``math.inf`` where no part is limited; NaN where every part is 0 or one is undefined, for
        then there is nothing to have degrees of freedom.

    References
    ----------
    JCGM 100:2008, G.4.1, Eq. G.2b (Welch-Satterthwaite).

    Examples
    --------
    >>> round(effective_dof([0.5, 0.2], [math.inf, 2]), 3)
    105.125
    """
    parts = [(float(u), float(nu)) for u, nu in zip(uncertainties, dof, strict=True) if u != 0]
    if not parts or any(math.isnan(u) for u, _ in parts):
        return math.nan
    combined = math.hypot(*(u for u, _ in parts))
    limited = math.fsum((u / combined) ** 4 / nu for u, nu in parts)
    return math.inf if limited == 0 else 1.0 / limited
