"""The quantities a fan bench reads: names, units, and which way is better."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, Literal

from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import ArrayLike, NDArray

__all__ = ["QUANTITIES", "Quantity", "canonical_units", "convert", "quantity", "units_label"]

Kind = Literal["level", "speed", "velocity", "flow", "temperature", "difference", "drive", "price"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity: its name in data, its name in print, its usual units, which way is better.

    Attributes
    ----------
    name : str
        Variable name in readings and estimates, such as ``"temperature_rise"``.
    title : str
        Name for axes and sentences, such as ``"temperature rise"``.
    units : tuple of str
        Units readings may come in, the usual one first.
    best : {"high", "low"} or None
        Which way is better for the person who buys; None where neither is.
    ratio : bool
        Whether two models are compared as a ratio (in logarithms) as well as by difference.
    comparative : tuple of str
        What "first is ahead of second" is called, such as ``("moves more air", "moves less air")``.
    """

    name: str
    title: str
    units: tuple[str, ...]
    best: Literal["high", "low"] | None
    ratio: bool
    comparative: tuple[str, str]


_VELOCITY = ("fpm", "m/s", "km/h", "mph")
_FLOW = ("cfm", "m3/h", "m3/s", "l/s", "l/min")

QUANTITIES: Final[Mapping[str, Quantity]] = {
    entry.name: entry
    for entry in (
        Quantity(name="noise", title="noise", units=("dBA", "dBC", "dBZ", "dB"), best="low",
                 ratio=False, comparative=("is quieter", "is louder")),
        Quantity(name="background", title="room noise", units=("dBA", "dBC", "dBZ", "dB"),
                 best=None, ratio=False, comparative=("is lower", "is higher")),
        Quantity(name="speed", title="speed", units=("rpm",), best=None, ratio=True,
                 comparative=("runs faster", "runs slower")),
        Quantity(name="airflow", title="airflow", units=(*_VELOCITY, *_FLOW), best="high",
                 ratio=True, comparative=("moves more air", "moves less air")),
        Quantity(name="temperature", title="temperature", units=("degC", "degF", "K"), best="low",
                 ratio=False, comparative=("stays cooler", "runs hotter")),
        Quantity(name="ambient", title="ambient temperature", units=("degC", "degF", "K"),
                 best=None, ratio=False, comparative=("is lower", "is higher")),
        Quantity(name="temperature_rise", title="temperature rise", units=("K", "degC", "degF"),
                 best="low", ratio=False, comparative=("stays cooler", "runs hotter")),
        Quantity(name="drive_voltage", title="drive", units=("V",), best=None, ratio=True,
                 comparative=("needs more drive", "needs less drive")),
        Quantity(name="drive_duty", title="drive", units=("%",), best=None, ratio=True,
                 comparative=("needs more drive", "needs less drive")),
        Quantity(name="load", title="heat load", units=("W",), best=None, ratio=True,
                 comparative=("takes more power", "takes less power")),
        Quantity(name="price", title="price", units=("EUR",), best="low", ratio=True,
                 comparative=("costs less", "costs more")),
    )
}  # fmt: skip

# Ways people write a unit, lower case without spaces, against the one spelling used in data.
_SPELLINGS: Final[Mapping[str, str]] = {
    "dba": "dBA", "db(a)": "dBA", "dbc": "dBC", "db(c)": "dBC", "dbz": "dBZ", "db(z)": "dBZ",
    "db": "dB",
    "rpm": "rpm", "1/min": "rpm", "min-1": "rpm", "r/min": "rpm", "u/min": "rpm",
    "fpm": "fpm", "ft/min": "fpm", "m/s": "m/s", "km/h": "km/h", "kmh": "km/h", "mph": "mph",
    "cfm": "cfm", "ft3/min": "cfm", "ft³/min": "cfm", "m3/h": "m3/h", "m³/h": "m3/h",
    "m^3/h": "m3/h", "m3/s": "m3/s", "m³/s": "m3/s", "m^3/s": "m3/s", "l/s": "l/s",
    "l/min": "l/min",
    "degc": "degC", "°c": "degC", "c": "degC", "celsius": "degC",
    "degf": "degF", "°f": "degF", "f": "degF", "fahrenheit": "degF", "k": "K", "kelvin": "K",
    "v": "V", "volt": "V", "volts": "V", "%": "%", "percent": "%", "w": "W", "watt": "W",
    "eur": "EUR", "€": "EUR", "usd": "USD", "$": "USD", "gbp": "GBP", "£": "GBP",
}  # fmt: skip

