"""Margins: the loss one would not mind, in the unit of the quantity or in percent."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from fanstats._arguments import number
from fanstats.decisions.selection import Selection
from fanstats.errors import FanstatsError
from fanstats.quantities import convert

__all__ = ["Margin", "read_margin"]

_TEXT: Final = re.compile(r"\s*([0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(\S.*?)?\s*")
_MEND: Final = (
    "Give the loss you would not mind, in the unit of the quantity (20, or '20 fpm') or, for "
    "quantities compared as ratios, in percent ('5 %'). A margin is never a multiple of a standard "
    "deviation: what matters to you does not grow with the scatter of the bench."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """A gap that does not matter.

    Attributes
    ----------
    size : float
        In the unit of the quantity, or the fraction of the second model's value.
    relative : bool
        Whether it is such a fraction.
    units : str
        Unit of a difference, for readers; "%" for a fraction.
    """

    size: float
    relative: bool
    units: str

    @property
    def text(self) -> str:
        """The margin as a reader sees it."""
        return f"{100.0 * self.size if self.relative else self.size:g} {self.units}".rstrip()


def read_margin(margin: float | str, picked: Selection) -> Margin:
    """Read a margin as the user states it.

    Parameters
    ----------
    margin : float or str
        A number in the unit of the quantity, or text such as ``"5 %"`` or ``"0.1 m/s"``.
    picked : Selection
        What it is a margin of.

    Returns
    -------
    Margin

    Raises
    ------
    FanstatsError
        If it is not above 0, in a unit that does not fit, or in percent of a quantity that is not
        compared as a ratio.
    """
    if not isinstance(margin, str):
        size = number("margin", margin, above=0.0, mend=_MEND)
        return Margin(size=size, relative=False, units=picked.difference_units)
    found = _TEXT.fullmatch(margin)
    if found is None or not float(found[1]) > 0:
        msg = f"`margin` must be a number above 0 with its unit; got {margin!r}. {_MEND}"
        raise FanstatsError(msg)
    size, units = float(found[1]), found[2] or ""
    if units in ("%", "percent"):
        return _percent(size, picked)
    if not units:
        return Margin(size=size, relative=False, units=picked.difference_units)
    try:
        inside = float(convert(size, units, picked.units, difference=True))
    except FanstatsError as error:
        msg = f"`margin` must fit the unit {picked.units!r}; got {margin!r}. {_MEND}"
        raise FanstatsError(msg) from error
    return Margin(size=inside, relative=False, units=picked.difference_units)


def _percent(size: float, picked: Selection) -> Margin:
    if picked.known is None or not picked.known.ratio:
        called = f"of {picked.title!r}" if picked.name else "of an array without a name"
        msg = (
            f"`margin` must be in {picked.difference_units or 'units'} here; got {size:g} %. A "
            f"percentage {called} says nothing: it is not compared as a ratio."
        )
        raise FanstatsError(msg)
    if size >= 100:
        msg = f"`margin` must be below 100 %; got {size:g} %."
        raise FanstatsError(msg)
    return Margin(size=size / 100.0, relative=True, units="%")
