"""One claimed life out of another, and the lives that a stated acceleration makes of test hours.

Life is Weibull with a *stated* shape: ``R(t) = exp(-(t / eta)^shape)``.
"""

from __future__ import annotations

import math
from typing import Final, Literal

from fanstats._arguments import number
from fanstats.errors import one_of

__all__ = ["Claim", "acceleration_factor", "characteristic_life", "life_from_characteristic"]

Claim = Literal["L10", "mean life"]
_CLAIMS: Final = ("L10", "mean life")


def characteristic_life(hours: float, claim: Claim, *, shape: float) -> float:
    """Turn a claimed life into the characteristic life eta, at which 63.2 % have failed.

    Parameters
    ----------
    hours : float
        Claimed life.
    claim : {"L10", "mean life"}
        Whether a tenth have failed by then, or it is the mean (MTTF).
    shape : float
        Weibull shape; 1 for a constant failure rate.

    Returns
    -------
    float

    Raises
    ------
    FanstatsError
        If a number is not above 0, or the claim is of another kind.

    Examples
    --------
    >>> round(characteristic_life(50_000, "L10", shape=1.1))
    386763
    """
    one_of("claim", claim, _CLAIMS)
    b = number("shape", shape, above=0)
    return number("hours", hours, above=0) / _ratio(claim, b)


def life_from_characteristic(eta: float, claim: Claim, *, shape: float) -> float:
    """Turn the characteristic life into an L10 or a mean life.

    Parameters
    ----------
    eta : float
        Characteristic life in hours.
    claim : {"L10", "mean life"}
        The life wanted.
    shape : float
        Weibull shape.

    Returns
    -------
    float

    Raises
    ------
    FanstatsError
        As in `characteristic_life`.

    Examples
    --------
    A mean life of 150,000 h and an L10 of 16,000 h can be the same fan:

    >>> eta = characteristic_life(150_000, "mean life", shape=1.0)
    >>> round(life_from_characteristic(eta, "L10", shape=1.0))
    15804
    """
    one_of("claim", claim, _CLAIMS)
    b = number("shape", shape, above=0)
    return number("eta", eta, above=0) * _ratio(claim, b)


def _ratio(claim: str, shape: float) -> float:
    if claim == "L10":
        return float((-math.log(0.9)) ** (1 / shape))
    return math.gamma(1 + 1 / shape)


def acceleration_factor(
    test_temperature: float, use_temperature: float, *, factor_per_10_degrees: float
) -> float:
    """Give the acceleration of a hotter test by the so-called 10-degree rule.

    Parameters
    ----------
    test_temperature, use_temperature : float
        In degrees Celsius (or both in kelvin).
    factor_per_10_degrees : float
        Assumed factor for 10 degrees. 1.5 and 2 are both in use; over 50 degrees they differ by a
        factor of 4. Nothing in a test at one temperature can tell.

    Returns
    -------
    float

    Raises
    ------
    FanstatsError
        If the factor is below 1.

    Examples
    --------
    >>> acceleration_factor(130, 80, factor_per_10_degrees=2)
    32.0
    """
    factor = number("factor_per_10_degrees", factor_per_10_degrees, at_least=1)
    hotter = number("test_temperature", test_temperature)
    cooler = number("use_temperature", use_temperature)
    return float(factor ** ((hotter - cooler) / 10))
