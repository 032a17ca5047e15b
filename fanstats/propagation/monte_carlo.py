"""What Monte Carlo draws say, and how well: coverage intervals and their own standard errors."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np
import xarray as xr
from scipy import stats

from fanstats._arguments import fraction
from fanstats._typing import FloatArray
from fanstats.decisions.order import ONE_SIGMA, has_heavy_tails
from fanstats.decisions.selection import quantities_of
from fanstats.errors import FanstatsError, one_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = [
    "Interval",
    "coverage_interval",
    "draws_for",
    "mean_error",
    "monte_carlo_errors",
    "quantile_error",
    "sd_error",
    "uncertainty_error",
]

IntervalKind = Literal["symmetric", "shortest"]
_KINDS: Final = ("symmetric", "shortest")
# Ends closer to the tails than this many draws have no draws on their far side to judge them by.
_FEWEST_BEYOND: Final = 1


class Interval(NamedTuple):
    """A coverage interval.

    Attributes
    ----------
    low, high : ndarray or float
        Its ends.
    """

    low: FloatArray
    high: FloatArray


def coverage_interval(
    draws: ArrayLike, probability: float = 0.95, *, kind: IntervalKind = "symmetric"
) -> Interval:
    """Give the coverage interval of draws along their last axis.

    Parameters
    ----------
    draws : array_like, shape (..., draw)
        Draws; where one is missing the interval is NaN.
    probability : float
        Coverage probability.
    kind : {"symmetric", "shortest"}
        Probabilistically symmetric (as much left out on either side), or the shortest of all.

    Returns
    -------
    Interval
        Ends are draws themselves, of shape (...).

    Raises
    ------
    FanstatsError
        If there are too few draws for the probability.

    Notes
    -----
    The shortest interval has a flat optimum: its ends wander together by far more than its width
    does. It is meant for lopsided distributions, where the symmetric one holds values that are
    less likely than some that it leaves out.

    References
    ----------
    JCGM 101:2008, 7.7.2 to 7.7.4 and 5.3.

    Examples
    --------
    >>> draws = np.random.default_rng(1).exponential(size=100_000)
    >>> [float(end.round(1)) for end in coverage_interval(draws, kind="shortest")]
    [0.0, 3.0]
    """
    one_of("kind", kind, _KINDS)
    fraction("probability", probability)
    ordered = np.sort(np.asarray(draws, dtype=np.float64), axis=-1)
    size = ordered.shape[-1]
    inside = math.floor(probability * size + 0.5)
    if not 1 <= inside < size:
        msg = (
            f"{size} draws are too few for an interval of probability {probability:g}; "
            f"take at least {math.ceil(1.0 / (1.0 - probability)) + 1}."
        )
        raise FanstatsError(msg)
    missing = np.isnan(ordered[..., -1])  # NaN is sorted last
    if kind == "symmetric":
        start = np.full(ordered.shape[:-1], max(0, (size - inside + 1) // 2 - 1))
    else:
        widths = ordered[..., inside:] - ordered[..., : size - inside]
        start = np.argmin(np.where(np.isnan(widths), np.inf, widths), axis=-1)
    low = np.take_along_axis(ordered, start[..., None], axis=-1)[..., 0]
    high = np.take_along_axis(ordered, start[..., None] + inside, axis=-1)[..., 0]
    return Interval(
        np.asarray(np.where(missing, np.nan, low))[()],
        np.asarray(np.where(missing, np.nan, high))[()],
    )


def mean_error(draws: ArrayLike) -> FloatArray:
    """Give the Monte Carlo standard error of the mean of draws.

    Parameters
    ----------
    draws : array_like, shape (..., draw)
        Independent draws.

    Returns
    -------
    ndarray, shape (...)

    References
    ----------
    JCGM 101:2008, 7.9.4.
    """
    values = np.asarray(draws, dtype=np.float64)
    return np.asarray(values.std(axis=-1, ddof=1) / math.sqrt(values.shape[-1]))[()]


def sd_error(draws: ArrayLike) -> FloatArray:
    """Give the Monte Carlo standard error of the standard deviation of draws.

    Parameters
    ----------
    draws : array_like, shape (..., draw)
        Independent draws with a finite fourth moment.

    Returns
    -------
    ndarray, shape (...)
        0 where the draws do not vary. Under heavy tails it is itself unsteady.

    Notes
    -----
    With ``m4`` the fourth central moment, the variance of ``s**2`` over ``M`` draws is
    ``(m4 - s**4 (M - 3) / (M - 1)) / M``, and that of ``s`` a quarter of it over ``s**2``.

    References
    ----------
    Kendall and Stuart, The Advanced Theory of Statistics, vol. 1, 10.4 and 10.6.
    """
    values = np.asarray(draws, dtype=np.float64)
    size = values.shape[-1]
    variance = values.var(axis=-1, ddof=1)
    fourth = np.mean(np.square(np.square(values - values.mean(axis=-1, keepdims=True))), axis=-1)
    spread = np.maximum(0.0, fourth - np.square(variance) * (size - 3) / (size - 1)) / size
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.sqrt(spread / (4.0 * variance))
    return np.asarray(np.where(variance == 0, 0.0, error))[()]


def quantile_error(draws: ArrayLike, probability: ArrayLike) -> FloatArray:
    """Give the Monte Carlo standard error of a quantile of draws.

    Parameters
    ----------
    draws : array_like, shape (..., draw)
        Independent draws.
    probability : float or array_like, shape (quantile,)
        Which quantiles.

    Returns
    -------
    ndarray, shape (...) or (quantile, ...)
        NaN where no draws lie beyond the quantile.

    Notes
    -----
    How many draws lie below the true quantile is binomial: half the distance between the order
    statistics one standard deviation of that number to either side. No density is estimated, and
    the tails may be as heavy as they like.

    References
    ----------
    David and Nagaraja, Order Statistics (3rd ed. 2003), 7.1.
    """
    values = np.asarray(draws, dtype=np.float64)
    size = values.shape[-1]
    p = np.asarray(probability, dtype=np.float64)
    reach = np.sqrt(p * (1.0 - p) / size)
    low, high = p - reach, p + reach
    covered = (low * size >= _FEWEST_BEYOND) & ((1.0 - high) * size >= _FEWEST_BEYOND)
    ends = np.quantile(values, np.clip([low, high], 0.0, 1.0), axis=-1)
    half = (ends[1] - ends[0]) / 2.0
    shape = p.shape + (1,) * (values.ndim - 1)
    return np.asarray(np.where(covered.reshape(shape), half, np.nan))[()]


def uncertainty_error(draws: ArrayLike) -> FloatArray:
    """Give the Monte Carlo standard error of the standard uncertainty that is reported.

    Parameters
    ----------
    draws : array_like, shape (..., draw)
        Independent draws.

    Returns
    -------
    ndarray, shape (...)
        That of the standard deviation; of half the central 68.27 % interval where that stands for
        it because the tails are heavy.

    Notes
    -----
    The two ends are quantiles of the same draws, correlated by ``p / (1 - p)`` with ``p`` the
    share beyond either.

    References
    ----------
    David and Nagaraja, Order Statistics (3rd ed. 2003), 10.2 (joint distribution of quantiles).
    """
    values = np.asarray(draws, dtype=np.float64)
    low, high = quantile_error(values, np.array(ONE_SIGMA))
    shared = ONE_SIGMA[0] / (1.0 - ONE_SIGMA[0])
    ends = np.square(low) + np.square(high) - 2.0 * shared * low * high
    heavy = has_heavy_tails(values)
    return np.asarray(np.where(heavy, np.sqrt(ends) / 2.0, sd_error(values)))[()]


def monte_carlo_errors(
    estimates: xr.Dataset | xr.DataArray, *, probability: float = 0.95
) -> xr.Dataset:
    """Give the Monte Carlo standard error of every figure that is reported of estimates.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, or any array with `draw`.
    probability : float
        Coverage probability of the intervals.

    Returns
    -------
    Dataset
        For every quantity, over its dimensions without `draw` and over `figure`: "mean",
        "standard uncertainty", "low" and "high" (ends of the probabilistically symmetric
        interval). How far a figure would move with other draws, one standard deviation; the
        value at the readings as read is no figure of chance and has none. NaN where there is no
        estimate.

    Raises
    ------
    FanstatsError
        If nothing has draws.

    References
    ----------
    JCGM 101:2008, 7.9.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(
    ...     fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
    >>> errors = monte_carlo_errors(estimates)
    >>> errors.airflow.dims
    ('scope', 'model', 'obstruction', 'figure')
    """
    fraction("probability", probability)
    if isinstance(estimates, xr.DataArray):
        arrays = {"value" if estimates.name is None else str(estimates.name): estimates}
    else:
        arrays = {name: estimates[name] for name in quantities_of(estimates)}
    if not arrays or not all("draw" in array.dims for array in arrays.values()):
        msg = "`estimates` must hold draws (dimension 'draw')."
        raise FanstatsError(msg)
    tails = np.array([(1.0 - probability) / 2.0, (1.0 + probability) / 2.0])
    variables = {}
    for name, array in arrays.items():
        draws = array.transpose(..., "draw")
        values = draws.to_numpy()
        figures = [mean_error(values), uncertainty_error(values), *quantile_error(values, tails)]
        about = {
            "units": str(array.attrs.get("units", "")),
            "long_name": f"Monte Carlo standard error of {name}",
        }
        variables[name] = ((*draws.dims[:-1], "figure"), np.stack(figures, axis=-1), about)
    kept = {
        name: coord
        for name, coord in estimates.coords.items()
        if "draw" not in coord.dims and name != "luck"
    }
    names = ["mean", "standard uncertainty", "low", "high"]
    attrs = {"probability": probability, "draws": int(estimates.sizes["draw"])}
    return xr.Dataset(variables, coords={**kept, "figure": names}, attrs=attrs)


def draws_for(probability: float, relative_error: float) -> int:
    """Give how many draws put the Monte Carlo error of an interval's ends below a share of u.

    Parameters
    ----------
    probability : float
        Coverage probability of the interval.
    relative_error : float
        Wanted standard error of an end, as a share of the standard uncertainty, for normal draws.

    Returns
    -------
    int

    Examples
    --------
    >>> draws_for(0.95, 0.01)
    71360
    """
    fraction("relative_error", relative_error)
    tail = (1.0 + fraction("probability", probability)) / 2.0
    density = float(stats.norm.pdf(stats.norm.ppf(tail)))
    return math.ceil(tail * (1.0 - tail) / (density * relative_error) ** 2)
