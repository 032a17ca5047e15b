"""Words for readers: figures to the digits they deserve, odds, scopes and places in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np

from fanstats.formatting import interval, number
from fanstats.quantities import units_label

__all__ = [
    "CLOSE_TO_ZERO",
    "PAIR_WORDS",
    "SCOPE_WORDS",
    "figure",
    "listed",
    "per_hundred",
    "place_words",
    "range_words",
    "samples_words",
    "times_words",
    "two_digits",
    "where",
]

_ROUND_OFF: Final = 1e-9

SCOPE_WORDS: Final[Mapping[str, str]] = {
    "tested unit": "this sample",
    "model": "the typical one",
    "next unit": "the one you would buy",
    "as given": "the draws as given",
}
# A remark that belongs even under a caption: the verdict hangs on the number of draws.
CLOSE_TO_ZERO: Final = (
    "an end of the range lies within its Monte Carlo error of zero: more draws could turn this"
)
# What a comparison of two models is about, for each scope.
PAIR_WORDS: Final[Mapping[str, str]] = {
    "tested unit": "the samples tested",
    "model": "the typical ones",
    "next unit": "the two you would buy",
    "as given": "the draws as given",
}


def figure(value: float, uncertainty: float, units: str = "") -> str:
    """Print a number to the second significant digit of its uncertainty.

    Parameters
    ----------
    value : float
    uncertainty : float
        Standard uncertainty; where it is 0 or missing, four significant digits are given.
    units : str
        Unit, set after the number.

    Returns
    -------
    str

    Examples
    --------
    >>> figure(412.3456, 9.87, "fpm"), figure(36.02, 0.95, "dBA"), figure(-0.00001, 0.3)
    ('412.3 fpm', '36.02 dBA', '0.00')
    """
    known = math.isfinite(uncertainty) and uncertainty > 0
    return number(value, uncertainty / 10.0 if known else None, units=units)


def range_words(
    low: float, high: float, uncertainty: float, units: str, *, standard_error: float | None = None
) -> str:
    """Print a range to the digits of a standard uncertainty; a dash where there is none.

    Parameters
    ----------
    low, high : float
        Ends; NaN for one that the data do not cover.
    uncertainty : float
        Standard uncertainty that decides the digits.
    units : str
    standard_error : float, optional
        Monte Carlo standard error of the ends: no digit beyond it is printed.

    Returns
    -------
    str

    Examples
    --------
    >>> range_words(1.234, 5.678, 0.9, "fpm")
    '1.23 to 5.68 fpm'
    >>> range_words(1.234, 5.678, 0.9, "fpm", standard_error=0.02)
    '1.25 to 5.70 fpm'
    >>> range_words(math.nan, 5.678, 0.9, "fpm")
    'up to 5.68 fpm, the other end not covered by data'
    """
    known = math.isfinite(uncertainty) and uncertainty > 0
    reached = standard_error if standard_error is not None and math.isfinite(standard_error) else 0
    scale = uncertainty if known else None
    if math.isnan(low) == math.isnan(high):
        return interval(low, high, units, digits_of=scale, standard_error=reached)
    ends = (-math.inf, high) if math.isnan(low) else (low, math.inf)
    text = interval(*ends, units, digits_of=scale, standard_error=reached)
    return f"{text}, the other end not covered by data"


def times_words(probability: float) -> str:
    """Print a coverage probability: ``0.95`` becomes ``"95 times in 100"``.

    Parameters
    ----------
    probability : float

    Returns
    -------
    str

    Examples
    --------
    >>> times_words(0.95), times_words(0.995)
    ('95 times in 100', '99.5 times in 100')
    """
    return f"{round(100 * probability, 3):g} times in 100"


def per_hundred(probability: float) -> str:
    """Print how often in 100 something comes up, without digits that nobody can check.

    Parameters
    ----------
    probability : float

    Returns
    -------
    str

    Examples
    --------
    >>> per_hundred(0.043), per_hundred(0.349), per_hundred(4.3e-7), per_hundred(1.0)
    ('4.3', '35', 'less than 0.1', 'more than 99.9')
    """
    often = 100.0 * probability
    if often < 0.1:
        return "less than 0.1"
    if often > 99.9:
        return "more than 99.9"
    return f"{often:.1f}".removesuffix(".0") if often < 10 or often > 99 else f"{often:.0f}"


def two_digits(value: float, *, signed: bool = False) -> str:
    """Print a number to two significant digits, never with an exponent.

    Parameters
    ----------
    value : float
        Below a thousand-millionth it is 0: what is left of rounding.
    signed : bool
        Whether a plus sign is set too; 0 has none.

    Returns
    -------
    str

    Examples
    --------
    >>> two_digits(218.4), two_digits(0.0312), two_digits(1.26, signed=True), two_digits(0.0)
    ('220', '0.031', '+1.3', '0')
    """
    if abs(value) < _ROUND_OFF:
        return "0"
    text = np.format_float_positional(value, precision=2, fractional=False, trim="-", unique=False)
    return f"+{text}" if signed and value > 0 else text


def listed(names: Iterable[str]) -> str:
    """Join names with commas and a last "and".

    Parameters
    ----------
    names : iterable of str

    Returns
    -------
    str

    Examples
    --------
    >>> listed(["A", "B", "C"])
    'A, B and C'
    """
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


def place_words(low: int, high: int) -> str:
    """Print a place, or the places from one to another.

    Parameters
    ----------
    low, high : int

    Returns
    -------
    str

    Examples
    --------
    >>> place_words(1, 1), place_words(2, 4)
    ('1', '2 to 4')
    """
    return f"{low}" if low == high else f"{low} to {high}"


def samples_words(count: float) -> str:
    """Print how many samples were tested.

    Parameters
    ----------
    count : float
        0 where not recorded.

    Returns
    -------
    str

    Examples
    --------
    >>> samples_words(1), samples_words(3), samples_words(0)
    ('1 sample', '3 samples', 'samples not counted')
    """
    number = round(count)
    if number == 0:
        return "samples not counted"
    return f"{number} sample{'' if number == 1 else 's'}"


def where(attrs: Mapping[str, Any], obstruction: str | None) -> str:
    """Say under which conditions models stand side by side.

    Parameters
    ----------
    attrs : mapping
        Attributes of the estimates: `kind`, `level`, `level_units`.
    obstruction : str or None

    Returns
    -------
    str
        Such as ``"at equal noise (36 dBA), obstruction: wire mesh"``; may be empty.

    Examples
    --------
    >>> where({"kind": "equal noise", "level": 36.0, "level_units": "dBA"}, "wire mesh")
    'at equal noise (36 dBA), obstruction: wire mesh'
    """
    kind = str(attrs.get("kind", ""))
    level = next((attrs[key] for key in ("level", "drive", "speed") if key in attrs), None)
    parts = []
    if kind.startswith("equal"):
        stated = (attrs.get(f"{key}_units") for key in ("level", "drive", "speed"))
        units = units_label(next((str(unit) for unit in stated if unit), ""))
        parts.append(f"at {kind}" + (f" ({level:g} {units})" if level is not None else ""))
    elif kind == "chart":
        parts.append("as read off the chart")
    if obstruction is not None:
        parts.append(f"obstruction: {obstruction}")
    return ", ".join(parts)
