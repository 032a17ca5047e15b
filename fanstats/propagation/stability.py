"""As many draws as it takes for the digits that are printed to stand still."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, Protocol

import numpy as np

from fanstats._arguments import count, fraction
from fanstats._typing import FloatArray, SeedLike
from fanstats.decisions.selection import quantities_of
from fanstats.engine.draws import root_from
from fanstats.errors import FanstatsError
from fanstats.propagation.monte_carlo import coverage_interval

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Stable", "numerical_tolerance", "until_stable"]

# JCGM 101:2008, 7.9.4 a) and b).
_SMALLEST_BLOCK: Final = 10_000
_MOST_DRAWS: Final = 320_000


class Makes(Protocol):
    """Makes estimates with so many draws from a root."""

    def __call__(self, *, draws: int, rng: int) -> xr.Dataset:
        """Give estimates."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stable:
    """Estimates with as many draws as their digits take.

    Attributes
    ----------
    estimates : Dataset
        With all draws, of one root.
    draws : int
        How many.
    digits : int
        Significant digits of the standard uncertainty that were asked for.
    stable : bool
        Whether they stand still.
    slowest : str
        Which figure moves most against its tolerance.
    ratio : float
        Twice its standard deviation over its tolerance; 1 or less is stable.
    """

    estimates: xr.Dataset
    draws: int
    digits: int
    stable: bool
    slowest: str
    ratio: float


def numerical_tolerance(standard_uncertainty: FloatArray | float, digits: int = 2) -> FloatArray:
    """Give half a unit of the last digit that a standard uncertainty is printed with.

    Parameters
    ----------
    standard_uncertainty : array_like
        Standard uncertainties.
    digits : int
        Significant decimal digits that count.

    Returns
    -------
    ndarray
        Same shape; 0 where the uncertainty is 0.

    References
    ----------
    JCGM 101:2008, 7.9.2 and its examples.

    Examples
    --------
    >>> float(numerical_tolerance(0.35, digits=2)), float(numerical_tolerance(0.35, digits=1))
    (0.005, 0.05)
    """
    count("digits", digits)
    u = np.asarray(standard_uncertainty, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        place = np.floor(np.log10(u))
        # 0.0996 with two digits is 0.10, whose last digit is a hundredth.
        place = np.where(
            np.round(u / 10.0 ** (place - digits + 1)) >= 10.0**digits, place + 1, place
        )
        tolerance = 0.5 * 10.0 ** (place - digits + 1)
    return np.asarray(np.where(u == 0, 0.0, tolerance))[()]


def until_stable(
    make: Makes,
    *,
    rng: SeedLike = None,
    digits: Literal[1, 2] = 1,
    probability: float = 0.95,
    most: int = _MOST_DRAWS,
) -> Stable:
    """Double the draws until value, standard uncertainty and both ends stand still.

    Parameters
    ----------
    make : callable
        Makes estimates from the keywords `draws` and `rng`, such as
        ``functools.partial(fs.equal_noise, readings, 33, bench=bench)``.
    rng : int, numpy.random.Generator, numpy.random.SeedSequence or None
        Root of all draws: the result is what ``make(draws=found.draws, rng=root)`` gives.
    digits : {1, 2}
        Significant digits of the standard uncertainty that are to be right.
    probability : float
        Coverage probability of the intervals.
    most : int
        Where to stop although digits still move.

    Returns
    -------
    Stable

    Raises
    ------
    FanstatsError
        If nothing has an estimate.

    Notes
    -----
    The draws are split into blocks of ``M = max(10_000, 100 / (1 - probability))``; mean, standard
    deviation and ends of each block give the standard deviation of their averages over blocks,
    and twice that must not exceed half a unit of the last digit of u, for every model, quantity
    and scope. Between two and four blocks that standard deviation is itself poorly known, so at
    least four are made.

    References
    ----------
    JCGM 101:2008, 7.9.4 (adaptive Monte Carlo procedure).

    Examples
    --------
    >>> import functools
    >>> import fanstats as fs
    >>> bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=0))
    >>> make = functools.partial(fs.from_chart, {"A": 412, "B": 398}, quantity="airflow",
    ...                          units="fpm", level=36, bench=bench)
    >>> found = until_stable(make, rng=1)
    >>> found.stable, found.draws
    (True, 40000)
    """
    if digits not in (1, 2):
        msg = f"`digits` must be 1 or 2; got {digits!r}."
        raise FanstatsError(msg)
    block = max(_SMALLEST_BLOCK, math.ceil(100.0 / (1.0 - fraction("probability", probability))))
    count("most", most, at_least=4 * block)
    root = root_from(rng)
    draws = 4 * block
    while True:
        estimates = make(draws=draws, rng=root)
        slowest, ratio = _slowest(estimates, block, digits, probability)
        if ratio <= 1.0 or 2 * draws > most:
            return Stable(
                estimates=estimates,
                draws=draws,
                digits=digits,
                stable=ratio <= 1.0,
                slowest=slowest,
                ratio=ratio,
            )
        draws *= 2


def _slowest(
    estimates: xr.Dataset, block: int, digits: int, probability: float
) -> tuple[str, float]:
    """Find the figure that moves most against its tolerance."""
    worst: tuple[str, float] = ("", -1.0)
    for name in quantities_of(estimates):
        array = estimates[name].transpose(..., "draw")
        values = array.to_numpy()
        if not np.isfinite(values).any():
            continue
        figures = block_figures(values, block, probability)
        tolerance = numerical_tolerance(values.std(axis=-1, ddof=1), digits)
        moves = 2.0 * figures.std(axis=-1, ddof=1) / math.sqrt(figures.shape[-1])
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(moves == 0, 0.0, moves / tolerance)
        place = np.unravel_index(int(np.nanargmax(ratio)), ratio.shape)
        if ratio[place] > worst[1]:
            labels = [
                str(array[dim].values[index])
                for dim, index in zip(array.dims[:-1], place[1:], strict=True)
            ]
            figure = ("mean", "standard uncertainty", "low end", "high end")[place[0]]
            worst = f"{figure} of {name} ({', '.join(labels)})", float(ratio[place])
    if worst[1] < 0:
        msg = "`make` gave no estimate at all, so no digits either; see the status of its result."
        raise FanstatsError(msg)
    return worst


def block_figures(values: FloatArray, block: int, probability: float) -> FloatArray:
    """Give mean, standard deviation and ends of every block of draws.

    Parameters
    ----------
    values : ndarray, shape (..., draw)
        Draws, a whole number of blocks.
    block : int
        Draws a block.
    probability : float
        Coverage probability.

    Returns
    -------
    ndarray, shape (figure, ..., block)
    """
    parts = values.reshape(*values.shape[:-1], -1, block)
    low, high = coverage_interval(parts, probability)
    return np.stack([parts.mean(axis=-1), parts.std(axis=-1, ddof=1), low, high])
