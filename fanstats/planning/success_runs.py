"""Life tests judged by passes and failures alone, without a shape of the lives."""

from __future__ import annotations

from typing import Literal

from scipy import stats

from fanstats._arguments import count, fraction
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.power import smallest_whole

__all__ = ["failed_units", "reliability_shown", "success_run_units", "total_time_factor"]

Prior = Literal["none", "uniform"]


def success_run_units(
    reliability: float, confidence: float, *, failures: int = 0, prior: Prior = "none"
) -> int:
    """Give the number of units to be tested for a stated reliability, some failures allowed.

    Parameters
    ----------
    reliability : float
        Least share of all units that survive the test's duration.
    confidence : float
        Confidence that they do.
    failures : int
        Number of failures with which the test is still passed.
    prior : {"none", "uniform"}
        "none" is the classical answer; a uniform prior saves one unit and assumes that all
        reliabilities are equally likely beforehand.

    Returns
    -------
    int

    Raises
    ------
    FanstatsError
        If a request makes no sense.

    Examples
    --------
    >>> success_run_units(0.9, 0.9), success_run_units(0.9, 0.9, prior="uniform")
    (22, 21)
    """
    one_of("prior", prior, ("none", "uniform"))
    least, sure = fraction("reliability", reliability), fraction("confidence", confidence)
    allowed = count("failures", failures, at_least=0)
    added = 1 if prior == "uniform" else 0

    def passes(n: int) -> bool:
        # P(at most `allowed` failures) at that reliability; tiny slack for exact powers.
        tail = float(stats.binom.cdf(allowed, n + added, 1 - least))
        return tail <= (1 - sure) * (1 + 1e-12)

    n = smallest_whole(passes, allowed + 1 - added, 10**9)
    if n is None:
        msg = f"`reliability` of {least!r} is too close to 1 for any number of units."
        raise FanstatsError(msg)
    return n


def reliability_shown(
    n: int, *, confidence: float, failures: int = 0, prior: Prior = "none"
) -> float:
    """Give the least reliability that a test of `n` units supports.

    Parameters
    ----------
    n : int
        Units tested.
    confidence : float
        Confidence in the answer.
    failures : int
        Units that failed within the test's duration.
    prior : {"none", "uniform"}
        As in `success_run_units`.

    Returns
    -------
    float
        Lower limit for the share of all units that survive the duration (Clopper-Pearson).

    Raises
    ------
    FanstatsError
        If more units failed than were tested, or a number is none.

    Examples
    --------
    >>> [round(reliability_shown(n, confidence=0.9), 2) for n in (1, 3)]
    [0.1, 0.46]
    """
    one_of("prior", prior, ("none", "uniform"))
    tested, sure = count("n", n), fraction("confidence", confidence)
    failed = failed_units(failures, tested)
    added = 1 if prior == "uniform" else 0
    if failed == tested and not added:
        return 0.0
    return float(stats.beta.ppf(1 - sure, tested - failed + added, failed + 1))


def failed_units(failures: object, tested: int) -> int:
    """Return a number of failures, not more than the units tested, else raise.

    Parameters
    ----------
    failures : object
        What the caller passed.
    tested : int
        Units tested.

    Returns
    -------
    int

    Raises
    ------
    FanstatsError
        If it is no whole number, or more than that failed.
    """
    failed = count("failures", failures, at_least=0)
    if failed > tested:
        msg = f"`failures` must not exceed the {tested} units tested; got {failed}."
        raise FanstatsError(msg)
    return failed


def total_time_factor(failures: int, confidence: float) -> float:
    """Give total test time over mean life, for a constant failure rate.

    Parameters
    ----------
    failures : int
        Number of failures with which the test is still passed.
    confidence : float
        Confidence in the mean life.

    Returns
    -------
    float

    Raises
    ------
    FanstatsError
        If a number is none.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 8.3.1.1.

    Examples
    --------
    >>> round(total_time_factor(1, 0.8), 2)
    2.99
    """
    allowed = count("failures", failures, at_least=0)
    return float(stats.chi2.ppf(fraction("confidence", confidence), 2 * allowed + 2) / 2)
