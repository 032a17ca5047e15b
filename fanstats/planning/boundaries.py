"""Boundaries that pay for looking more than once, and the chances of crossing them.

At look k the difference of the means so far, in its own standard errors, is compared with a
boundary; crossing it ends the test. The difference has the canonical joint distribution of group
sequential tests: ``cov(d_j, d_k) = var(d_k)`` for j < k. That holds with errors that belong to the
models too (they stay in every look), the information of a look being ``1 / var(d_k)``.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy import optimize, special, stats

from fanstats._arguments import fraction, number
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.inputs import numbers_in_a_row

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray

__all__ = [
    "RULES",
    "Rule",
    "boundaries",
    "boundary_shape",
    "crossing_probabilities",
    "spending_boundaries",
    "student_limits",
]

Rule = Literal["Pocock", "O'Brien-Fleming", "every look alone"]
RULES: Final = ("Pocock", "O'Brien-Fleming", "every look alone")


@lru_cache(maxsize=4)
def _gauss(nodes: int) -> tuple[FloatArray, FloatArray]:
    x, w = np.polynomial.legendre.leggauss(nodes)
    return x, w


def _outside(x: FloatArray, limit: float, step: float) -> FloatArray:
    """P(a normal step from x ends beyond +/- limit)."""
    return np.asarray(special.ndtr((x - limit) / step) + special.ndtr((-x - limit) / step))


def crossing_probabilities(
    information: ArrayLike, limits: ArrayLike, gap: float = 0.0, *, nodes: int = 160
) -> FloatArray:
    """Give the chance of crossing first at each look.

    Parameters
    ----------
    information : array_like, shape (looks,)
        ``1 / var(d)`` at each look, growing.
    limits : array_like, shape (looks,)
        Boundaries in standard errors; infinite where nothing is decided.
    gap : float
        True difference.
    nodes : int
        Quadrature nodes a look.

    Returns
    -------
    ndarray, shape (looks,)
        They sum to the chance of any claim.

    Notes
    -----
    The density of ``information * d`` between the boundaries is carried from look to look by
    Gauss-Legendre quadrature.

    References
    ----------
    Armitage, McPherson and Rowe (1969), J. R. Statist. Soc. A 132, 235-244; Jennison and
    Turnbull (2000), Group Sequential Methods, chapter 19.

    Examples
    --------
    Five looks at 1.96 find something in 14 of 100 tests of like models:

    >>> crossing_probabilities([1, 2, 3, 4, 5], [1.96] * 5).sum().round(3)
    np.float64(0.142)
    """
    info = np.asarray(information, dtype=np.float64)
    bounds = np.asarray(limits, dtype=np.float64) * np.sqrt(info)
    steps = np.diff(info, prepend=0.0)
    x, w = _gauss(nodes)
    points, weights = np.zeros(1), np.ones(1)  # where the sum is, and with what weight
    crossed = np.empty_like(info)
    for look, (bound, step, total) in enumerate(zip(bounds, steps, info, strict=True)):
        drift, sd = gap * step, math.sqrt(step)
        crossed[look] = weights @ _outside(points + drift, bound, sd)
        # Beyond 9 standard deviations of the sum nothing is left to carry.
        low = max(-bound, gap * total - 9 * math.sqrt(total))
        high = min(bound, gap * total + 9 * math.sqrt(total))
        if look == info.size - 1 or high <= low:
            crossed[look + 1 :] = 0.0
            break
        grid = low + (high - low) / 2 * (x + 1)
        kernel = np.exp(-0.5 * np.square((grid[:, None] - points - drift) / sd))
        density = kernel @ weights / (sd * math.sqrt(2 * math.pi))
        points, weights = grid, density * w * (high - low) / 2
    return crossed


def boundary_shape(information: FloatArray, rule: Rule) -> FloatArray:
    """Give a boundary up to its constant.

    Parameters
    ----------
    information : ndarray, shape (looks,)
    rule : {"Pocock", "O'Brien-Fleming", "every look alone"}

    Returns
    -------
    ndarray, shape (looks,)
    """
    if rule == "O'Brien-Fleming":
        return np.asarray(np.sqrt(information[-1] / information))
    return np.ones_like(information)


def boundaries(information: ArrayLike, *, rule: Rule, alpha: float = 0.05) -> FloatArray:
    """Give boundaries that keep the chance of any false claim at `alpha`.

    Parameters
    ----------
    information : array_like, shape (looks,)
        ``1 / var(d)`` at each look, growing; only its ratios matter.
    rule : {"Pocock", "O'Brien-Fleming", "every look alone"}
        The same limit at every look; a limit falling with the square root of the information
        (hard to cross early, hardly above the fixed one late); or no correction at all, to show
        what that does.
    alpha : float
        Chance of any claim when the models are alike (two-sided).

    Returns
    -------
    ndarray, shape (looks,)

    Raises
    ------
    FanstatsError
        If the information does not grow, or a request makes no sense.

    References
    ----------
    Pocock (1977), Biometrika 64, 191-199; O'Brien and Fleming (1979), Biometrics 35, 549-556.

    Examples
    --------
    >>> boundaries([1, 2, 3, 4, 5], rule="Pocock").round(3)
    array([2.413, 2.413, 2.413, 2.413, 2.413])
    >>> boundaries([1, 2, 3, 4, 5], rule="O'Brien-Fleming").round(3)
    array([4.562, 3.226, 2.634, 2.281, 2.04 ])
    """
    one_of("rule", rule, RULES)
    false_rate = fraction("alpha", alpha)
    info = _information(information)
    fixed = float(stats.norm.isf(false_rate / 2))
    shape = boundary_shape(info, rule)
    if rule == "every look alone" or info.size == 1:
        return fixed * shape
    constant = optimize.brentq(
        lambda c: crossing_probabilities(info, c * shape).sum() - false_rate,
        0.5 * fixed,
        fixed + math.sqrt(info.size),
        xtol=1e-10,
    )
    return np.asarray(float(constant) * shape)


def _information(information: ArrayLike) -> FloatArray:
    info = numbers_in_a_row("information", information, rule="finite numbers in a row, one a look")
    growing = np.diff(info, prepend=0.0)
    if (growing <= 0).any():
        place = int(np.argmax(growing <= 0))
        msg = (
            f"`information` must grow from look to look, from above 0; got {info[place]:g} at look "
            f"{place + 1}. A look without new units is no look."
        )
        raise FanstatsError(msg)
    return info


def spending_boundaries(
    information: ArrayLike, *, full: float, rule: Rule, alpha: float = 0.05
) -> FloatArray:
    """Give boundaries when the looks come as they come: spend `alpha` as information grows.

    Parameters
    ----------
    information : array_like, shape (looks,)
        ``1 / var(d)`` at the looks so far.
    full : float
        Information at which all of `alpha` is spent, fixed before the first look.
    rule : {"Pocock", "O'Brien-Fleming"}
        Which of the two the spending resembles; half of `alpha` is spent in each direction.
    alpha : float
        Chance of any false claim by then (two-sided).

    Returns
    -------
    ndarray, shape (looks,)
        Each boundary depends on the looks up to it alone; infinite where nothing is left to spend.

    Raises
    ------
    FanstatsError
        If a request makes no sense.

    References
    ----------
    Lan and DeMets (1983), Biometrika 70, 659-663.

    Examples
    --------
    >>> spending_boundaries([1, 2], full=2, rule="O'Brien-Fleming").round(3)
    array([2.963, 1.969])
    """
    one_of("rule", rule, RULES[:2])
    false_rate = fraction("alpha", alpha)
    info = _information(information)
    part = np.minimum(info / number("full", full, above=0), 1.0)
    if rule == "Pocock":
        spent = false_rate * np.log1p((math.e - 1) * part)
    else:
        spent = 4 * stats.norm.sf(stats.norm.isf(false_rate / 4) / np.sqrt(part))
    limits = np.full_like(info, np.inf)
    for look, allowed in enumerate(np.diff(spent, prepend=0.0)):
        if allowed <= 0:
            continue
        limits[look] = _next_limit(info[: look + 1], limits[:look], float(allowed))
    return limits


def _next_limit(information: FloatArray, before: FloatArray, allowed: float) -> float:
    def excess(limit: float) -> float:
        return float(crossing_probabilities(information, [*before, limit])[-1]) - allowed

    return float(optimize.brentq(excess, 0.0, 40.0, xtol=1e-10)) if excess(40.0) < 0 else math.inf


def student_limits(limits: ArrayLike, dof: ArrayLike) -> FloatArray:
    """Give boundaries for a spread estimated as the test goes: the same levels in Student's t.

    Parameters
    ----------
    limits : array_like, shape (looks,)
        Boundaries for a known spread.
    dof : array_like, shape (looks,)
        Degrees of freedom behind the spread at each look; below 1 nothing can be claimed.

    Returns
    -------
    ndarray, shape (looks,)

    Notes
    -----
    An approximation. With 1 to 3 units of each model a look and 3 to 5 looks, simulated false
    claims are 0.046-0.056 where 0.05 is meant; with the limits for a known spread they are
    0.08-0.20.

    References
    ----------
    Jennison and Turnbull (2000), Group Sequential Methods, section 4.4 (from memory).

    Examples
    --------
    >>> student_limits([2.413, 2.413], [0, 4]).round(2)
    array([ inf, 4.02])
    """
    z = np.asarray(limits, dtype=np.float64)
    degrees = np.asarray(dof, dtype=np.float64)
    t = stats.t.isf(stats.norm.sf(z), np.maximum(degrees, 1.0))
    return np.asarray(np.where(degrees >= 1, t, np.inf))
