"""Words for readers: figures to the digits they deserve, odds, scopes and places in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Final

from fanstats.quantities import units_label

__all__ = [
    "PAIR_WORDS",
    "SCOPE_WORDS",
    "figure",
    "listed",
    "odds_words",
    "place_words",
    "range_words",
    "samples_words",
    "times_words",
    "where",
]

SCOPE_WORDS: Final[Mapping[str, str]] = {
    "tested unit": "this sample",
    "model": "the typical one",
    "next unit": "the one you would buy",
    "as given": "the draws as given",
}
# What a comparison of two models is about, for each scope.
PAIR_WORDS: Final[Mapping[str, str]] = {
    "tested unit": "these two samples",
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
        "no value" for NaN.

    Examples
    --------
    >>> figure(412.3456, 9.87, "fpm"), figure(36.02, 0.95, "dBA"), figure(-0.00001, 0.3)
    ('412.3 fpm', '36.02 dBA', '0.00')
    """
    if not math.isfinite(value):
        return "no value"
    scale = uncertainty if math.isfinite(uncertainty) and uncertainty > 0 else abs(value) / 100.0
    decimals = 1 - _exponent(scale) if scale > 0 else 0
    rounded = round(value, decimals)
    if rounded == 0:
        rounded = 0.0  # never "-0.0"
    return f"{rounded:.{max(0, decimals)}f}{' ' if units else ''}{units}"


def _exponent(scale: float) -> int:
    exponent = math.floor(math.log10(scale))
    # 0.0996 rounds to 0.10: two digits of the rounded number, not of the raw one.
    return exponent + 1 if round(scale / 10.0**exponent, 1) >= 10.0 else exponent


def odds_words(probability: float, standard_error: float = 0.0) -> str:
    """Print a probability as so many in a hundred.

    Parameters
    ----------
    probability : float
    standard_error : float
        Its Monte Carlo standard error; above 0.01 only fives are given.

    Returns
    -------
    str

    Examples
    --------
    >>> odds_words(0.9712), odds_words(0.99999), odds_words(0.642, 0.02)
    ('97 in 100', 'more than 99 in 100', 'about 65 in 100')
    """
    if math.isnan(probability):
        return "not known"
    if probability > 0.99:
        return "more than 99 in 100" if probability > 0.995 else "99 in 100"
    if probability < 0.005:
        return "fewer than 1 in 100"
    if standard_error > 0.01:
        return f"about {5 * round(20 * probability)} in 100"
    return f"{round(100 * probability)} in 100"


def range_words(low: float, high: float, uncertainty: float, units: str) -> str:
    """Print a range.

    Parameters
    ----------
    low, high : float
        Ends; NaN where an end is not covered by data.
    uncertainty : float
        Standard uncertainty that decides the digits.
    units : str

    Returns
    -------
    str

    Examples
    --------
    >>> range_words(1.234, 5.678, 0.9, "fpm")
    '1.23 to 5.68 fpm'
    """
    if not (math.isfinite(low) or math.isfinite(high)):
        return "missing"
    ends = [
        figure(end, uncertainty) if math.isfinite(end) else "(not covered by data)"
        for end in (low, high)
    ]
    return f"{ends[0]} to {ends[1]}{' ' if units else ''}{units}"


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
        units = units_label(str(attrs.get("level_units", "")))
        parts.append(f"at {kind}" + (f" ({level:g} {units})" if level is not None else ""))
    elif kind == "chart":
        parts.append("as read off the chart")
    if obstruction is not None:
        parts.append(f"obstruction: {obstruction}")
    return ", ".join(parts)
