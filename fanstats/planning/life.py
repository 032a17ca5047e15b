"""What a life test shows, and what it takes to support a claimed life.

Life is Weibull with a *stated* shape: ``R(t) = exp(-(t / eta)^shape)``. A test of few units cannot
find the shape, so every answer rests on it, and on the acceleration factor where the test is
run hotter than the use. Both are assumptions, and are printed as such.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats

from fanstats._arguments import count, fraction, number
from fanstats.errors import FanstatsError
from fanstats.planning.inputs import numbers_in_a_row
from fanstats.planning.life_claims import (
    Claim,
    acceleration_factor,
    characteristic_life,
    life_from_characteristic,
)
from fanstats.planning.life_results import LifeShown, LifeTest, Warranty
from fanstats.planning.power import smallest_whole
from fanstats.planning.success_runs import (
    failed_units,
    reliability_shown,
    success_run_units,
    total_time_factor,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = [
    "HOURS_PER_YEAR",
    "LifeShown",
    "LifeTest",
    "Warranty",
    "acceleration_factor",
    "characteristic_life",
    "life_from_characteristic",
    "life_shown",
    "life_test_hours",
    "life_test_units",
    "reliability_shown",
    "success_run_units",
    "total_time_factor",
    "warranty",
]

HOURS_PER_YEAR: Final = 365.25 * 24


def _largest_failing(units: int, failures: int, confidence: float) -> float:
    """Largest share of failing units that a test with so few failures leaves possible."""
    if failures == 0:
        return float(-np.expm1(math.log1p(-confidence) / units))
    return float(stats.beta.ppf(confidence, failures + 1, units - failures))


def _test(
    claim_hours: float, claim: Claim, confidence: float, shape: float, acceleration: float,
    units: int, hours: float, failures: int,
) -> LifeTest:  # fmt: skip
    eta = characteristic_life(number("claim_hours", claim_hours, above=0), claim, shape=shape)

    def passed(times: float) -> float:
        fails = -math.expm1(-((hours * acceleration / (eta * times)) ** shape))
        return float(stats.binom.cdf(failures, units, fails))

    return LifeTest(
        claim_hours=float(claim_hours),
        claim=claim,
        confidence=confidence,
        shape=float(shape),
        acceleration=acceleration,
        units=units,
        hours=hours,
        failures=failures,
        chance_if_just_true=passed(1.0),
        chance_if_doubled=passed(2.0),
    )


def life_test_hours(
    claim_hours: float,
    *,
    claim: Claim,
    units: int,
    confidence: float,
    shape: float,
    failures: int = 0,
    acceleration: float = 1.0,
) -> LifeTest:
    """Find how long a number of units must run to support a claimed life.

    Parameters
    ----------
    claim_hours : float
        Claimed life in hours.
    claim : {"L10", "mean life"}
        What the claim is about.
    units : int
        Units on test.
    confidence : float
        Confidence with which a pass shall support the claim.
    shape : float
        Weibull shape. There is no default: the answer hangs on it.
    failures : int
        Failures with which the test is still passed.
    acceleration : float
        Hours of use that one hour of the test stands for; an assumption.

    Returns
    -------
    LifeTest

    Raises
    ------
    FanstatsError
        If as many failures are allowed as there are units, or a number is none.

    Examples
    --------
    >>> test = life_test_hours(50_000, claim="L10", units=50, confidence=0.9, shape=1.1)
    >>> round(test.hours)
    23562
    """
    tested, sure = count("units", units), fraction("confidence", confidence)
    allowed = count("failures", failures, at_least=0)
    if allowed >= tested:
        msg = f"`failures` must be fewer than the {tested} units on test; got {allowed}."
        raise FanstatsError(msg)
    factor = number("acceleration", acceleration, above=0)
    eta = characteristic_life(number("claim_hours", claim_hours, above=0), claim, shape=shape)
    failing = _largest_failing(tested, allowed, sure)
    hours = eta * float((-math.log1p(-failing)) ** (1 / shape)) / factor
    return _test(claim_hours, claim, sure, shape, factor, tested, hours, allowed)


def life_test_units(
    claim_hours: float,
    *,
    claim: Claim,
    hours: float,
    confidence: float,
    shape: float,
    failures: int = 0,
    acceleration: float = 1.0,
) -> LifeTest:
    """Find how many units must run for stated hours to support a claimed life.

    Parameters
    ----------
    claim_hours, claim, confidence, shape, failures, acceleration
        As in `life_test_hours`.
    hours : float
        Hours that each unit is run.

    Returns
    -------
    LifeTest

    Raises
    ------
    FanstatsError
        If a number is none, or the hours are so few that no number of units will do.

    Examples
    --------
    >>> life_test_units(50_000, claim="L10", hours=50_000, confidence=0.9, shape=2.0).units
    22
    """
    sure = fraction("confidence", confidence)
    allowed = count("failures", failures, at_least=0)
    factor = number("acceleration", acceleration, above=0)
    run = number("hours", hours, above=0)
    eta = characteristic_life(number("claim_hours", claim_hours, above=0), claim, shape=shape)
    exposure = (run * factor / eta) ** shape
    fails = -math.expm1(-exposure)

    def passes(n: int) -> bool:
        return float(stats.binom.cdf(allowed, n, fails)) <= (1 - sure) * (1 + 1e-12)

    n = smallest_whole(passes, allowed + 1, 10**9)
    if n is None:
        msg = f"`hours` of {run:g} are too few: not even a thousand million units would do."
        raise FanstatsError(msg)
    return _test(claim_hours, claim, sure, shape, factor, n, run, allowed)


def life_shown(
    hours: ArrayLike,
    *,
    confidence: float,
    shape: float,
    failures: int = 0,
    acceleration: float = 1.0,
) -> LifeShown:
    """Say what a test shows: lower limits for L10 and mean life.

    Parameters
    ----------
    hours : array_like
        Hours that each unit ran, failed or not, one number a unit.
    confidence : float
        Confidence in the limit.
    shape : float
        Weibull shape, assumed.
    failures : int
        How many of the units failed.
    acceleration : float
        Hours of use that one hour of the test stands for; an assumption.

    Returns
    -------
    LifeShown

    Raises
    ------
    FanstatsError
        If hours are negative, all 0 or not finite, or more failed than were tested.

    Notes
    -----
    With r failures ``eta = (sum t^shape / (chi2 / 2))^(1 / shape)``, chi2 being the `confidence`
    point with ``2 r + 2`` degrees of freedom; for tests stopped at a time it errs on the safe side.

    References
    ----------
    Nelson (1985), Journal of Quality Technology 17, 140-146 (Weibull analysis with few or no
    failures).

    Examples
    --------
    >>> shown = life_shown([8760.0] * 3, confidence=0.9, shape=2.0)
    >>> round(shown.L10)
    3246
    """
    rule = "finite numbers not below 0, one a unit"
    run = numbers_in_a_row("hours", hours, rule=rule)
    if (run < 0).any():
        msg = f"`hours` must be {rule}; got {hours!r}."
        raise FanstatsError(msg)
    if not run.any():
        msg = f"`hours` must not all be 0; got {run.size} times 0."
        raise FanstatsError(msg)
    b = number("shape", shape, above=0)
    factor = number("acceleration", acceleration, above=0)
    failed = failed_units(failures, run.size)
    # Scaled by the longest run, so that a large shape does not overflow.
    longest = float(run.max())
    exposure = float(np.power(run / longest, b).sum())
    eta = factor * longest * (exposure / total_time_factor(failed, confidence)) ** (1 / b)
    return LifeShown(
        units=run.size,
        failures=failed,
        unit_hours=float(run.sum()),
        confidence=float(confidence),
        shape=b,
        acceleration=factor,
        L10=life_from_characteristic(eta, "L10", shape=b),
        mean_life=life_from_characteristic(eta, "mean life", shape=b),
    )


def warranty(
    years: float, *, claim_hours: float, claim: Claim, hours_per_day: float, shape: float
) -> Warranty:
    """Set a warranty in years against a claimed life in hours.

    Parameters
    ----------
    years : float
        Warranty.
    claim_hours : float
        Claimed life in hours.
    claim : {"L10", "mean life"}
        What the claim is about.
    hours_per_day : float
        Hours of use a day, at most 24.
    shape : float
        Weibull shape, assumed.

    Returns
    -------
    Warranty

    Raises
    ------
    FanstatsError
        If a number is not above 0, or a day has more than 24 hours.

    Examples
    --------
    >>> w = warranty(6, claim_hours=50_000, claim="L10", hours_per_day=24, shape=1.1)
    >>> round(w.claim_years, 2), round(w.share_failing, 3)
    (5.7, 0.105)
    """
    covered = number("years", years, above=0)
    daily = number("hours_per_day", hours_per_day, above=0)
    if daily > 24:
        msg = f"`hours_per_day` must be at most 24; got {daily:g}."
        raise FanstatsError(msg)
    eta = characteristic_life(number("claim_hours", claim_hours, above=0), claim, shape=shape)
    yearly = HOURS_PER_YEAR * daily / 24
    used = covered * yearly
    return Warranty(
        years=covered,
        hours_per_day=daily,
        hours_used=used,
        claim_hours=float(claim_hours),
        claim=claim,
        claim_years=claim_hours / yearly,
        share_of_claim=used / claim_hours,
        shape=float(shape),
        share_failing=-math.expm1(-((used / eta) ** shape)),
    )
