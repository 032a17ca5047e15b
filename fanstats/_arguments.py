"""Checks on single arguments, shared by the functions that plan and promise."""

from __future__ import annotations

import math
import numbers
import re

from fanstats.errors import FanstatsError

__all__ = ["bare_number", "count", "fraction", "number", "power_above"]

# A number with perhaps a unit after it; 1,234 might be meant as either.
_WITH_UNIT = re.compile(r"\s*(\d+(?:\.\d+|,(?!\d{3}\b)\d+)?)\s*(?:[^\d\s.,%+±-][^\d%]*)?")

_PERCENT = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*%\s*")


def bare_number(value: object) -> str:
    """Say how to write a number that was passed as text, for the end of a message.

    Parameters
    ----------
    value : object
        What the caller passed.

    Returns
    -------
    str
        With a space before it; "" where the value is no text that leaves no doubt.

    Examples
    --------
    >>> bare_number("12,50 EUR")
    ' Write the bare number: 12.5.'
    """
    found = _WITH_UNIT.fullmatch(value) if isinstance(value, str) else None
    return f" Write the bare number: {float(found[1].replace(',', '.')):g}." if found else ""


def number(
    argument: str,
    value: object,
    *,
    above: float = -math.inf,
    at_least: float = -math.inf,
    infinite: bool = False,
    mend: str = "",
) -> float:
    """Return `value` as a float if it is a number within the limits, else raise.

    Parameters
    ----------
    argument : str
        The name of the argument, for the message.
    value : object
        What the caller passed.
    above, at_least : float
        Exclusive and inclusive lower limits.
    infinite : bool
        Whether plus infinity may stand.
    mend : str
        A sentence that says what to do instead.

    Returns
    -------
    float

    Raises
    ------
    FanstatsError
        If `value` is not a number or lies outside the limits.

    Examples
    --------
    >>> number("spread", 0.8, at_least=0)
    0.8
    """
    truth = type(value) is bool
    if isinstance(value, numbers.Real) and not truth:
        try:
            found = float(value)
        except OverflowError:
            found = math.nan  # a whole number beyond what a float holds
        finite = math.isfinite(found) or (infinite and found == math.inf)
        if finite and found > above and found >= at_least:
            return found
    limits = [
        f"above {above:g}" if above > -math.inf else "",
        f"at least {at_least:g}" if at_least > -math.inf else "",
    ]
    kind = "a number" if infinite else "a finite number"
    rule = " ".join(part for part in (kind, *limits) if part)
    hints = bare_number(value) + (f" {mend}" if mend else "")
    msg = f"`{argument}` must be {rule}; got {value!r}.{hints}"
    raise FanstatsError(msg)


def fraction(argument: str, value: object) -> float:
    """Return `value` as a float if it lies strictly between 0 and 1, else raise.

    Parameters
    ----------
    argument : str
        The name of the argument, for the message.
    value : object
        What the caller passed.

    Returns
    -------
    float

    Raises
    ------
    FanstatsError
        If `value` is not a fraction in (0, 1); a percentage gets its own hint.

    Examples
    --------
    >>> fraction("probability", 0.95)
    0.95
    """
    text = _PERCENT.fullmatch(value) if isinstance(value, str) else None
    found = number(argument, value) if text is None else float(text[1].replace(",", "."))
    if text is None and 0 < found < 1:
        return found
    percentage = 1 < found < 100 or (text is not None and 0 < found < 100)
    hint = f" Write {found / 100:g} for {found:g} %." if percentage else ""
    msg = f"`{argument}` must be a fraction strictly between 0 and 1; got {value!r}.{hint}"
    raise FanstatsError(msg)


def count(argument: str, value: object, *, at_least: int = 1, mend: str = "") -> int:
    """Return `value` as an int if it is a whole number of at least `at_least`, else raise.

    Parameters
    ----------
    argument : str
        The name of the argument, for the message.
    value : object
        What the caller passed.
    at_least : int
        Inclusive lower limit.
    mend : str
        A sentence that says what to do instead.

    Returns
    -------
    int

    Raises
    ------
    FanstatsError
        If `value` is not such a whole number.

    Examples
    --------
    >>> count("looks", 5)
    5
    """
    truth = type(value) is bool
    if isinstance(value, numbers.Integral) and not truth and int(value) >= at_least:
        return int(value)
    msg = (
        f"`{argument}` must be a whole number of at least {at_least}; "
        f"got {value!r}.{' ' if mend else ''}{mend}"
    )
    raise FanstatsError(msg)


def power_above(power: object, alpha: float) -> float:
    """Return `power` if it lies strictly between `alpha` and 1, else raise.

    Parameters
    ----------
    power : object
        Wanted chance that the gap is found.
    alpha : float
        Chance of a claim when there is no gap.

    Returns
    -------
    float

    Raises
    ------
    FanstatsError
        If a plan for it makes no sense.

    Examples
    --------
    >>> power_above(0.8, 0.05)
    0.8
    """
    found = number("power", power)
    if alpha < found < 1:
        return found
    msg = (
        f"`power` must lie strictly between `alpha` ({alpha:g}) and 1; got {power!r}. "
        "A chance of alpha needs no units at all and certainty needs infinitely many; "
        "0.8 and 0.9 are usual."
    )
    raise FanstatsError(msg)
