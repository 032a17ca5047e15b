"""How many units a wish takes: to settle a gap, to pin a value or the spread down."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from fanstats._arguments import count, fraction, number, power_above
from fanstats.errors import FanstatsError
from fanstats.planning.claims import chance_of_claim, claim_limit
from fanstats.planning.inputs import numbers_in_a_row
from fanstats.planning.power import (
    MOST_UNITS,
    Sides,
    critical_value,
    smallest_whole,
    standard_error,
)
from fanstats.planning.power import power as power_of_test
from fanstats.planning.units_needed import (
    UnitsNeeded,
    checked_spread,
    curve_points,
    origin_words,
    paid,
    with_units,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = [
    "UnitsNeeded",
    "units_for_gap",
    "units_for_half_width",
    "units_for_models",
    "units_for_spread",
]


def units_for_gap(
    gap: float,
    spread: float,
    *,
    spread_dof: float,
    power: float = 0.8,
    alpha: float = 0.05,
    sides: Sides = 2,
    measurement: float = 0.0,
    floor: float = 0.0,
    units: str = "",
    price: float | None = None,
    sitting_hours: float | None = None,
    currency: str = "",
) -> UnitsNeeded:
    """Find how many units of each of two models settle a gap.

    Parameters
    ----------
    gap : float
        True difference worth finding. With one side it must be positive, "in the direction
        looked for".
    spread : float
        Standard deviation from unit to unit, in the unit of `gap`.
    spread_dof : float
        Degrees of freedom behind the spread from *other* models: infinite where the spread is
        known, 0 where it will be estimated from these units alone.
    power : float
        Wanted chance of a claim, between `alpha` and 1.
    alpha : float
        Chance of a claim when there is no gap.
    sides : {1, 2}
        Whether a lead in either direction would be claimed.
    measurement, floor : float
        As in `standard_error`.
    units : str
        Unit of the gap, for sentences.
    price, sitting_hours : float, optional
        Price of one unit, and hours it takes at the bench.
    currency : str
        For sentences.

    Returns
    -------
    UnitsNeeded
        `n_per_model` of at least 1 with a spread known or borrowed, else at least 2.

    Raises
    ------
    FanstatsError
        If no number of units can do it, or a request makes no sense.

    References
    ----------
    Cohen (1988), Statistical Power Analysis, chapter 2 (whose tables round n instead of
    taking the next whole unit).

    Examples
    --------
    >>> units_for_gap(1.0, 0.8, spread_dof=0).n_per_model
    12
    >>> units_for_gap(1.0, 0.8, spread_dof=float("inf")).n_per_model
    11
    """
    difference = _gap(gap, sides)
    deviation, noise = checked_spread(spread, measurement)
    behind = number("spread_dof", spread_dof, at_least=0, infinite=True)
    fixed = number("floor", floor, at_least=0)
    false_rate = fraction("alpha", alpha)
    wanted = power_above(power, false_rate)
    first = 1 if behind > 0 else 2

    def chance(n: int) -> float:
        return _two_model_power(
            difference, deviation, n, n, noise, fixed, behind, false_rate, sides
        )

    n = smallest_whole(lambda size: chance(size) >= wanted, first)
    if n is None:
        best = chance(MOST_UNITS)
        msg = (
            f"`gap` of {difference:g} cannot be settled with power {wanted:g} by any number of "
            f"units: the floor of {fixed:g} stays, and the best chance is {best:.2f}. Reduce the "
            "errors that belong to a model, or ask for a larger gap."
        )
        raise FanstatsError(msg)
    needed = UnitsNeeded(
        n_per_model=n,
        n_total=2 * n,
        models=2,
        reached=chance(n),
        one_fewer=chance(n - 1) if n > first else math.nan,
        wanted=wanted,
        points=curve_points(chance, n, first),
        measure=f"chance that a gap of {with_units(difference, units)} is claimed",
        assumed=f"spread {with_units(deviation, units)}, {origin_words(behind)}, "
        f"false claims {false_rate:g}",
    )
    return paid(needed, price, sitting_hours, currency)


def _gap(gap: object, sides: int) -> float:
    difference = number("gap", gap)
    if sides not in (1, 2):
        msg = f"`sides` must be 1 or 2; got {sides!r}."
        raise FanstatsError(msg)
    if difference == 0:
        msg = "`gap` must not be 0; got 0. No number of units shows a difference that is not there."
        raise FanstatsError(msg)
    if sides == 1 and difference < 0:
        msg = (
            f"`gap` must be positive when one direction is looked at; got {difference:g}. A gap in "
            "the other direction is never claimed: swap the models or use sides=2."
        )
        raise FanstatsError(msg)
    return abs(difference)


def _two_model_power(
    gap: float,
    spread: float,
    n_first: int,
    n_second: int,
    measurement: float,
    floor: float,
    dof_elsewhere: float,
    alpha: float,
    sides: Sides,
) -> float:
    error = standard_error(spread, n_first, n_second, measurement=measurement)
    dof = dof_elsewhere + n_first + n_second - 2
    if floor > 0:
        # One direction at alpha claims what both at twice alpha do, the wrong one aside.
        both = min(alpha * (3 - sides), 1 - 1e-9)
        return float(chance_of_claim(gap, error**2, floor**2, dof=dof, alpha=both))
    critical = critical_value(alpha, dof=dof, sides=sides)
    return float(power_of_test(gap, error, critical=critical, dof=dof, sides=sides))


def units_for_models(
    means: ArrayLike,
    spread: float,
    *,
    power: float = 0.8,
    alpha: float = 0.05,
    price: float | None = None,
    sitting_hours: float | None = None,
    currency: str = "",
) -> UnitsNeeded:
    """Find how many units of each model show that not all models are alike (one-way F test).

    Parameters
    ----------
    means : array_like
        True values of the models, two or more.
    spread : float
        Standard deviation of one unit's result, estimated from these units.
    power, alpha : float
        Wanted chance of a claim, and chance of one when all are alike.
    price, sitting_hours : float, optional
        Price of one unit, and hours it takes at the bench.
    currency : str
        For sentences.

    Returns
    -------
    UnitsNeeded

    Raises
    ------
    FanstatsError
        If a request makes no sense.

    References
    ----------
    Cohen (1988), chapter 8; the noncentrality is ``n sum (m - mean)^2 / spread^2``.

    Examples
    --------
    >>> needed = units_for_models([30.0, 30.5, 31.0, 31.5], 0.8, power=0.9)
    >>> needed.n_per_model, needed.n_total
    (9, 36)
    """
    values = numbers_in_a_row("means", means, rule="two or more finite numbers in a row")
    models = values.size
    if models < 2:
        msg = f"`means` must be two or more finite numbers in a row; got {means!r}."
        raise FanstatsError(msg)
    deviation = number("spread", spread, above=0)
    false_rate = fraction("alpha", alpha)
    wanted = power_above(power, false_rate)
    between = float(np.square(values - values.mean()).sum()) / deviation**2
    if between == 0:
        msg = "`means` must not all be equal; got equal ones. There is nothing to find."
        raise FanstatsError(msg)

    def chance(n: int) -> float:
        dof = models * (n - 1)
        limit = stats.f.isf(false_rate, models - 1, dof)
        # Beyond this noncentrality the chance is 1 to all digits and scipy's series gives up.
        return float(stats.ncf.sf(limit, models - 1, dof, min(n * between, 1e4)))

    n = smallest_whole(lambda size: chance(size) >= wanted, 2)
    if n is None:
        msg = f"`means` differ too little against `spread` {deviation:g} for any number of units."
        raise FanstatsError(msg)
    needed = UnitsNeeded(
        n_per_model=n,
        n_total=n * models,
        models=models,
        reached=chance(n),
        one_fewer=chance(n - 1) if n > 2 else math.nan,
        wanted=wanted,
        points=curve_points(chance, n, 2),
        measure="chance that a difference among the models is claimed",
        assumed=f"spread {deviation:g}, {origin_words(0)}, false claims {false_rate:g}",
    )
    return paid(needed, price, sitting_hours, currency)


def units_for_half_width(
    half_width: float,
    spread: float,
    *,
    spread_dof: float,
    probability: float = 0.95,
    measurement: float = 0.0,
    floor: float = 0.0,
    assurance: float | None = None,
    units: str = "",
    price: float | None = None,
    sitting_hours: float | None = None,
    currency: str = "",
) -> UnitsNeeded:
    """Find how many units pin the typical unit's value down to a stated half width.

    Parameters
    ----------
    half_width : float
        Wanted: the typical unit lies within this of the mean.
    spread : float
        Standard deviation from unit to unit.
    spread_dof : float
        As in `units_for_gap`.
    probability : float
        Coverage probability.
    measurement, floor : float
        Standard uncertainty of one unit's measurement, and that of errors that no further unit
        reduces: the meter's calibration, its answer to this model.
    assurance : float, optional
        With an estimated spread the half width itself is luck: the wanted chance that it comes
        out small enough. None plans for the stated spread to come out as the estimate.
    units : str
        Unit of the half width, for sentences.
    price, sitting_hours : float, optional
        Price of one unit, and hours it takes at the bench.
    currency : str
        For sentences.

    Returns
    -------
    UnitsNeeded

    Raises
    ------
    FanstatsError
        If the floor alone is wider, or a request makes no sense.

    Examples
    --------
    >>> units_for_half_width(0.5, 0.8, spread_dof=float("inf")).n_per_model
    10
    >>> units_for_half_width(0.5, 0.8, spread_dof=0).n_per_model
    13
    """
    wanted = number("half_width", half_width, above=0)
    deviation, noise = checked_spread(spread, measurement)
    behind = number("spread_dof", spread_dof, at_least=0, infinite=True)
    fixed = number("floor", floor, at_least=0)
    tail = (1.0 - fraction("probability", probability)) / 2.0
    upper = None if assurance is None else fraction("assurance", assurance)
    first = 1 if behind > 0 else 2

    def reached(n: int) -> float:
        dof = behind + n - 1
        mean_square = deviation**2 + noise**2
        if upper is not None and math.isfinite(dof):
            mean_square *= float(stats.chi2.ppf(upper, dof)) / dof
        return float(claim_limit(mean_square / n, fixed**2, dof=dof, alpha=2 * tail))

    n = smallest_whole(lambda size: reached(size) <= wanted, first)
    if n is None:
        msg = (
            f"`half_width` of {wanted:g} cannot be reached by any number of units: errors that "
            f"stay ({fixed:g}) alone give {reached(MOST_UNITS):.3g}."
        )
        raise FanstatsError(msg)
    needed = UnitsNeeded(
        n_per_model=n,
        n_total=n,
        models=1,
        reached=reached(n),
        one_fewer=reached(n - 1) if n > first else math.nan,
        wanted=wanted,
        points=curve_points(reached, n, first),
        measure=f"half width of the range, {100 * (1 - 2 * tail):g} times in 100,"
        + (f" in {units}" if units else ""),
        assumed=f"spread {with_units(deviation, units)}, {origin_words(behind)}"
        + ("" if upper is None else f", chance {upper:g} of coming out so"),
    )
    return paid(needed, price, sitting_hours, currency)


def units_for_spread(
    relative: float,
    *,
    probability: float = 0.95,
    models: int = 1,
    price: float | None = None,
    sitting_hours: float | None = None,
    currency: str = "",
) -> UnitsNeeded:
    """Find how many units pin the unit-to-unit spread itself down.

    Parameters
    ----------
    relative : float
        Wanted: the upper end of the spread's interval is at most ``1 + relative`` times the
        estimate. (The lower end is always nearer.)
    probability : float
        Coverage probability.
    models : int
        Models over which one spread is pooled; each gives its units less one degrees of freedom.
    price, sitting_hours : float, optional
        Price of one unit, and hours it takes at the bench.
    currency : str
        For sentences.

    Returns
    -------
    UnitsNeeded

    Raises
    ------
    FanstatsError
        If a request makes no sense.

    Examples
    --------
    >>> units_for_spread(0.5).n_per_model, units_for_spread(0.5, models=8).n_per_model
    (18, 4)
    """
    wanted = number("relative", relative, above=0)
    tail = (1.0 - fraction("probability", probability)) / 2.0
    pooled = count("models", models)

    def reached(n: int) -> float:
        dof = pooled * (n - 1)
        return math.sqrt(dof / float(stats.chi2.ppf(tail, dof))) - 1.0

    n = smallest_whole(lambda size: reached(size) <= wanted, 2)
    if n is None:
        msg = f"`relative` of {wanted:g} takes more than {MOST_UNITS} units of each model."
        raise FanstatsError(msg)
    needed = UnitsNeeded(
        n_per_model=n,
        n_total=n * pooled,
        models=pooled,
        reached=reached(n),
        one_fewer=reached(n - 1) if n > 2 else math.nan,
        wanted=wanted,
        points=curve_points(reached, n, 2),
        measure="relative distance from the spread found to the upper end of its range",
        assumed=f"{100 * (1 - 2 * tail):g} times in 100, one spread for all models, measurement "
        "error small against it",
    )
    return paid(needed, price, sitting_hours, currency)