# Our spelling against the units library's.
_PINT: Final[Mapping[str, str]] = {
    "fpm": "foot / minute", "m/s": "meter / second", "km/h": "kilometer / hour",
    "mph": "mile / hour", "cfm": "foot ** 3 / minute", "m3/h": "meter ** 3 / hour",
    "m3/s": "meter ** 3 / second", "l/s": "liter / second", "l/min": "liter / minute",
    "degC": "degC", "degF": "degF", "K": "kelvin", "V": "volt", "W": "watt", "rpm": "rpm",
    "%": "percent",
}  # fmt: skip
_DELTA: Final[Mapping[str, str]] = {"degC": "delta_degC", "degF": "delta_degF", "K": "kelvin"}


def quantity(name: str) -> Quantity:
    """Look a quantity up by name.

    Parameters
    ----------
    name : str
        Such as ``"airflow"``.

    Returns
    -------
    Quantity

    Raises
    ------
    FanstatsError
        If the name is not one the library knows.

    Examples
    --------
    >>> quantity("airflow").best
    'high'
    """
    try:
        return QUANTITIES[name]
    except KeyError:
        msg = f"`quantity` must be one of {', '.join(QUANTITIES)}; got {name!r}."
        raise FanstatsError(msg) from None


def canonical_units(text: str) -> str:
    """Give the one spelling of a unit: ``"dB(A)"`` and ``"dBA"`` are the same.

    Parameters
    ----------
    text : str
        A unit as somebody wrote it.

    Returns
    -------
    str
        The spelling used in attributes. An unknown unit comes back stripped, not refused: what
        may stand where is for the caller to say.

    Examples
    --------
    >>> canonical_units("dB(A)"), canonical_units("ft/min"), canonical_units("°C")
    ('dBA', 'fpm', 'degC')
    """
    stripped = text.strip()
    return _SPELLINGS.get("".join(stripped.lower().split()), stripped)


def units_label(units: str) -> str:
    """Give the way a unit is printed for a reader: ``"degC"`` becomes ``"°C"``.

    Parameters
    ----------
    units : str
        A unit as it stands in attributes.

    Returns
    -------
    str

    Examples
    --------
    >>> units_label("degC"), units_label("m3/h"), units_label("fpm")
    ('°C', 'm³/h', 'fpm')
    """
    printed = {"degC": "°C", "degF": "°F", "m3/h": "m³/h", "m3/s": "m³/s"}
    return printed.get(units, units)


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(cache_folder=None)


def convert(
    values: ArrayLike, units: str, to: str, *, difference: bool = False
) -> NDArray[np.float64]:
    """Convert values from one unit to another.

    Parameters
    ----------
    values : array_like
        Numbers in `units`, any shape.
    units, to : str
        The unit they are in and the one wanted.
    difference : bool
        True for differences, rises, spreads and tolerances: a temperature scale's zero is then
        left out, so that a rise of 5 degC is one of 9 degF.

    Returns
    -------
    ndarray
        Same shape, in `to`.

    Raises
    ------
    FanstatsError
        If one cannot be turned into the other; decibels of different weighting never can.

    Examples
    --------
    >>> float(convert(600.0, "fpm", "m/s").round(6))
    3.048
    >>> float(convert(5.0, "degC", "degF", difference=True).round(6))
    9.0
    """
    import numpy as np

    numbers = np.asarray(values, dtype=np.float64)
    source, target = canonical_units(units), canonical_units(to)
    if source == target:
        return numbers
    levels = source.startswith("dB") and target.startswith("dB")
    if levels and difference and "dB" in (source, target):
        return numbers  # a difference of levels in dB fits every weighting
    refused = f"Units {units!r} cannot be converted to {to!r}."
    if source not in _PINT or target not in _PINT:
        raise FanstatsError(refused)
    registry = _registry()
    table = {**_PINT, **_DELTA} if difference else _PINT
    try:
        converted = registry.Quantity(numbers, table[source]).to(table[target]).magnitude
    except Exception as error:  # pint raises several kinds; all mean the same here
        raise FanstatsError(refused) from error
    return np.asarray(converted, dtype=np.float64)
