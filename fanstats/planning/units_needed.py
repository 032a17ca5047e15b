"""How many units a wish takes: the answer, and the words and checks that all such answers share."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fanstats._arguments import number
from fanstats.errors import FanstatsError
from fanstats.planning.shown import Shown, spent_words

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["UnitsNeeded", "checked_spread", "curve_points", "origin_words", "paid", "with_units"]

# Points of a curve at most, beside the answer and one fewer.
_POINTS: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class UnitsNeeded(Shown):
    """How many units a wish takes, with what they reach and what one fewer would.

    Attributes
    ----------
    n_per_model, n_total : int
        Units of each model and of all models together.
    models : int
        Number of models.
    reached, one_fewer : float
        What the wish is measured by (chance or half width), at `n_per_model` and with one unit
        fewer of each model (NaN where one fewer is impossible).
    wanted : float
        What was asked for.
    measure : str
        What `reached`, `one_fewer` and `wanted` are.
    assumed : str
        What the numbers rest on.
    money, hours : float
        What `n_total` units take; NaN where nobody stated a price, or hours.
    currency : str
        "" where nobody stated one.
    points : tuple of tuple of int and float
        Units of each model, and what they reach, from the fewest possible to past the answer.
    """

    n_per_model: int
    n_total: int
    models: int
    reached: float
    one_fewer: float
    wanted: float
    measure: str
    assumed: str
    money: float = math.nan
    hours: float = math.nan
    currency: str = ""
    points: tuple[tuple[int, float], ...] = ()

    def sentence(self) -> str:
        """Say the answer in one sentence.

        Returns
        -------
        str
        """
        samples = "1 sample" if self.n_per_model == 1 else f"{self.n_per_model} samples"
        each = "" if self.models == 1 else f" of each model ({self.n_total} in total)"
        fewer = "" if math.isnan(self.one_fewer) else f"; one fewer gives {self.one_fewer:.3g}"
        return (
            f"{samples}{each}{self._paid()}: {self.measure} {self.reached:.3g}, wanted "
            f"{self.wanted:.3g}{fewer}. Assumed: {self.assumed}."
        )

    def _paid(self) -> str:
        if math.isnan(self.money) and math.isnan(self.hours):
            return ""
        return f", {spent_words(self.money, self.currency, self.hours)}"

    def table(self) -> pd.DataFrame:
        """Give the answer and its neighbour, one row each.

        Returns
        -------
        DataFrame
            Columns n_per_model, n_total, the measure, money and hours.
        """
        sizes = [self.n_per_model, self.n_per_model - 1]
        frame = pd.DataFrame(
            {
                "n_per_model": sizes,
                "n_total": [size * self.models for size in sizes],
                self.measure: [self.reached, self.one_fewer],
                "money": [size * self.money / self.n_per_model for size in sizes],
                "hours": [size * self.hours / self.n_per_model for size in sizes],
            }
        )
        return frame[frame["n_per_model"] > 0].reset_index(drop=True)

    def curve(self) -> pd.DataFrame:
        """Give what is reached, and what it costs, against the number of units.

        Returns
        -------
        DataFrame
            One row a number of units, from the fewest possible to past the answer: `n_total`,
            `n_per_model` (int), `power` (`reached` where the wish is no chance), `money`, `hours`
            (NaN where not stated).
        """
        sizes = [size for size, _ in self.points]
        name = "power" if self.measure.startswith("chance") else "reached"
        return pd.DataFrame(
            {
                "n_total": [size * self.models for size in sizes],
                "n_per_model": sizes,
                name: [reached for _, reached in self.points],
                "money": [size * self.money / self.n_per_model for size in sizes],
                "hours": [size * self.hours / self.n_per_model for size in sizes],
            }
        )


def curve_points(
    reached: Callable[[int], float], n: int, first: int
) -> tuple[tuple[int, float], ...]:
    """Give what is reached from the fewest units to past those needed.

    Parameters
    ----------
    reached : callable
        What a number of units reaches.
    n, first : int
        Units needed, and the fewest possible.

    Returns
    -------
    tuple of tuple of int and float

    Examples
    --------
    >>> curve_points(lambda size: 1 / size, 2, 1)[:2]
    ((1, 1.0), (2, 0.5))
    """
    last = max(math.ceil(1.3 * n), n + 4)
    spaced = np.linspace(first, last, _POINTS).round().astype(int)
    sizes = np.unique([*spaced, n, max(first, n - 1)])
    return tuple((int(size), float(reached(int(size)))) for size in sizes)


def paid(
    needed: UnitsNeeded, price: float | None, sitting_hours: float | None, currency: str
) -> UnitsNeeded:
    """Add what the units take.

    Parameters
    ----------
    needed : UnitsNeeded
    price, sitting_hours : float or None
        Price of one unit, and hours it takes at the bench.
    currency : str

    Returns
    -------
    UnitsNeeded
    """
    each = math.nan if price is None else number("price", price, at_least=0)
    hours = math.nan
    if sitting_hours is not None:
        hours = number("sitting_hours", sitting_hours, at_least=0)
    return replace(
        needed, money=needed.n_total * each, hours=needed.n_total * hours, currency=currency
    )


def checked_spread(value: object, measurement: object) -> tuple[float, float]:
    """Return the spread and the measurement's uncertainty, not both 0, else raise.

    Parameters
    ----------
    value, measurement : object
        What the caller passed as `spread` and `measurement`.

    Returns
    -------
    spread, measurement : float

    Raises
    ------
    FanstatsError
        If one is no number from 0 on, or both are 0.
    """
    spread = number("spread", value, at_least=0)
    noise = number("measurement", measurement, at_least=0)
    if spread == 0 and noise == 0:
        msg = (
            "`spread` and `measurement` must not both be 0; got 0 and 0. Units that are all alike "
            "and read without error need no plan."
        )
        raise FanstatsError(msg)
    return spread, noise


def with_units(value: float, units: str) -> str:
    """Print a number with its unit, where there is one.

    Parameters
    ----------
    value : float
    units : str
        "" where nobody stated one.

    Returns
    -------
    str

    Examples
    --------
    >>> with_units(0.8, "dB"), with_units(0.8, "")
    ('0.8 dB', '0.8')
    """
    return f"{value:g} {units}" if units else f"{value:g}"


def origin_words(dof: float) -> str:
    """Say where a spread comes from.

    Parameters
    ----------
    dof : float
        Degrees of freedom behind it from other models.

    Returns
    -------
    str

    Examples
    --------
    >>> origin_words(0)
    'spread estimated from these samples alone'
    """
    if math.isinf(dof):
        return "spread known"
    if dof == 0:
        return "spread estimated from these samples alone"
    return f"spread estimated from these samples and {dof:g} degrees of freedom of other models"
