"""Gaps in the unit of the quantity, and on the scale they are judged on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from fanstats._arguments import number
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from fanstats.decisions.selection import Selection

__all__ = ["GapScale"]


class GapScale:
    """Gaps in the unit of the quantity against gaps on the scale they are judged on.

    Where models are judged as ratios, a gap goes with its ratio through the geometric mean of both
    values, as in `compare`: it is the same from either side.

    Parameters
    ----------
    picked : Selection
    pair : list of int
        Places of the two models.
    """

    def __init__(self, picked: Selection, pair: list[int]) -> None:
        first, second = picked.values[picked.scope("model"), pair].tolist()
        self.ratio = picked.ratio
        self.units = picked.difference_units
        self.middle = math.sqrt(first * second) if picked.ratio else math.nan
        self.sign = 1.0 if first >= second else -1.0

    def judged(self, argument: str, gap: float | str) -> float:
        """Give a stated gap on the scale it is judged on, above 0.

        Parameters
        ----------
        argument : str
            Its name, for messages.
        gap : float or str
            In the unit of the quantity, or text such as "5 %".

        Returns
        -------
        float

        Raises
        ------
        FanstatsError
            If it is no gap that two models can have.
        """
        if isinstance(gap, str):
            return self._share(argument, gap)
        found = abs(number(argument, gap))
        return 2.0 * math.asinh(found / (2.0 * self.middle)) if self.ratio else found

    def _share(self, argument: str, text: str) -> float:
        head = text.strip().removesuffix("%").strip()
        try:
            share = float(head) / 100 if text.strip().endswith("%") else math.nan
        except ValueError:
            share = math.nan
        if not (self.ratio and 0 < share < math.inf):
            rule = "text such as '5 %' or a number" if self.ratio else f"a number in {self.units}"
            msg = f"`{argument}` must be {rule}; got {text!r}."
            raise FanstatsError(msg)
        return math.log1p(share)

    def printed(self, gap: float) -> float:
        """Give a gap in the unit of the quantity.

        Parameters
        ----------
        gap : float
            On the scale it is judged on.

        Returns
        -------
        float
        """
        if not self.ratio or not math.isfinite(gap):
            return gap
        with np.errstate(over="ignore"):
            return float(2.0 * self.middle * np.sinh(gap / 2.0))

    def percent(self, gap: float) -> float:
        """Give by how many percent the larger value exceeds the smaller; NaN where not judged so.

        Parameters
        ----------
        gap : float
            On the scale it is judged on.

        Returns
        -------
        float
        """
        return 100.0 * math.expm1(min(gap, 700.0)) if self.ratio else math.nan

    def spread_words(self, sd: float) -> str:
        """Print a standard deviation on the scale of judging: in percent, or in the unit.

        Parameters
        ----------
        sd : float

        Returns
        -------
        str
        """
        return f"{100 * sd:.2g} %" if self.ratio else f"{sd:.2g} {self.units}"
